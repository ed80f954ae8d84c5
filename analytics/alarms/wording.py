"""Alerts and digests in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from analytics.findings import CAUTIONS, ENGLISH_DECIDES
from analytics.kinds import Kind, Severity, severity_rank
from ingest.environment import SITE
from ingest.languages import ENGLISH, Words, inside, language, later, tr, trn
from ingest.languages.saying import told as in_words
from ingest.setups import Setup
from ingest.times import rfc3339

_SHOWN_IN_DIGEST: Final = 40


CRITICAL: Final = later(
    "Steering or braking: a point may be dry. A qualified person judges that before the vehicle goes back on the road."
)
SEVERITY_WORDS: Final = Words({"act_now": later("Act now"), "plan": later("Plan"), "note": later("Note")})
_BY: Final = Words({
    "act_now": later("By when: today."), "plan": later("By when: at the next visit."),
    "note": later("By when: when somebody is at the vehicle anyway."),
})  # fmt: skip


@dataclass(frozen=True)
class Told:
    """What is to be told of an alarm: its number, which of its transitions this is, and what it says."""

    number: int
    transition: int
    event: str
    state: str
    kind: Kind
    name: str
    channel: str | None
    lines: tuple[int, ...]
    severity: Severity
    summary: str
    since_us: int
    critical_points: int = 0  # that may be dry because of it

    @property
    def stands(self) -> bool:
        """Whether it still asks for something to be done."""
        return self.state in ("unacknowledged", "acknowledged")


def alert(setup: Setup, told: Told, site: str) -> tuple[str, str]:
    """(title, text) of one alarm: which vehicle, whether steering or braking may suffer, what and how sure, what to take along, by when,
    and where to read on."""
    title = f"{SEVERITY_WORDS[told.severity]}: {setup.unit} ({setup.vehicle}), {setup.depot}: {told.kind.inside}"
    take = told.kind.to_take(setup.grease_and_grade)
    return title, "\n".join(
        [
            *([tr(CRITICAL)] if _critical(setup, told) else []),
            in_words(told.summary),
            _BY[told.severity],
            tr("Take along: {things}.", things="; ".join(take)),
            *cautions(),
            tr("Alarm {number}: {address}", number=told.number, address=address_of(setup, site)),
        ]
    )


def address_of(setup: Setup, site: str) -> str:
    """Where a vehicle's page is."""
    return f"{site}/vehicle/{quote(setup.fleet)}/{quote(setup.vehicle)}"


@dataclass(frozen=True)
class ByHand:
    """How many points greased by hand are due at a depot, and on how many of those steering or braking depends."""

    due: int = 0
    critical: int = 0

    def told(self, depot: str, site: str) -> list[str]:
        """In one line; nothing where none is due."""
        if not self.due:
            return []
        where = f"{site}/points?depot={quote(depot)}"
        if self.critical:
            return [
                trn(
                    "{n} point greased by hand is due, steering or braking depends on {critical} of them: {address}",
                    "{n} points greased by hand are due, steering or braking depends on {critical} of them: {address}",
                    self.due, critical=self.critical, address=where,
                )
            ]  # fmt: skip
        return [
            trn(
                "{n} point greased by hand is due: {address}", "{n} points greased by hand are due: {address}",
                self.due, address=where,
            )
        ]  # fmt: skip


def digest(
    depot: str,
    rows: Sequence[tuple[Setup, Told]],
    site: str,
    by_hand: ByHand = ByHand(),
    unanalysed: Sequence[str] = (),
) -> tuple[str, str]:
    """(title, text) of what stands at a depot, most urgent first; what is over is no work any more, and told of in one line, and so is how
    much is to be greased by hand, and of which vehicles nobody knows what stands."""
    standing = [row for row in rows if row[1].stands]
    counts = {s: sum(told.severity == s for _, told in standing) for s in SEVERITY_WORDS}
    said = ", ".join(f"{number} {inside(SEVERITY_WORDS[s])}" for s, number in counts.items() if number)
    ordered = sorted(
        standing, key=lambda row: (severity_rank(row[1].severity), not _critical(*row), row[0].vehicle, row[1].number)
    )
    shown = [_line(setup, told) for setup, told in ordered[:_SHOWN_IN_DIGEST]]
    if len(ordered) > _SHOWN_IN_DIGEST:
        shown.append(tr("and {left} more.", left=len(ordered) - _SHOWN_IN_DIGEST))
    over = [f"{setup.unit} ({setup.vehicle}): {told.kind.inside}" for setup, told in rows if not told.stands]
    if over:
        left = len(over) - _SHOWN_IN_DIGEST
        named = "; ".join(over[:_SHOWN_IN_DIGEST]) + (tr(", and {left} more", left=left) if left > 0 else "")
        shown.append(tr("Over, nothing to do ({count}): {vehicles}.", count=len(over), vehicles=named))
    by_gun = tr("{number} to grease by hand", number=by_hand.due) if by_hand.due else ""
    unknown = tr("{number} not analysed", number=len(unanalysed)) if unanalysed else ""
    title = tr("{depot} today: {what}", depot=depot, what=said or by_gun or unknown or tr("nothing stands"))
    beside = [*by_hand.told(depot, site), *_unanalysed(unanalysed)]
    return title, "\n\n".join(
        [*shown, *beside, "\n".join(cautions()), _all_alarms(f"{site}/alarms?depot={quote(depot)}")]
    )


def _unanalysed(units: Sequence[str]) -> list[str]:
    if not units:
        return []
    named = ", ".join(units[:_SHOWN_IN_DIGEST])
    if len(units) > _SHOWN_IN_DIGEST:
        named += tr(", and {left} more", left=len(units) - _SHOWN_IN_DIGEST)
    return [
        trn(
            "{n} vehicle was not analysed for a day; what is wrong there is not known: {vehicles}.",
            "{n} vehicles were not analysed for a day; what is wrong there is not known: {vehicles}.",
            len(units), vehicles=named,
        )
    ]  # fmt: skip


def _line(setup: Setup, told: Told) -> str:
    """An alarm in a line of the digest."""
    critical = [tr("steering or braking")] if _critical(setup, told) else []
    said = f"{told.kind.title}: {in_words(told.summary)}"
    if told.state == "unacknowledged":
        said += f" ({tr('not acknowledged')})"
    return " · ".join([SEVERITY_WORDS[told.severity], *critical, f"{setup.unit} ({setup.vehicle})", said])


def cautions() -> list[str]:
    """The cautions, and in another language than English that the English text decides."""
    return [tr(text) for text in CAUTIONS] + ([] if language() == ENGLISH else [tr(ENGLISH_DECIDES)])


def _all_alarms(address: str) -> str:
    return tr("All alarms: {address}", address=address)


def bundle(rows: Sequence[tuple[str, Mapping[str, Any]]], site: str) -> tuple[str, str]:
    """(title, text) of several alerts, each (title, detail), in one message: what is to be acted on now and is critical first."""
    urgent = sum(told.get("severity") == "act_now" for _, told in rows)
    ordered = sorted(
        rows, key=lambda row: (severity_rank(row[1].get("severity", "note")), not row[1].get("critical", False))
    )
    shown = [title for title, _ in ordered[:_SHOWN_IN_DIGEST]]
    if len(ordered) > _SHOWN_IN_DIGEST:
        shown.append(tr("and {left} more.", left=len(ordered) - _SHOWN_IN_DIGEST))
    title = tr("{count} alerts, {urgent} to act on now", count=len(rows), urgent=urgent)
    return title, "\n".join([*shown, "", *cautions(), _all_alarms(f"{site}/alarms")])


def _critical(setup: Setup, told: Told) -> bool:
    """Whether a point that steering or braking depends on may be dry: by what was found, or of one of its lines."""
    return told.critical_points > 0 or any(line.critical and line.line in told.lines for line in setup.lines)


def detail(setup: Setup, told: Told, now_us: int) -> dict[str, Any]:
    """The same for programs."""
    return {
        "alarm": told.number,
        "transition": told.transition,
        "fleet": setup.fleet,
        "vehicle": setup.vehicle,
        "unit": setup.unit,
        "depot": setup.depot,
        "kind": told.name,
        "channel": told.channel,
        "lines": list(told.lines),
        "severity": told.severity,
        "critical": _critical(setup, told),
        "event": told.event,
        "state": told.state,
        "summary": told.summary,
        "since": rfc3339(told.since_us) if told.since_us else None,
        "at": rfc3339(now_us),
    }


def site() -> str:
    """Where the dashboard is for those who are told."""
    return SITE.value.rstrip("/")
