"""Secrets that must be used again, such as the addresses of routes: encrypted where a setting names a file with a key, else as they are.

The key's file holds Fernet keys, one a line: the first seals, all open, so that a new one can be put before an old one.
"""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ingest.environment import SECRETS_KEY_FILE
from ingest.errors import Problem

if TYPE_CHECKING:
    from cryptography.fernet import MultiFernet

_SEALED: Final = "fernet:"  # what is sealed begins so; no address does


def seal(text: str) -> str:
    """What may be kept of a secret. Raises Problem where the key is named and cannot be used."""
    key = _key()
    return text if key is None else _SEALED + key.encrypt(text.encode()).decode()


def unseal(kept: str) -> str:
    """The secret. Raises Problem where the key that sealed it is not there."""
    if not is_sealed(kept):
        return kept
    key = _key()
    if key is None:
        raise Problem(f"secrets in the database are encrypted: name the file with their key in {SECRETS_KEY_FILE.name}")
    from cryptography.fernet import InvalidToken  # here and below, since most processes neither seal nor open anything

    try:
        return key.decrypt(kept.removeprefix(_SEALED).encode()).decode()
    except InvalidToken:
        raise Problem(
            f"no key in {SECRETS_KEY_FILE.value}, named by {SECRETS_KEY_FILE.name}, opens the secrets in the database"
        ) from None


def is_sealed(kept: str) -> bool:
    """Whether what is kept is encrypted."""
    return kept.startswith(_SEALED)


def make_key(path: Path) -> None:
    """Write a file with a new key, readable by its owner only. Raises Problem, also where it is there already."""
    from cryptography.fernet import Fernet

    try:
        with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
            file.write(Fernet.generate_key() + b"\n")
    except OSError as error:
        raise Problem(f"{path} cannot be made: {error.strerror}") from None


def _key() -> "MultiFernet | None":
    """What seals and opens; None where no file is named."""
    path = SECRETS_KEY_FILE.value
    if not path:
        return None
    from cryptography.fernet import Fernet, MultiFernet

    try:
        lines = Path(path).read_text("ascii").split()
        keys = [Fernet(line) for line in lines]
    except OSError as error:
        raise Problem(f"{SECRETS_KEY_FILE.name} names {path}, which cannot be read: {error.strerror}") from None
    except ValueError:
        keys = []
    if not keys:
        raise Problem(f"{SECRETS_KEY_FILE.name} names {path}, which holds no key; tallow seal --new-key FILE makes one")
    return MultiFernet(keys)
