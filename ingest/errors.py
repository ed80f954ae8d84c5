"""What people are told when something cannot be done: one line that says what, where and what to do."""

from collections.abc import Sequence


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
