"""Who asks, in tests that ask without a request."""

from collections.abc import Iterator

import pytest

from dashboard.accounts import OPERATOR, acting_as


@pytest.fixture(autouse=True)
def operator() -> Iterator[None]:
    """Whoever works on the machine itself, as on the command line; a request says for itself who asks."""
    with acting_as(OPERATOR):
        yield
