"""Pictures that people send: looked at before they are taken apart, and made anew, so that nothing of the file itself is kept."""

import io
import math
import re
import struct
import threading
import warnings
from typing import Final

from PIL import ExifTags, Image, UnidentifiedImageError

from ingest.errors import Problem
from ingest.remarks import Photo

LARGEST_BYTES: Final = 10 << 20  # of a file, as phones make them
_MOST_PIXELS: Final = 64_000_000  # of a picture, as phones make them
# Of one that has to be unpacked whole: all but JPEG of one scan, which is unpacked smaller.
_MOST_WHOLE: Final = 24_000_000
# Of a JPEG: each goes over all of its pixels, however few bytes it has; those in use have about ten.
_MOST_SCANS: Final = 40
_FORMATS: Final = ("JPEG", "PNG", "WEBP")
# ITU-T T.81, B.1.1: markers, but those that have no length: they stand within what a scan says.
_MARKER: Final = re.compile(rb"\xff+([^\x00\x01\xd0-\xd7\xff])")
_SCAN, _END = b"\xda", b"\xd9"
_TURNED: Final = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE, 8: Image.Transpose.ROTATE_90,
}  # fmt: skip
_LONGEST_SIDE: Final = 1600  # pixels: a fitting can be told from its thread
_QUALITY: Final = 80
# One at a time: unpacked, a picture takes up to 350 MB.
_TURN: Final = threading.Lock()


def made_anew(sent: bytes) -> Photo:
    """A picture as it is kept: upright, as JPEG of at most 1600 pixels a side, without place, time or camera. Raises Problem for what is
    no picture, or too large a one; its size is read from the first bytes, before any of it is unpacked."""
    if len(sent) > LARGEST_BYTES:
        raise Problem(f"a photo has at most {LARGEST_BYTES >> 20} MB")
    try:
        with _TURN, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what a file makes a decoder say is no line of our log
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            return _made_anew(sent)
    except (UnidentifiedImageError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise Problem(
            _too_large() if "decompression bomb" in str(error) else "this is no photo: send JPEG, PNG or WebP"
        ) from None
    except (
        OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError, OverflowError, MemoryError, struct.error,
    ):  # fmt: skip
        raise Problem("this photo is damaged: it cannot be read to its end") from None  # a decoder may stumble anywhere


def _too_large() -> str:
    return f"a photo has at most {_MOST_PIXELS // 1_000_000} million pixels, {_MOST_WHOLE // 1_000_000} unless it is a JPEG of one scan"


def _scans(jpeg: bytes) -> int:
    """How often a JPEG goes over its picture."""
    found, at = 0, 2
    while marker := _MARKER.search(jpeg, at):
        at = marker.end()
        if marker[1] == _END:
            break
        found += marker[1] == _SCAN
        at += int.from_bytes(jpeg[at : at + 2], "big")
    return found


def _made_anew(sent: bytes) -> Photo:
    with Image.open(io.BytesIO(sent), formats=_FORMATS) as image:
        scans = _scans(sent) if image.format in ("JPEG", "MPO") else 0
        if image.width * image.height > (_MOST_PIXELS if scans == 1 else _MOST_WHOLE) or scans > _MOST_SCANS:
            raise Problem(_too_large())
        ratio = 2 * _LONGEST_SIDE / max(image.size)
        image.draft(None, (math.ceil(ratio * image.width), math.ceil(ratio * image.height)))
        image.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
        turn = _TURNED.get(image.getexif().get(ExifTags.Base.Orientation, 1))
        upright = image if turn is None else image.transpose(turn)
        plain = Image.new("RGB", upright.size, "white")
        seen = upright.convert("RGBA")
        plain.paste(seen, mask=seen.getchannel("A"))
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=_QUALITY, optimize=True)
    return Photo(out.getvalue(), *plain.size)
