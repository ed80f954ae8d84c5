"""What people are told when something cannot be done: one line that says what, where and what to do."""


class Problem(Exception):
    """Something that the user can put right: one line that says what, where and what to do."""


class Unusable(Problem):
    """A database that does not do what it is asked to, whoever is to blame."""


class Unreachable(Unusable):
    """A database that may be back later: a server that restarts, a file that another writer holds."""
