"""What somebody keeps to look at again: filters of the fleet's page, by a name."""

from typing import Final, NamedTuple

from sqlalchemy import Engine, delete, func, insert, select

from dashboard.accounts import Person
from ingest import schema
from ingest.database import reachable, writing
from ingest.errors import Problem

LONGEST_NAME: Final = 64
_LONGEST_QUERY: Final = 2_000
_MOST: Final = 50


class SavedView(NamedTuple):
    """A view by its name; `query` begins with a question mark, or is empty where nothing is filtered."""

    id: int
    name: str
    query: str


def read_views(engine: Engine, person: Person) -> list[SavedView]:
    """A person's own, by name."""
    table = schema.saved_view
    with engine.connect() as connection:
        rows = connection.execute(
            select(table.c.id, table.c.name, table.c.query).where(table.c.person_id == person.id).order_by(table.c.name)
        )
        return [SavedView(*row) for row in rows]


def save(engine: Engine, person: Person, name: str, query: str) -> None:
    """Keep a view; one of the same name gives way. Raises Problem."""
    name, table = name.strip(), schema.saved_view
    if not name or len(name) > LONGEST_NAME or "\x00" in name:
        raise Problem(f"a view has a name of at most {LONGEST_NAME} characters")
    if len(query) > _LONGEST_QUERY:
        raise Problem("there is too much in this view")
    with reachable(engine), writing(engine) as connection:
        mine = table.c.person_id == person.id
        connection.execute(delete(table).where(mine, table.c.name == name))
        if (connection.scalar(select(func.count()).where(mine)) or 0) >= _MOST:
            raise Problem(f"{_MOST} views are kept already: remove one first")
        connection.execute(insert(table).values(person_id=person.id, name=name, query=query))


def remove(engine: Engine, person: Person, number: int) -> None:
    """Forget one of a person's own."""
    table = schema.saved_view
    with reachable(engine), writing(engine) as connection:
        connection.execute(delete(table).where(table.c.person_id == person.id, table.c.id == number))
