"""Pictures that are made to cost much: small files that take long or much memory, and such as decoders stumble over."""

import io
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

from dashboard import photos
from ingest.errors import Problem

_MB = 1 << 20


def jpeg(size: tuple[int, int], mode: str = "L", **also: object) -> bytes:
    """A picture of one colour, which is a small file."""
    out = io.BytesIO()
    Image.new(mode, size).save(out, "JPEG", **also)
    return out.getvalue()


def with_scans(number: int, size: tuple[int, int], before: bytes = b"") -> bytes:
    """A progressive JPEG whose last scan comes so many times more."""
    plain = jpeg(size, progressive=True)
    last = plain.rindex(b"\xff\xda")
    return plain[:last] + (before + plain[last:-2]) * number + b"\xff\xd9"


@pytest.mark.parametrize("before", [b"", b"\xff\x01", b"\xff\xff"], ids=["plain", "marker without a length", "fill"])
def test_a_small_file_of_many_scans_is_refused_at_once(before: bytes) -> None:
    """Each scan goes over all pixels: a file of 1 MB would hold whoever looks at photos for ten minutes."""
    sent = with_scans(2_000, (4_000, 4_000), before)
    assert len(sent) < _MB
    began_s = time.monotonic()
    with pytest.raises(Problem, match="at most 64 million pixels"):
        photos.made_anew(sent)
    assert time.monotonic() - began_s < 2


def test_ordinary_photos_of_several_scans_are_taken() -> None:
    """Progressive ones have about ten; what looks like more of them within names and behind the end counts for nothing."""
    kept = photos.made_anew(with_scans(10, (900, 600)))
    assert (kept.width, kept.height) == (900, 600)
    noted = jpeg((4_000, 7_000), comment=b"\xff\xda" * 1_000) + b"\xff\xda" * 1_000
    assert photos.made_anew(noted).height == 1600
    assert photos.made_anew(jpeg((65_500, 3))).width == 1600


@pytest.mark.parametrize(
    ("size", "mode"), [((65_500, 970), "RGB"), ((65_500, 970), "CMYK"), ((8_000, 8_000), "RGB")], ids=str
)
def test_memory_is_bounded_whatever_the_shape(tmp_path: Path, size: tuple[int, int], mode: str) -> None:
    """Long and narrow ones are unpacked smaller, too."""
    sent = tmp_path / "sent.jpg"
    sent.write_bytes(jpeg(size, mode))
    script = (
        "import re, sys; from pathlib import Path; from dashboard import photos;"
        "most = lambda: int(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1]) // 1024;"
        "before = most(); photos.made_anew(Path(sys.argv[1]).read_bytes()); print(most() - before)"
    )
    done = subprocess.run([sys.executable, "-c", script, sent], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 130, done.stdout


def test_whatever_is_damaged_is_refused_in_a_line() -> None:
    """Photos with bytes that were changed, left out and put in: made anew or refused, as a number of the generator says."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8825)[1] = "N"
    seeds = [jpeg((60, 40), "RGB", exif=exif), jpeg((60, 40), "RGB", exif=exif, progressive=True)]
    draw = random.Random(7)
    for _ in range(3_000):
        sent = bytearray(draw.choice(seeds))
        for _ in range(draw.choice((1, 2, 8))):
            sent[draw.randrange(2, min(len(sent), draw.choice((160, 600))))] = draw.choice((0, 1, 127, 255))
        try:
            photos.made_anew(bytes(sent))
        except Problem as problem:
            assert "\n" not in str(problem)  # noqa: PT017  # both are right
