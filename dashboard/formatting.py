"""Numbers and times as people read them."""

from __future__ import annotations

import math
import re
from datetime import date, datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from analytics.alarms.performance import ACCEPTABLE_PER_DAY, FLOOD_ABOVE, MANAGEABLE_PER_DAY
from analytics.kinds import FINDING_KINDS
from dashboard import accounts
from ingest.times import instant

if TYPE_CHECKING:
    import pandas as pd

    from analytics.alarms.depots import Depot
    from analytics.alarms.performance import Figures
    from analytics.alarms.routes import Route
    from analytics.planning.closed_days import ClosedDays
    from analytics.planning.timer import Setting
    from analytics.vehicle.commissioning import Handover, Item
    from analytics.vehicle.line_conditions import LineCondition
    from ingest.work import FOUND, Work

NEED_WORDS = {
    "act_now": "Act now", "plan": "Plan", "note": "Note", "unheard": "Not heard yet", "not_proven": "Not proven", "none": "Nothing to do",
}  # fmt: skip


def local(at_us: int, timezone: str) -> datetime:
    """A time in the depot's zone."""
    return instant(at_us).astimezone(ZoneInfo(timezone))


def day(at: datetime | date) -> str:
    """25 Nov 2026: how every date is written."""
    return f"{at.day} {at:%b %Y}"


def moment(at_us: int, timezone: str, *, with_zone: bool = False) -> str:
    """25 Nov 2026, 14:05; and CET, where times of several zones stand together."""
    at = local(at_us, timezone)
    return f"{day(at)}, {at:%H:%M}{f' {at:%Z}' if with_zone else ''}"


def ago(at_us: int | None, now_us: int) -> str:
    """How long ago, to one figure that matters."""
    if at_us is None:
        return "never"
    minutes = max(0, now_us - at_us) / 60e6
    if minutes < 2:
        return "just now"
    if minutes < 90:
        return f"{minutes:.0f} min ago"
    if minutes < 36 * 60:
        return f"{minutes / 60:.0f} h ago"
    return f"{minutes / 1440:.0f} days ago"


def lasting(since_us: int | None, now_us: int) -> str:
    """How long something has lasted: 3 h."""
    return ago(since_us, now_us).removesuffix(" ago").replace("just now", "a minute")


def month(name: str) -> str:
    """2026-11 in words: Nov 2026."""
    return f"{date.fromisoformat(f'{name}-01'):%b %Y}"


def in_words(trend: pd.DataFrame) -> pd.DataFrame:
    """A table whose column `month` is in words."""
    return trend.assign(month=trend["month"].map(month))


def window(early_us: int | None, late_us: int | None, timezone: str) -> str:
    """A stretch of days: 4 to 9 Dec 2026."""
    if early_us is None:
        return "far off"
    early = local(early_us, timezone)
    if late_us is None:
        return f"from {day(early)}"
    late = local(late_us, timezone)
    if early.date() == late.date():
        return day(early)
    if (early.year, early.month) == (late.year, late.month):
        return f"{early.day} to {day(late)}"
    if early.year == late.year:
        return f"{early.day} {early:%b} to {day(late)}"
    return f"{day(early)} to {day(late)}"


def days_ahead(early_us: int | None, late_us: int | None, timezone: str) -> str:
    """The same where there is little room, and no doubt about the year: 4 to 9 Dec."""
    return re.sub(r" \d{4}\b", "", window(early_us, late_us, timezone))


def litres(amount: float) -> str:
    """1.4 l, or in the unit of whoever asks."""
    unit = accounts.my_units()
    amount = unit.of_litres(amount)
    return f"{amount:.1f} {unit.volume}" if amount >= 1 else f"{amount:.2f} {unit.volume}"


def pressure(kpa: float) -> str:
    """54 bar, or in the unit of whoever asks."""
    unit = accounts.my_units()
    return f"{unit.of_kpa(kpa):.0f} {unit.pressure}"


# What readings say of a line that no finding concerns.
_LINE_WORDS: Final = {
    "sound": "sound",
    "rising": "sound so far, pressure rising",
    "falling": "sound so far, pressure falling",
    "learning": "first cycles still being learned from",
    "unwatched": "no sensor watches it",
}


def line_condition(line: LineCondition) -> str:
    """The condition of a line in words; what is not proven says so."""
    if line.condition in FINDING_KINDS:
        return FINDING_KINDS[line.condition].title
    words = _LINE_WORDS[line.condition]
    if line.state == "not_proven":
        return f"not proven: {words}" if line.condition != "sound" else "not proven"
    return "no grease seen for long" if line.state == "plan" else words


# Quantities in sentences, which are made in kPa, litres and degrees Celsius.
_QUANTITY: Final = re.compile(r"(?<![\w.,-])(-?\d+(?:\.\d+)?) (kPa|l|litres|°C)(?!\w)")


def in_my_units(sentence: str) -> str:
    """A sentence of the analysis with its pressures, volumes and temperatures in the units of whoever asks."""
    unit = accounts.my_units()

    def converted(found: re.Match[str]) -> str:
        amount, of = float(found[1]), found[2]
        if of == "kPa":
            return pressure(amount)
        if of == "°C":
            return f"{unit.of_c(amount):.0f} {unit.temperature}"
        return litres(amount)

    return _QUANTITY.sub(converted, sentence)


def containers(amount_l: float, container_l: float | None) -> str:
    """: 2 containers of 18 l; nothing where their size is not known."""
    if container_l is None:
        return ""
    number, unit = math.ceil(amount_l / container_l - 1e-9), accounts.my_units()
    return f": {number} container{'s' * (number != 1)} of {unit.of_litres(container_l):g} {unit.volume}"


def work_details(one: Work) -> list[str]:
    """What was said of a piece of work, in short."""
    said = [
        f"line{'s' * (len(one.lines) > 1)} {', '.join(map(str, one.lines))}" if one.lines else "",
        one.channel or "",
        litres(one.litres) if one.litres is not None else "",
        f"to {one.to_pct:g} %" if one.to_pct is not None else "",
        one.grease or "",
        f"every {one.interval_min:g} min" if one.interval_min is not None else "",
        f"for {one.run_s:g} s" if one.run_s is not None else "",
        one.depot or "",
        f"point{'s' * (len(one.points) > 1)} {', '.join(map(str, one.points))}" if one.points else "",
        f"{one.engine_h:,.10g} h" if one.engine_h is not None else "",
        f"{one.odometer_km:,.10g} km" if one.odometer_km is not None else "",
        "the meter was replaced or put to zero" if one.new_meter else "",
        FOUND[one.found].lower() if one.found else "",
        one.cause or "",
        one.note,
    ]
    return [text for text in said if text]


def timer_facts(now: Setting, then: Setting) -> list[str]:
    """Cycles a day, days of a reservoir and days to the low mark, under the present setting and another."""

    def told(what: str, before: float | None, after: float | None, unit: str) -> str:
        if before is None or after is None:
            return f"{what}: not known yet"
        return f"{what}: {before:.1f}{'' if now == then else f' -> {after:.1f}'} {unit}"

    return [
        told("Cycles", now.cycles_per_day, then.cycles_per_day, "a day"),
        told("A full reservoir lasts", now.reservoir_days, then.reservoir_days, "days"),
        told("Low mark reached at the earliest in", now.due_days[0], then.due_days[0], "days"),
        told("Low mark most likely reached in", now.due_days[1], then.due_days[1], "days"),
    ]


# What happened to an alarm, as it is read in its history.
EVENTS = {
    "occur": "raised",
    "clear": "over",
    "realarm": "raised again",
    "acknowledge": "acknowledged",
    "shelve": "shelved",
    "unshelve": "taken from the shelf",
    "suppress": "suppressed by design",
    "unsuppress": "shown again",
    "take_out": "taken out of service",
    "put_back": "put back into service",
    "assign": "assigned",
    "withdraw": "request withdrawn",
}


def clock(minute: int) -> str:
    """A minute of the day: 06:30."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def depot_wishes(depot: Depot) -> list[str]:
    """What a depot wants, in short."""
    quiet = "no quiet hours"
    if depot.quiet_from_min is not None and depot.quiet_until_min is not None:
        quiet = f"quiet from {clock(depot.quiet_from_min)} to {clock(depot.quiet_until_min)}"
    holidays = "no public holidays kept"
    if depot.country is not None:
        holidays = f"public holidays of {'-'.join(filter(None, (depot.country, depot.region)))} kept"
    told = [f"refills {depot.lead_days:g} days ahead", f"digest at {clock(depot.digest_min)}", quiet, holidays]
    if depot.latitude is not None and depot.longitude is not None:
        told.append(f"serves who stands within {depot.radius_m:g} m of {depot.latitude:g}, {depot.longitude:g}")
    return told


def closing(closed: ClosedDays) -> str:
    """When a depot is closed, and why."""
    when = day(closed.first) if closed.first == closed.last else f"{day(closed.first)} to {day(closed.last)}"
    return f"closed {when}" + (f" ({closed.what})" if closed.what else "")


def route(one: Route) -> str:
    """What goes by a route."""
    from analytics.alarms.routes import MOST_ALERTS  # with what sends alerts, which no list of vehicles needs

    said = [
        f"{one.depot or 'all depots'}",
        {"act_now": "act now only", "plan": "act now and plan", "note": "everything"}[one.severity],
        f"{', '.join(one.groups)} only" if one.groups else "",
        f"unacknowledged for {one.after_min} min" if one.after_min else "",
        "at any hour" if one.at_any_hour else "",
        f"at most {one.most_alerts} one by one in 10 min" if one.most_alerts != MOST_ALERTS else "",
    ]
    return "; ".join(text for text in said if text)


# What each measure is for, in a sentence.
ALARM_AIMS: Final = {
    "Raised in the period": "How often alarms asked for attention.",
    "For each day and person": "More than a person can look into one by one means that some are passed over.",
    "Standing now": "Alarms whose cause lasts, whether acknowledged or not.",
    "Standing for more than a day": "What stands for days is no longer looked at: mend its cause, shelve it, or take it out of service.",
    "Most in ten minutes": "Above this nobody can tell which matters.",
    "Floods": "Times in which more came than anybody can follow.",
    "Chattering": "An alarm that comes and goes within minutes is about its limit, not about the vehicle.",
    "By severity": "If most are urgent, none is.",
    "Share of the ten most frequent": "If a few alarms are most of the work, mend those first.",
    "Time until acknowledged, median": "How long an alarm waits until somebody takes note of it.",
}


def alarm_figures(told: Figures) -> list[tuple[str, str, str]]:
    """(measure, value, what the standards aim at)."""
    shares = {name: number / told.raised if told.raised else 0.0 for name, number in told.by_severity.items()}
    waited = told.hours_to_acknowledge
    return [
        ("Raised in the period", f"{told.raised} in {told.days:.1f} days", ""),
        (
            "For each day and person",
            f"{told.per_day_and_person:.1f} ({told.persons} {'person' if told.persons == 1 else 'persons'})",
            f"at most {ACCEPTABLE_PER_DAY:.0f}; {MANAGEABLE_PER_DAY:.0f} can just be managed",
        ),
        ("Standing now", str(told.standing), ""),
        ("Standing for more than a day", str(told.stale), "fewer than 5"),
        ("Most in ten minutes", str(told.busiest_10_min), f"at most {FLOOD_ABOVE}"),
        ("Floods", f"{told.floods}, {100 * told.flood_share:.2f} % of the time", "below 1 % of the time"),
        ("Chattering", str(told.chattering), "none"),
        (
            "By severity",
            ", ".join(f"{NEED_WORDS[name].lower()} {100 * share:.0f} %" for name, share in shares.items()),
            "about 5, 15 and 80 %",
        ),
        ("Share of the ten most frequent", f"{100 * told.top_ten_share:.0f} %", "1 to 5 % once there are many"),
        ("Time until acknowledged, median", "not known yet" if waited is None else f"{waited:.1f} h", ""),
    ]


def verdict(item: Item) -> str:
    """What a check says. Pressure alone proves no grease at a point: whoever stands there sees it."""
    return "pressure as expected" if item.line is not None and item.verdict == "proven" else item.verdict


def handover(told: Handover) -> str:
    """How the commissioning stands, in a sentence."""
    left = [item for item in told.items if item.verdict in ("not yet", "looks wrong")]
    wrong = sum(item.verdict == "looks wrong" for item in left)
    if told.state == "proven":
        return "Everything that can be read is as expected."
    rest = f"{len(left)} of {len(told.items)} {'is' if len(left) == 1 else 'are'} not as expected yet"
    rest += f", {wrong} look{'s' * (wrong == 1)} wrong" if wrong else ""
    return f"Commissioning runs: {rest}." if told.state == "running" else f"Commissioning is over: {rest}."
