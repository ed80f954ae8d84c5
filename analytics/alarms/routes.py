"""Where alerts go: routes, kept in the database."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from sqlalchemy import Connection, insert, select, update

from analytics.alarms import hooks, push
from analytics.kinds import GROUPS, SEVERITIES, Group, Severity, severity_rank
from ingest import schema
from ingest.errors import Problem
from ingest.languages import ENGLISH, LANGUAGES
from ingest.sealing import seal, unseal

MOST_ALERTS: Final = 10  # in ten minutes, one by one: what ISA-18.2 calls a flood is more than that


@dataclass(frozen=True)
class Owner:
    """Whose browser alerts are pushed to: they are told of what they may see, which is all where nothing is named."""

    name: str
    label: str
    fleets: tuple[str, ...] = ()
    depots: tuple[str, ...] = ()

    @property
    def sees_all(self) -> bool:
        """Whether nothing is kept from them."""
        return not self.fleets and not self.depots


@dataclass(frozen=True)
class Route:
    """Where alerts go: an address of the apprise library's form, mqtt://…, a web hook or a browser (with the key that push services
    know us by); of one depot or all, from a severity on, of some groups of kinds or all; with `after_min` only what nobody
    acknowledged by then. People there are told in a `language`."""

    id: int
    address: str
    depot: str | None
    severity: Severity
    groups: tuple[Group, ...]
    after_min: int
    at_any_hour: bool
    failures: int = 0
    failing_us: int | None = None
    next_try_us: int = 0
    most_alerts: int = MOST_ALERTS
    error: str | None = None
    language: str = ENGLISH
    owner: Owner | None = None
    signing_key: str = field(default="", repr=False)

    @property
    def to_programs(self) -> bool:
        """Whether programs listen there, which want to know of every change."""
        return _is_mqtt(self.address) or hooks.is_hook(self.address)

    @property
    def of_all(self) -> bool:
        """Whether whoever reads there may read of the whole fleet."""
        return self.owner is None or self.owner.sees_all

    def is_of(self, depot: str) -> bool:
        """Whether anything of a depot goes there."""
        mine = self.owner is None or not self.owner.depots or depot in self.owner.depots
        return mine and self.depot in (None, depot)

    def takes(self, fleet: str, depot: str, severity: Severity, group: Group) -> bool:
        """Whether an alarm of this kind goes there."""
        mine = self.owner is None or not self.owner.fleets or fleet in self.owner.fleets
        return (
            mine
            and self.is_of(depot)
            and severity_rank(severity) <= severity_rank(self.severity)
            and (not self.groups or group in self.groups)
        )


def read_routes(connection: Connection) -> list[Route]:
    """The routes there are; a browser of somebody who may come in no more is none."""
    table, browser, person = schema.route, schema.push_browser, schema.person
    columns = (
        "id", "address", "depot", "severity", "groups", "after_min", "at_any_hour", "failures", "failing_us", "next_try_us",
        "error", "most_alerts", "language",
    )  # fmt: skip
    owners = browser.c.person_id, browser.c.label, person.c.name, person.c.fleets, person.c.depots
    rows = connection.execute(
        select(*(table.c[n] for n in columns), *owners)
        .outerjoin(browser, browser.c.route_id == table.c.id)
        .outerjoin(person, person.c.id == browser.c.person_id)
        .where(~table.c.removed)
        .order_by(table.c.id)
    ).mappings()
    # Number 0 is whoever is on this machine before anybody is named.
    alone = connection.execute(select(person.c.id).limit(1)).first() is None
    found = []
    for row in rows:
        if row["person_id"] is not None and row["name"] is None and not (alone and row["person_id"] == 0):
            continue
        values = {name: row[name] for name in columns} | {
            "address": unseal(row["address"]),
            "groups": tuple(row["groups"]),
        }
        if row["person_id"] is not None:
            values["owner"] = Owner(
                row["name"] or "", row["label"], tuple(row["fleets"] or ()), tuple(row["depots"] or ())
            )
        if push.is_push(values["address"]):
            values["signing_key"] = push.known_key(connection)
        found.append(Route(**values))
    return found


def find_route(connection: Connection, number: int) -> Route:
    """One route. Raises Problem where there is none of that number."""
    found = [one for one in read_routes(connection) if one.id == number]
    if not found:
        raise Problem(f"there is no route {number}; tallow route list shows them")
    return found[0]


def add_route(
    connection: Connection, address: str, *, depot: str | None, severity: str, groups: Iterable[str],
    after_min: int, at_any_hour: bool, most_alerts: int = MOST_ALERTS, language: str = ENGLISH,
) -> int:  # fmt: skip
    """Keep a route; its number. Raises Problem where nobody could be reached by its address."""
    check_address(address)
    if push.is_push(address):
        push.signing_key(connection)
    if severity not in SEVERITIES:
        raise Problem(f"severity {severity!r} is none of: {', '.join(SEVERITIES)}")
    unknown = sorted(set(groups) - set(GROUPS))
    if unknown:
        raise Problem(f"group {unknown[0]!r} is none of: {', '.join(GROUPS)}")
    if after_min < 0:
        raise Problem("minutes without acknowledgement: 0 or more")
    if not 1 <= most_alerts <= 1_000:
        raise Problem("alerts one by one in ten minutes: 1 to 1,000")
    if language not in LANGUAGES:
        raise Problem(f"language {language!r} is none of: {', '.join(LANGUAGES)}")
    values = {
        "address": seal(address), "depot": depot, "severity": severity, "groups": sorted(groups), "after_min": after_min,
        "at_any_hour": at_any_hour, "most_alerts": most_alerts, "language": language, "removed": False, "failures": 0, "next_try_us": 0,
    }  # fmt: skip
    table = schema.route
    return int(connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one())


def remove_route(connection: Connection, number: int) -> None:
    """Send nothing there any more, and forget the secrets of its address. Raises Problem where there is no such route."""
    close_route(connection, find_route(connection, number).id)


def close_route(connection: Connection, number: int) -> None:
    """The same for any route that was not removed yet, whoever may still be told by it; does nothing else."""
    table = schema.route
    kept = connection.scalar(select(table.c.address).where(table.c.id == number, ~table.c.removed))
    if kept is None:
        return
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")
    values = {"removed": True, "address": masked(unseal(kept)), "error": None}
    connection.execute(update(table).where(table.c.id == number).values(**values))


def seal_addresses(connection: Connection) -> int:
    """Have the addresses encrypted by the key of now; how many. Raises Problem."""
    routes = read_routes(connection)
    for route in routes:
        sealed = {"address": seal(route.address)}
        connection.execute(update(schema.route).where(schema.route.c.id == route.id).values(**sealed))
    return len(routes)


def check_address(address: str) -> None:
    """Raises Problem where nobody could be reached by an address."""
    if _is_mqtt(address):
        from ingest.broker import broker_of

        broker_of(address, {})
        return
    if hooks.is_hook(address):
        hooks.check(address)
        return
    if push.is_push(address):
        push.target_of(address)
        return
    import apprise  # here, since it takes long to load

    if not apprise.Apprise().add(address):
        raise Problem(f"{masked(address)} is no address that alerts can go to, such as mailto://… or mqtt://…")


def mailboxes(address: str) -> tuple[str, ...]:
    """Who gets what goes by a mail route; nobody by name at any other kind of address."""
    if _is_mqtt(address) or hooks.is_hook(address) or push.is_push(address):
        return ()
    import apprise
    from apprise.plugins.email import NotifyEmail

    plugin = apprise.Apprise.instantiate(address)
    if not isinstance(plugin, NotifyEmail):
        return ()
    return tuple(dict.fromkeys([*(mailbox for _, mailbox in plugin.targets), *sorted(plugin.cc), *sorted(plugin.bcc)]))


def recipients(address: str) -> tuple[str, ...]:
    """Those who are sent to apart, so that nobody's mailbox matters to anybody else; one empty name where there are not several."""
    found = mailboxes(address)
    return found if len(found) > 1 else ("",)


def _is_mqtt(address: str) -> bool:
    return address.startswith(("mqtt://", "mqtts://"))


def has_password(address: str) -> bool:
    """Whether a secret stands in an address: as its password, or as one of the parameters that carry one. Raises Problem."""
    try:
        parts = urlsplit(address)
    except ValueError as error:
        raise Problem(
            f"the address cannot be read: {error}; write it like signed+https://planner.example/alarms"
        ) from None
    return parts.password is not None or any(
        name.casefold() in ("pass", "password", "token", "apikey", "key") for name, _ in parse_qsl(parts.query)
    )


def masked(address: str) -> str:
    """An address as it may be shown: how and to which server, since anything else in it may be a secret."""
    try:
        parts = urlsplit(address)
    except ValueError:
        return "what was written"
    if not parts.scheme or "://" not in address:
        return "what was written"
    host = parts.netloc.rpartition("@")[2]
    named = parts.scheme in (
        "mqtt",
        "mqtts",
        "mailto",
        "mailtos",
        "json",
        "jsons",
        "xml",
        "xmls",
        "form",
        "forms",
        *hooks.SCHEMES,
        push.SCHEME,
    )
    return f"{parts.scheme}://{host if named and host else '…'}"
