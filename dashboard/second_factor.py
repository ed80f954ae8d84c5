"""A second factor: codes of a device by time (RFC 6238), and codes on paper for when it is lost, each of which counts once."""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Sequence
from typing import Final

CODES: Final = 10  # on paper
_STEP_S: Final = 30
_APART: Final = 1  # steps that the clock of a device may be ahead or behind
# A code that was taken later than so many steps from now was so by a clock that ran ahead: it keeps nobody out until then.
_AHEAD: Final = 30
# OWASP ASVS 5.0, 6.5: from 112 random bits on a plain hash will do; these are 120.
_CODE_BYTES: Final = 15
_DIGITS: Final = 6


def new_secret() -> str:
    """What the device and this server share: 160 random bits, in base 32."""
    import pyotp  # here and below, since most processes never look at a second factor

    return str(pyotp.random_base32(32))


def address_of(secret: str, name: str) -> str:
    """What a device is shown, as a picture, to take a secret in."""
    import pyotp

    return pyotp.TOTP(secret).provisioning_uri(name=name, issuer_name="tallow")


def new_codes() -> list[str]:
    """Codes for paper, in groups of four."""
    return [_grouped(base64.b32encode(secrets.token_bytes(_CODE_BYTES)).decode()) for _ in range(CODES)]


def _grouped(code: str) -> str:
    return "-".join(code[n : n + 4] for n in range(0, len(code), 4))


def hash_of(code: str) -> str:
    """What is kept of a code on paper, however it is written."""
    return hashlib.sha256("".join(c for c in code.upper() if c.isalnum()).encode()).hexdigest()


def take(
    secret: str, last_step: int, hashes: Sequence[str], code: str, now_s: int
) -> tuple[int, tuple[str, ...]] | None:
    """(the newest step taken, hashes of codes that are left) after a code; None where it is none, or was taken before."""
    typed = "".join(code.split())
    if len(typed) == _DIGITS and typed.isascii() and typed.isdigit():
        import pyotp

        now, of = now_s // _STEP_S, pyotp.TOTP(secret, digits=_DIGITS, interval=_STEP_S)
        for step in range(now - _APART, now + _APART + 1):
            if not step <= last_step <= now + _AHEAD and hmac.compare_digest(of.generate_otp(step), typed):
                return step, tuple(hashes)
        return None
    mine = hash_of(code[:64])
    if not any(hmac.compare_digest(mine, one) for one in hashes):
        return None
    return last_step, tuple(one for one in hashes if one != mine)
