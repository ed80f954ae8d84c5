"""One catalogue for every text: what is said by way of it, what goes round it, and that each language has it all."""

import json
import pickle
import re
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Catalog

from ingest import languages
from ingest.languages import LANGUAGES, Words, cldr, inside, language_of, later, saying, speaking, tr, trn
from ingest.languages.collect import collected, file_of, renewed, written
from ingest.languages.saying import Said, number, on_day, say, say_n, told
from tests.helpers.texts import bypassing

ROOT = Path(__file__).parents[2]
OTHERS = [name for name in LANGUAGES if name != "en"]
# What programs read, what logs and the log of changes keep, and why something was refused: English for good.
OF_PROGRAMS = frozenset(
    """
    analytics/alarms/push.py
    analytics/alarms/records.py
    analytics/alarms/routes.py
    analytics/alarms/states.py
    analytics/kinds/__init__.py
    analytics/pipeline/watch.py
    analytics/pipeline/workers.py
    analytics/planning/greases.py
    analytics/planning/timer.py
    analytics/planning/yardsticks.py
    analytics/vehicle/commissioning.py
    analytics/vehicle/level/__init__.py
    analytics/vehicle/pressure/__init__.py
    analytics/vehicle/wear.py
    dashboard/access_tokens.py
    dashboard/accounts.py
    dashboard/attempts.py
    dashboard/exports/csv.py
    dashboard/exports/registry.py
    dashboard/exports/wear.py
    dashboard/exports/workshop.py
    dashboard/figures/theme.py
    dashboard/figures/vehicle_line.py
    dashboard/figures/vehicle_parts.py
    dashboard/formatting.py
    dashboard/pages/evidence.py
    dashboard/pages/handover.py
    dashboard/pages/me.py
    dashboard/pages/set_up/changes.py
    dashboard/pages/set_up/one_vehicle.py
    dashboard/pages/set_up/prices.py
    dashboard/pages/set_up/vehicles.py
    dashboard/photos.py
    dashboard/queries/set_up.py
    dashboard/tokens.py
    dashboard/units.py
    dashboard/web/app.py
    dashboard/web/push.py
    dashboard/web/remarks.py
    dashboard/web/second_step.py
    dashboard/web/server.py
    dashboard/web/sign_in.py
    dashboard/web/way_in.py
    dashboard/web/work_records.py
    """.split()
)
# What people read and is not said by way of the catalogue yet. Nothing may be added here.
NOT_YET = frozenset(
    """
    analytics/account/lives.py
    analytics/account/parts.py
    analytics/alarms/browsers.py
    analytics/alarms/digests.py
    analytics/alarms/evaluate.py
    analytics/alarms/not_recorded.py
    analytics/alarms/outbox.py
    analytics/alarms/transports.py
    analytics/vehicle/hand_points.py
    dashboard/exports/calendar.py
    dashboard/pages/vehicle/timer.py
    dashboard/queries/hand.py
    dashboard/queries/lives.py
    """.split()
)


@cache
def texts() -> Catalog:
    """What the code says."""
    return collected()


@cache
def catalogue(name: str) -> Catalog:
    """What a language has."""
    return renewed(name, texts())


def places(text: str) -> set[str]:
    """Names of the places in a text."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("name", OTHERS)
def test_catalogues_are_up_to_date(name: str) -> None:
    """`python -m ingest.languages.collect` changes nothing."""
    assert written(catalogue(name)) == file_of(name).read_bytes(), "run: python -m ingest.languages.collect"


@pytest.mark.parametrize("name", OTHERS)
def test_every_text_is_translated_with_its_places(name: str) -> None:
    """None is empty, each keeps its places, and a text that goes by number has all forms of the language."""
    wrong = []
    for message in catalogue(name):
        if not message.id:
            continue
        ids = (message.id,) if isinstance(message.id, str) else message.id
        said = (message.string,) if isinstance(message.string, str) else tuple(message.string or ())
        wanted = set().union(*(places(text) for text in ids))
        forms = 1 if len(ids) == 1 else catalogue(name).num_plurals
        if len(said) != forms or not all(said):
            wrong.append(("empty", ids[0]))
        elif any(places(text) - wanted or wanted - places(text) - {"n"} for text in said):
            wrong.append(("places", ids[0]))
    assert wrong == []


@pytest.mark.parametrize("name", OTHERS)
def test_a_translation_keeps_what_is_no_word(name: str) -> None:
    """Units, numbers and the names of standards stay; no text shouts, none begins or ends with another mark than the English one."""
    wrong = []
    for message in catalogue(name):
        english, said = message.id, message.string
        if not english or not said or not isinstance(english, str) or not isinstance(said, str):
            continue
        units = ("kPa", "°C", "NLGI", "IEC 62682", "tallow")
        wrong += [(unit, english) for unit in units if english.count(unit) != said.count(unit)]
        if "!" in said and "!" not in english:
            wrong.append(("!", english))
        if english.endswith(".") != said.endswith("."):
            wrong.append((".", english))
        if numbers(english) - numbers(said):
            wrong.append(("number", english))
    assert wrong == []


def numbers(text: str) -> set[str]:
    """What numbers stand in a text, however its language groups them."""
    return set(re.findall(r"(?<![{\w])\d{2,}", re.sub(r"(?<=\d)[,.\s](?=\d{3})", "", text)))


def shown_to_people() -> list[str]:
    """The modules whose texts people read on pages, sheets and alerts."""
    found = [*(ROOT / "dashboard").rglob("*.py"), *(ROOT / "analytics").rglob("*.py")]
    names = sorted(file.relative_to(ROOT).as_posix() for file in found)
    # The command line and the programs' way in are English; what a program keeps and logs is as well.
    return [name for name in names if not name.startswith(("dashboard/cli/", "dashboard/api/"))]


def test_no_text_goes_round_the_catalogue() -> None:
    """But in the files named above, which are fewer each time."""
    found = {name: bypassing(ROOT / name) for name in shown_to_people() if name not in NOT_YET | OF_PROGRAMS}
    assert {name: texts for name, texts in found.items() if texts} == {}


def test_what_is_named_as_not_said_yet_is_not() -> None:
    """A file that is done comes off the list."""
    assert [name for name in sorted(NOT_YET | OF_PROGRAMS) if not bypassing(ROOT / name)] == []


def test_a_text_that_goes_round_is_found(tmp_path: Path) -> None:
    """The finder finds; what goes by the catalogue, and what no person reads, it leaves alone."""
    file = tmp_path / "one.py"
    file.write_text(
        'a = html.P("Nothing is due")\nb = html.P(tr("Nothing is due"))\nc = html.P(x, className="work-form wide")\n'
        'd = f"{n} lines are blocked"\nraise Problem("choose alarms first")\n'
    )
    assert [line for line, _ in bypassing(file)] == [1, 4]


@pytest.mark.parametrize(
    ("asked", "spoken"),
    [
        ("de", "de"),
        ("de-AT", "de"),
        ("no", "nb"),
        ("nn", "nb"),
        ("FR-ca", "fr"),
        ("it", "en"),
        ("", "en"),
        (None, "en"),
    ],
)
def test_which_language_is_spoken(asked: str | None, spoken: str) -> None:
    """By the first part of what is asked for; English where there is no other."""
    assert language_of(asked) == spoken


def test_a_language_lasts_as_long_as_it_is_spoken() -> None:
    """And English is what is spoken otherwise."""
    assert tr("Today") == "Today"
    with speaking("de"):
        assert tr("Today") == "Heute"
        with speaking("en"):
            assert tr("Today") == "Today"
        assert tr("Today") == "Heute"
    assert languages.language() == "en"
    assert tr("") == ""


def test_tables_and_titles_are_said_when_they_are_read() -> None:
    """Not when they are made."""
    words = Words({"plan": later("Plan")})
    with speaking("de"):
        assert words["plan"] == tr("Plan") != "Plan"
        assert inside("Leitung") == "Leitung"
    assert dict(words) == {"plan": "Plan"}
    assert inside("Line blocked") == "line blocked"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        # Unicode CLDR: decimal and group signs, medium dates, and intervals of them
        ("en", ("1.8", "12,300", "25 Nov 2026", "4 to 9 Dec 2026")),
        ("de", ("1,8", "12.300", "25. Nov. 2026", "4.–9. Dez. 2026")),
        ("fr", ("1,8", "12\u202f300", "25 nov. 2026", "4–9 déc. 2026")),
        ("es", ("1,8", "12.300", "25 nov 2026", "4–9 dic 2026")),
        ("nb", ("1,8", "12\u00a0300", "25. nov. 2026", "4.–9. des. 2026")),
    ],
)
def test_numbers_and_dates_are_those_of_the_language(name: str, said: tuple[str, ...]) -> None:
    """As people write them there."""
    with speaking(name):
        written_so = (
            cldr.decimal(1.8, 1),
            cldr.grouped(12_300),
            cldr.day(date(2026, 11, 25)),
            cldr.days(datetime(2026, 12, 4, tzinfo=UTC), datetime(2026, 12, 9, tzinfo=UTC)),
        )
    assert written_so == said


def test_a_kept_sentence_is_told_in_any_language() -> None:
    """It is its English text; through JSON and through a pickle it is told with the numbers and days of the reader."""
    made = say(
        "At handover it read {pressure} kPa at {temperature} °C.", pressure=number(4300, 0), temperature=number(-5.2, 0)
    )
    made = made.then(say("Since {day}.", day=on_day(date(2026, 11, 25))))
    assert made == "At handover it read 4300 kPa at -5 °C. Since 25 Nov 2026."
    through_json = saying.of_json(json.loads(json.dumps(saying.in_json(made))))
    for kept in (made, through_json, pickle.loads(pickle.dumps(made)), saying.kept(str(made), saying.parts_of(made))):
        assert kept == made
        assert isinstance(kept, Said)
        with speaking("de"):
            assert told(kept).startswith("Bei ")
            assert "25. Nov. 2026" in told(kept)
        assert told(kept) == made
    with speaking("de"):
        assert told("a text of nobody's making") == "a text of nobody's making"


def test_a_sentence_goes_by_number() -> None:
    """One, and many."""
    said = [say_n("{n} was as told", "{n} were as told", n) for n in (1, 3)]
    assert said == ["1 was as told", "3 were as told"]
    with speaking("de"):
        assert told(said[0]) == trn("{n} was as told", "{n} were as told", 1)
        assert told(said[0]) != told(said[1]).replace("3", "1") or told(said[1]).startswith("3")
