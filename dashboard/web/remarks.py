"""The addresses that take remarks on work in, and give their pictures out.

Words come as JSON, a picture as the file itself: a page of another site can send neither without being asked first.
"""

from typing import Any, Final

from flask import Flask, Response, request
from sqlalchemy import Connection, Engine

from dashboard import accounts, photos
from ingest import registry, remarks, times
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable
from ingest.remarks import Remark
from ingest.setups import Vehicle

_LARGEST_WORDS: Final = 16_384
_PICTURES: Final = ("image/jpeg", "image/png", "image/webp")
Answer = tuple[dict[str, str], int]


def take_remarks(server: Flask, database: Engine) -> None:
    """Give an application these addresses."""

    @server.post("/remark/<fleet>/<vehicle>/<work_key>/<key>")
    def take_remark(fleet: str, vehicle: str, work_key: str, key: str) -> Answer:
        picture = request.mimetype in _PICTURES
        if not picture and not request.is_json:
            return {"problem": "this is no photo: send JPEG, PNG or WebP"}, 415
        largest = photos.LARGEST_BYTES if picture else _LARGEST_WORDS
        if (request.content_length or 0) > largest:
            return {"problem": f"{'a photo' if picture else 'a remark'} has at most {largest >> 10} KiB"}, 413
        request.max_content_length = largest
        try:
            return _take(database, f"{fleet}/{vehicle}", work_key, key, picture=picture)
        except Problem as problem:
            return {"problem": str(problem)}, 503 if isinstance(problem, Unusable) else 400

    @server.get("/photo/<fleet>/<vehicle>/<key>.jpg")
    def photo(fleet: str, vehicle: str, key: str) -> Response:
        with database.connect() as connection:
            try:
                found = remarks.read_photo(connection, _seen(connection, f"{fleet}/{vehicle}").id, key)
            except Problem:
                found = None
        if found is None:
            return Response("There is no photo here.\n", 404, mimetype="text/plain")
        return Response(found, mimetype="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})


def _seen(connection: Connection, name: str) -> Vehicle:
    """A vehicle that whoever asks may see. Raises Problem."""
    found = registry.find(connection, name)
    if not accounts.sees(found.in_force(times.now_us())):
        raise Problem(registry.unknown(name))
    return found


def _take(database: Engine, name: str, work_key: str, key: str, *, picture: bool) -> Answer:
    """Keep what was sent. Who may not is told before a picture is unpacked."""
    accounts.need("technician")
    with reachable(database), database.connect() as connection:
        vehicle = _seen(connection, name)
    said: Any = {"by": request.args.get("by", "")} if picture else request.get_json(silent=True)
    if not isinstance(said, dict):
        return {"problem": "a remark is one JSON object"}, 400
    by, text = str(said.get("by") or ""), str(said.get("text") or "")
    who = accounts.name_of_actor(by)
    if not who:
        raise Problem("say who you are")
    if by and by != who:
        with reachable(database), database.connect() as connection:
            if accounts.is_of_another(connection, by):
                return {"problem": f"{by} made this, and {who} is signed in"}, 409
        text = f"{text} (by {by})".strip()
    one = Remark(key=key, at_us=times.now_us(), who=who, text=text)
    made = photos.made_anew(request.get_data(cache=False)) if picture else None
    with reachable(database), writing(database) as connection:
        remarks.add(connection, vehicle.id, work_key, one, made)
    return {}, 200
