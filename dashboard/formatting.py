"""Numbers and times as people read them."""

from __future__ import annotations

import math
import re
from datetime import date, datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from analytics.kinds import FINDING_KINDS
from dashboard import accounts
from ingest.languages import ENGLISH, LANGUAGES, Words, cldr, inside, later, tr, trn
from ingest.languages.saying import told as told_in
from ingest.times import AHEAD_US, instant
from ingest.work import FOUND, Work

if TYPE_CHECKING:
    import pandas as pd

    from analytics.alarms.depots import Depot
    from analytics.alarms.performance import Figures
    from analytics.alarms.routes import Route
    from analytics.planning.closed_days import ClosedDays
    from analytics.vehicle.commissioning import Handover, Item
    from analytics.vehicle.line_conditions import LineCondition

NEED_WORDS: Final = Words({
    "act_now": later("Act now"), "plan": later("Plan"), "note": later("Note"), "unheard": later("Not heard yet"),
    "not_proven": later("Not proven"), "none": later("Nothing to do"),
})  # fmt: skip


def local(at_us: int, timezone: str) -> datetime:
    """A time in the depot's zone."""
    return instant(at_us).astimezone(ZoneInfo(timezone))


day = cldr.day


def moment(at_us: int, timezone: str, *, with_zone: bool = False) -> str:
    """25 Nov 2026, 14:05; and CET, where times of several zones stand together."""
    at = local(at_us, timezone)
    return f"{day(at)}, {at:%H:%M}{f' {at:%Z}' if with_zone else ''}"


def stretch(began_us: int, ended_us: int, timezone: str) -> str:
    """From one time to another: 25 Nov 2026, 14:05 to 26 Nov 2026, 08:00."""
    return tr("{begin} to {end}", begin=moment(began_us, timezone), end=moment(ended_us, timezone))


def ago(at_us: int | None, now_us: int) -> str:
    """How long ago, to one figure that matters."""
    if at_us is None:
        return tr("never")
    if at_us > now_us + AHEAD_US:
        return tr("not known: its clock is ahead")
    minutes = max(0, now_us - at_us) / 60e6
    if minutes < 2:
        return tr("just now")
    if minutes < 90:
        return tr("{minutes} min ago", minutes=cldr.decimal(minutes, 0))
    if minutes < 36 * 60:
        return tr("{hours} h ago", hours=cldr.decimal(minutes / 60, 0))
    return tr("{days} days ago", days=cldr.decimal(minutes / 1440, 0))


def listening(*, listened: bool) -> str:
    """Whether what vehicles send is received now."""
    return tr("listens to the broker") if listened else tr("not known to listen to a broker")


def lasting(since_us: int | None, now_us: int) -> str:
    """How long something has lasted: 3 h."""
    if since_us is None:
        return tr("never")
    minutes = max(0, now_us - since_us) / 60e6
    if minutes < 2:
        return tr("a minute")
    if minutes < 90:
        return tr("{minutes} min", minutes=cldr.decimal(minutes, 0))
    if minutes < 36 * 60:
        return tr("{hours} h", hours=cldr.decimal(minutes / 60, 0))
    return tr("{days} days", days=cldr.decimal(minutes / 1440, 0))


def month(name: str) -> str:
    """2026-11 in words: Nov 2026."""
    return cldr.month(date.fromisoformat(f"{name}-01"))


def in_words(trend: pd.DataFrame) -> pd.DataFrame:
    """A table whose column `month` is in words."""
    return trend.assign(month=trend["month"].map(month))


def litres(amount: float) -> str:
    """1.4 l, or in the unit of whoever asks."""
    unit = accounts.my_units()
    amount = unit.of_litres(amount)
    return f"{cldr.decimal(amount, 1 if amount >= 1 else 2)} {unit.volume}"


def pressure(kpa: float) -> str:
    """54 bar, or in the unit of whoever asks."""
    unit = accounts.my_units()
    return f"{cldr.decimal(unit.of_kpa(kpa), 0)} {unit.pressure}"


# What readings say of a line that no finding concerns.
_LINE_WORDS: Final = Words(
    {
        "sound": later("sound"),
        "rising": later("sound so far, pressure rising"),
        "falling": later("sound so far, pressure falling"),
        "learning": later("first cycles still being learned from"),
        "unwatched": later("no sensor watches it"),
    }
)


def line_condition(line: LineCondition) -> str:
    """The condition of a line in words; what is not proven says so."""
    if line.condition in FINDING_KINDS:
        return FINDING_KINDS[line.condition].title
    words = _LINE_WORDS[line.condition]
    if line.state == "not_proven":
        return tr("not proven: {words}", words=words) if line.condition != "sound" else tr("not proven")
    return tr("no grease seen for long") if line.state == "plan" else words


# Quantities in sentences, which are made in kPa, litres and degrees Celsius.
_QUANTITY: Final = re.compile(r"(?<![\w.,-])([-−]?\d+(?:[.,]\d+)?) (kPa|l|litres|°C)(?!\w)")


def in_my_units(sentence: str) -> str:
    """A sentence of the analysis in the language of whoever asks, with its pressures, volumes and temperatures in their units."""
    unit = accounts.my_units()

    def converted(found: re.Match[str]) -> str:
        amount, of = float(found[1].replace(",", ".").replace("−", "-")), found[2]
        if of == "kPa":
            return pressure(amount)
        if of == "°C":
            return f"{cldr.decimal(unit.of_c(amount), 0)} {unit.temperature}"
        return litres(amount)

    return _QUANTITY.sub(converted, told_in(sentence))


def containers(amount_l: float, container_l: float | None) -> str:
    """: 2 containers of 18 l; nothing where their size is not known."""
    if container_l is None:
        return ""
    number, unit = math.ceil(amount_l / container_l - 1e-9), accounts.my_units()
    size = f"{cldr.plain(unit.of_litres(container_l))} {unit.volume}"
    return trn(": {n} container of {size}", ": {n} containers of {size}", number, size=size)


def _meter(value: float) -> str:
    """A meter's reading with as many digits as it has: 12,345.6."""
    return cldr.grouped(value, 0 if value == round(value) else 2 if round(value, 1) != value else 1)


def work_details(one: Work) -> list[str]:
    """What was said of a piece of work, in short."""
    said = [
        trn("line {lines}", "lines {lines}", len(one.lines), lines=", ".join(map(str, one.lines))) if one.lines else "",
        one.channel or "",
        litres(one.litres) if one.litres is not None else "",
        tr("to {level} %", level=cldr.plain(one.to_pct)) if one.to_pct is not None else "",
        one.grease or "",
        tr("every {interval} min", interval=cldr.plain(one.interval_min)) if one.interval_min is not None else "",
        tr("for {run} s", run=cldr.plain(one.run_s)) if one.run_s is not None else "",
        "; ".join(filter(None, (one.depot, one.timezone))),
        trn("point {points}", "points {points}", len(one.points), points=", ".join(map(str, one.points)))
        if one.points
        else "",
        f"{_meter(one.engine_h)} h" if one.engine_h is not None else "",
        f"{_meter(one.odometer_km)} km" if one.odometer_km is not None else "",
        tr("the meter was replaced or put to zero") if one.new_meter else "",
        inside(tr(FOUND[one.found])) if one.found else "",
        tr(one.cause) if one.cause else "",
        one.note,
    ]
    return [text for text in said if text]


# What happened to an alarm, as it is read in its history.
EVENTS: Final = Words(
    {
        "occur": later("raised"),
        "clear": later("over"),
        "realarm": later("raised again"),
        "acknowledge": later("acknowledged"),
        "shelve": later("shelved"),
        "unshelve": later("taken from the shelf"),
        "suppress": later("suppressed by design"),
        "unsuppress": later("shown again"),
        "take_out": later("taken out of service"),
        "put_back": later("put back into service"),
        "assign": later("assigned"),
        "withdraw": later("request withdrawn"),
    }
)


def clock(minute: int) -> str:
    """A minute of the day: 06:30."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def depot_wishes(depot: Depot) -> list[str]:
    """What a depot wants, in short."""
    quiet = tr("no quiet hours")
    if depot.quiet_from_min is not None and depot.quiet_until_min is not None:
        quiet = tr("quiet from {begin} to {end}", begin=clock(depot.quiet_from_min), end=clock(depot.quiet_until_min))
    holidays = tr("no public holidays kept")
    if depot.country is not None:
        holidays = tr("public holidays of {names} kept", names="-".join(filter(None, (depot.country, depot.region))))
    told = [
        tr("refills {lead_days} days ahead", lead_days=cldr.plain(depot.lead_days)),
        tr("digest at {clock}", clock=clock(depot.digest_min)),
        quiet,
        holidays,
    ]
    if depot.latitude is not None and depot.longitude is not None and depot.radius_m is not None:
        told.append(
            tr(
                "serves who stands within {metres} m of {latitude}, {longitude}",
                metres=cldr.plain(depot.radius_m),
                latitude=format(depot.latitude, "g"),
                longitude=format(depot.longitude, "g"),
            )
        )
    return told


def closing(closed: ClosedDays) -> str:
    """When a depot is closed, and why."""
    if closed.first == closed.last:
        when = tr("closed {day}", day=day(closed.first))
    else:
        when = tr("closed {first} to {last}", first=day(closed.first), last=day(closed.last))
    return when + (f" ({closed.what})" if closed.what else "")


def route(one: Route) -> str:
    """What goes by a route."""
    from analytics.alarms.routes import MOST_ALERTS  # with what sends alerts, which no list of vehicles needs

    said = [
        one.depot or tr("all depots"),
        {"act_now": tr("act now only"), "plan": tr("act now and plan"), "note": tr("everything")}[one.severity],
        tr("{groups} only", groups=", ".join(one.groups)) if one.groups else "",
        tr("unacknowledged for {after_min} min", after_min=one.after_min) if one.after_min else "",
        tr("at any hour") if one.at_any_hour else "",
        tr("at most {most_alerts} one by one in 10 min", most_alerts=one.most_alerts)
        if one.most_alerts != MOST_ALERTS
        else "",
        tr("in {language}", language=LANGUAGES[one.language]) if one.language != ENGLISH else "",
    ]
    return "; ".join(text for text in said if text)


# What each measure is for, in a sentence.
ALARM_AIMS: Final = Words(
    {
        later("Raised in the period"): later("How often alarms asked for attention."),
        later("For each day and person"): later(
            "More than a person can look into one by one means that some are passed over."
        ),
        later("Standing now"): later("Alarms whose cause lasts, whether acknowledged or not."),
        later("Standing for more than a day"): later(
            "What stands for days is no longer looked at: mend its cause, shelve it, or take it out of service."
        ),
        later("Most in ten minutes"): later("Above this nobody can tell which matters."),
        later("Floods"): later("Times in which more came than anybody can follow."),
        later("Chattering"): later(
            "An alarm that comes and goes within minutes is about its limit, not about the vehicle."
        ),
        later("By severity"): later("If most are urgent, none is."),
        later("Share of the ten most frequent"): later("If a few alarms are most of the work, mend those first."),
        later("Time until acknowledged, median"): later("How long an alarm waits until somebody takes note of it."),
    }
)


def alarm_figures(told: Figures) -> list[tuple[str, str, str]]:
    """(measure by its name in `ALARM_AIMS`, value, what the standards aim at)."""
    from analytics.alarms.performance import ACCEPTABLE_PER_DAY, FLOOD_ABOVE, MANAGEABLE_PER_DAY

    shares = {name: number / told.raised if told.raised else 0.0 for name, number in told.by_severity.items()}
    waited = told.hours_to_acknowledge
    return [
        (
            later("Raised in the period"),
            tr("{number} in {days} days", number=told.raised, days=cldr.decimal(told.days, 1)),
            "",
        ),
        (
            later("For each day and person"),
            trn(
                "{number} ({n} person)",
                "{number} ({n} persons)",
                told.persons,
                number=cldr.decimal(told.per_day_and_person, 1),
            ),
            tr(
                "at most {acceptable_per_day}; {manageable_per_day} can just be managed",
                acceptable_per_day=cldr.decimal(ACCEPTABLE_PER_DAY, 0),
                manageable_per_day=cldr.decimal(MANAGEABLE_PER_DAY, 0),
            ),
        ),
        (later("Standing now"), str(told.standing), ""),
        (later("Standing for more than a day"), str(told.stale), tr("fewer than 5")),
        (later("Most in ten minutes"), str(told.busiest_10_min), tr("at most {flood_above}", flood_above=FLOOD_ABOVE)),
        (
            later("Floods"),
            tr(
                "{floods}, {flood_share} % of the time",
                floods=told.floods,
                flood_share=cldr.decimal(100 * told.flood_share, 2),
            ),
            tr("below 1 % of the time"),
        ),
        (later("Chattering"), str(told.chattering), tr("none")),
        (
            later("By severity"),
            ", ".join(f"{inside(NEED_WORDS[name])} {100 * share:.0f} %" for name, share in shares.items()),
            tr("about 5, 15 and 80 %"),
        ),
        (
            later("Share of the ten most frequent"),
            f"{100 * told.top_ten_share:.0f} %",
            tr("1 to 5 % once there are many"),
        ),
        (
            later("Time until acknowledged, median"),
            tr("not known yet") if waited is None else f"{cldr.decimal(waited, 1)} h",
            "",
        ),
    ]


VERDICTS: Final = Words({
    "proven": later("proven"), "not yet": later("not yet"), "looks wrong": later("looks wrong"), "no reading": later("no reading"),
})  # fmt: skip


def verdict(item: Item) -> str:
    """What a check says. Pressure alone proves no grease at a point: whoever stands there sees it."""
    return tr("pressure as expected") if item.line is not None and item.verdict == "proven" else VERDICTS[item.verdict]


def handover(told: Handover) -> str:
    """How the commissioning stands, in a sentence."""
    left = [item for item in told.items if item.verdict in ("not yet", "looks wrong")]
    wrong = sum(item.verdict == "looks wrong" for item in left)
    if told.state == "proven":
        return tr("Everything that can be read is as expected.")
    rest = trn(
        "{n} of {all} is not as expected yet", "{n} of {all} are not as expected yet", len(left), all=len(told.items)
    )
    rest += trn(", {n} looks wrong", ", {n} look wrong", wrong) if wrong else ""
    return (
        tr("Commissioning runs: {rest}.", rest=rest)
        if told.state == "running"
        else tr("Commissioning is over: {rest}.", rest=rest)
    )
