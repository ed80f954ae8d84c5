"""Passwords: which will do, and how they are kept and compared."""

import secrets
from functools import cache
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from ingest.errors import Problem

SHORTEST: Final = 8  # OWASP ASVS 5.0, 6.2.1; which characters they are is nobody's business
LONGEST: Final = 512
# The zxcvbn library's own line between what guessing finds at a door that slows guessing down, and what it does not.
_EASY_GUESSES: Final = 1e6
_LOOKED_AT: Final = 72  # characters; more of them make nothing easier to guess
HASHER: Final = PasswordHasher()


@cache
def _nobody() -> str:
    """The hash of a password that nobody has: what one is held against where there is no such name, so that the answer takes as long."""
    return HASHER.hash(secrets.token_hex(16))


def hashed(password: str, name: str) -> str:
    """What is kept of somebody's new password. Raises Problem where it is too short, or one of those that guessing begins with."""
    if not SHORTEST <= len(password) <= LONGEST or "\x00" in password:
        raise Problem(f"a password has at least {SHORTEST} characters")
    try:
        password.encode()
    except UnicodeEncodeError:
        raise Problem("a password is made of whole characters") from None
    if is_common(password, name):
        raise Problem(
            "this password is among the first that anybody tries: take another, such as several words in a row"
        )
    return HASHER.hash(password)


def is_common(password: str, name: str = "") -> bool:
    """Whether a password, or one that differs from it as people make them differ, is on the lists of those in use; or a row of
    keys, a repetition, or the person's own name."""
    from zxcvbn import zxcvbn  # its lists take a while, and most processes never need them

    found = zxcvbn(password[:_LOOKED_AT], user_inputs=[*name.casefold().split(), name.casefold(), "tallow"])
    return float(found["guesses"]) < _EASY_GUESSES


def fits(kept: str | None, password: str) -> bool:
    """Whether a password is the one of which this is kept; takes as long where nothing is."""
    try:
        HASHER.verify(kept if kept is not None else _nobody(), password[:LONGEST])
    except (VerificationError, InvalidHashError, UnicodeEncodeError):
        return False
    return kept is not None


def is_old(kept: str) -> bool:
    """Whether what is kept was made by weaker rules than today's."""
    return HASHER.check_needs_rehash(kept)
