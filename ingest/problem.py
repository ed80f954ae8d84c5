"""The one exception that people are meant to read."""


class Problem(Exception):
    """Something that the user can put right: one line that says what, where and what to do."""
