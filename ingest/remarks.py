"""What people say and show of a piece of work after it was recorded: adding to it, and reading it."""

from collections.abc import Collection
from typing import Final

import msgspec
from msgspec import Struct
from sqlalchemy import Connection, func, insert, select

from ingest import schema
from ingest.errors import Problem, in_plain_words
from ingest.work import Key, Name, Text

MOST_REMARKS: Final = 40  # on one piece of work


class Photo(Struct, frozen=True):
    """A picture as it is kept: JPEG, and its size in pixels."""

    jpeg: bytes
    width: int
    height: int


class Remark(Struct, frozen=True, kw_only=True):
    """One remark. `key` is given by whoever makes it: the same sent twice is one. `size` (width, height) is that of its picture, in
    pixels; None where there is none."""

    key: Key
    at_us: int
    who: Name
    text: Text = ""
    size: tuple[int, int] | None = None


def add(connection: Connection, vehicle_id: int, work_key: str, remark: Remark, photo: Photo | None = None) -> bool:
    """Keep a remark on a record of a vehicle; False where it was kept before. Raises Problem."""
    table, work = schema.remark, schema.work
    try:
        msgspec.convert(msgspec.to_builtins(remark), Remark)
    except msgspec.ValidationError as error:
        raise Problem(in_plain_words(error)) from None
    if not remark.text.strip() and photo is None:
        raise Problem("say something, or choose a photo")
    owner = connection.scalar(select(work.c.vehicle_id).where(work.c.key == work_key))
    if owner != vehicle_id:
        raise Problem("there is no such record of work")
    kept = connection.scalar(select(table.c.work_key).where(table.c.key == remark.key))
    if kept is not None:
        if kept != work_key:
            raise Problem(f"remark {remark.key} exists on another record")
        return False
    if (connection.scalar(select(func.count()).where(table.c.work_key == work_key)) or 0) >= MOST_REMARKS:
        raise Problem(f"a record has at most {MOST_REMARKS} remarks")
    said = {"key": remark.key, "work_key": work_key, "at_us": remark.at_us, "who": remark.who, "text": remark.text}
    shown = {} if photo is None else {"width": photo.width, "height": photo.height, "jpeg": photo.jpeg}
    connection.execute(insert(table).values(said | shown))
    return True


def read(connection: Connection, work_keys: Collection[str]) -> dict[str, tuple[Remark, ...]]:
    """Key of a record -> its remarks, oldest first, without the pictures themselves."""
    table = schema.remark
    columns = table.c.work_key, table.c.key, table.c.at_us, table.c.who, table.c.text, table.c.width, table.c.height
    chosen = select(*columns).where(table.c.work_key.in_(work_keys)).order_by(table.c.at_us, table.c.key)
    found: dict[str, list[Remark]] = {}
    for row in connection.execute(chosen):
        size = None if row.width is None else (row.width, row.height)
        one = Remark(key=row.key, at_us=row.at_us, who=row.who, text=row.text, size=size)
        found.setdefault(row.work_key, []).append(one)
    return {key: tuple(remarks) for key, remarks in found.items()}


def read_photo(connection: Connection, vehicle_id: int, key: str) -> bytes | None:
    """The picture of a remark on work of a vehicle, as JPEG; None where there is none."""
    table, work = schema.remark, schema.work
    joined = table.join(work, work.c.key == table.c.work_key)
    chosen = select(table.c.jpeg).select_from(joined).where(table.c.key == key, work.c.vehicle_id == vehicle_id)
    return connection.scalar(chosen)
