"""What tests that analyse in their own process leave behind."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine

from analytics.pipeline.tasks import engine_of
from ingest.database import address


@pytest.fixture
def in_this_process(engine: Engine) -> Iterator[None]:
    """The connections of vehicles that were analysed here, and not in workers, are closed in the end."""
    engine_of(address(engine))  # before two threads make one each
    yield
    engine_of(address(engine)).dispose()
    engine_of.cache_clear()
