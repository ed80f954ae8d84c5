"""Pictures that people send: looked at before they are taken apart, and made anew, so that nothing of the file itself is kept."""

import io
import threading
import warnings
from typing import Final

from PIL import Image, ImageOps, UnidentifiedImageError

from ingest.errors import Problem
from ingest.remarks import Photo

LARGEST_BYTES: Final = 10 << 20  # of a file, as phones make them
_MOST_PIXELS: Final = 64_000_000  # of a picture, as phones make them
_MOST_WHOLE: Final = 24_000_000  # of one that has to be unpacked whole: all but JPEG, which is unpacked smaller
_FORMATS: Final = ("JPEG", "PNG", "WEBP")
_LONGEST_SIDE: Final = 1600  # pixels: a fitting can be told from its thread
_QUALITY: Final = 80
# One at a time: unpacked, a picture takes 70 MB.
_TURN: Final = threading.Lock()


def made_anew(sent: bytes) -> Photo:
    """A picture as it is kept: upright, as JPEG of at most 1600 pixels a side, without place, time or camera. Raises Problem for what is
    no picture, or too large a one; its size is read from the first bytes, before any of it is unpacked."""
    if len(sent) > LARGEST_BYTES:
        raise Problem(f"a photo has at most {LARGEST_BYTES >> 20} MB")
    try:
        with _TURN, warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            return _made_anew(sent)
    except (UnidentifiedImageError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise Problem(
            _too_large() if "decompression bomb" in str(error) else "this is no photo: send JPEG, PNG or WebP"
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError, OverflowError, MemoryError):
        raise Problem("this photo is damaged: it cannot be read to its end") from None  # a decoder may stumble anywhere


def _too_large() -> str:
    return f"a photo has at most {_MOST_PIXELS // 1_000_000} million pixels, {_MOST_WHOLE // 1_000_000} unless it is a JPEG"


def _made_anew(sent: bytes) -> Photo:
    with Image.open(io.BytesIO(sent), formats=_FORMATS) as image:
        pixels = image.width * image.height
        if pixels > (_MOST_PIXELS if image.format == "JPEG" else _MOST_WHOLE):
            raise Problem(_too_large())
        image.draft("RGB", (_LONGEST_SIDE, _LONGEST_SIDE))
        upright = ImageOps.exif_transpose(image)
        upright.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
        plain = Image.new("RGB", upright.size, "white")
        seen = upright.convert("RGBA")
        plain.paste(seen, mask=seen.getchannel("A"))
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=_QUALITY, optimize=True)
    return Photo(out.getvalue(), *plain.size)
