"""What people are told when something cannot be done: one line that says what, where and what to do."""

import re
from collections.abc import Sequence
from typing import Final


class Problem(Exception):
    """Something that the user can put right: one line that says what, where and what to do."""


class BadRows(Problem):
    """Files that cannot be registered, with what is wrong row by row."""

    def __init__(self, rows: Sequence[str]) -> None:
        self.rows = tuple(rows)
        super().__init__("nothing registered; " + "; ".join(rows))


class Unusable(Problem):
    """A database that does not do what it is asked to, whoever is to blame."""


class Unreachable(Unusable):
    """A database that may be back later: a server that restarts, a file that another writer holds."""


# What the library that checks records says of a value, and what people say.
_PLAIN: Final = (
    (r"Expected `str` of length <= (\S+)", r"at most \1 characters"),
    (r"Expected `str` of length >= (\S+)", r"at least \1 character"),
    (r"Expected `str` matching regex .*", "it holds characters that cannot be kept there"),
    (r"Expected `\w+` >= (\S+)", r"it is at least \1"),
    (r"Expected `\w+` <= (\S+)", r"it is at most \1"),
    (r"Expected `int`, got .*", "it is a whole number"),
    (r"Expected `(?:float|decimal)`, got .*", "it is a number"),
    (r"Expected `(\w+)[^`]*`, got `(\w+)[^`]*`", r"it is of the kind \1, not \2"),
)


def in_plain_words(error: Exception) -> str:
    """What is wrong with a value of a record, and which one, for people."""
    text, _, where = str(error).partition(" - at `$.")
    for said, plainer in _PLAIN:
        text = re.sub(said, plainer, text)
    return f"{where.rstrip('`') or 'record'}: {text.replace('`', '')}"
