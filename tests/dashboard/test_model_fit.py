"""How well the pressure model fits, as kept with the analysis and shown, the worst first."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine

from analytics.pipeline.account import keep_checks
from analytics.vehicle.model_check import REMARKS, Check
from dashboard import accounts
from dashboard.accounts import Person, acting_as
from dashboard.exports import model
from dashboard.pages import model_table
from dashboard.queries.model import checks_of, model_fit
from dashboard.queries.scope import Scope
from ingest import database
from tests.helpers.alarms import NOW, fleet, vehicle_id

__all__ = ["fleet"]

FITS = Check(
    channel="p01", lines=(1,), readings=900, spread_percent=6.0, outside=0.04, memory=0.02, memory_limit=0.07, lean_percent=0.4,
    lean_low=-0.3, lean_high=1.1, worst=0.5,
)  # fmt: skip
LEANS = replace(
    FITS, channel="p02", lines=(2, 3), lean_percent=9.0, lean_low=8.0, lean_high=10.0, worst=1.8, remarks=("leans",)
)
MORE = replace(FITS, channel="p03", lines=(4,), memory=0.9, outside=0.2, worst=2.0, remarks=("outside", "remembers"))
FEW = Check(channel="p04", lines=(), readings=12)


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


@pytest.fixture
def checked(fleet: Engine) -> Engine:
    """A fleet with one vehicle that was checked."""
    with database.writing(fleet) as connection:
        keep_checks(connection, vehicle_id(connection), [FITS, LEANS, MORE, FEW], NOW)
    return fleet


def text_of(component: Any) -> str:
    """All that a component says."""
    return json.dumps(component, default=lambda one: one.to_plotly_json())


def test_the_worst_come_first_and_what_is_not_known_is_counted(checked: Engine) -> None:
    """What fits is counted only; a channel with few readings is neither sound nor worth a look."""
    fit = model_fit(checked)
    assert [one[4] for one in fit.worst] == [MORE, LEANS]
    assert (fit.remarked, fit.checked, fit.unknown) == (2, 3, 1)
    assert fit.worst[0][:4] == ("harrowmere-stone", "HS-102", "tipper 102", "Skarvholm Quarry")
    assert checks_of(checked, "harrowmere-stone", "HS-102") == [MORE, LEANS, FITS, FEW]
    told = text_of(model_table.of_fleet(fit))
    assert "2 of 3 channels are worth a look: beyond a limit" in told
    assert "Of 1 more it is not known" in told
    assert "but as many others are" not in told
    assert told.index("p03") < told.index("p02")
    for name in ("outside", "remembers", "leans"):
        assert told.count(model.TO_DO[name][:30]) == 1
    assert model.TO_DO["wide"][:30] not in told
    vehicle = text_of(model_table.of_vehicle(checks_of(checked, "harrowmere-stone", "HS-102")))
    assert "not known: 12 sound readings, it takes 100" in vehicle
    assert "p02 (lines 2, 3)" in vehicle


def test_who_may_not_see_a_vehicle_sees_nothing_of_it(checked: Engine) -> None:
    """Neither in the list nor in the counts."""
    with acting_as(Person(7, "neighbour", "lead", depots=("Estuary Wharf",))):
        assert model_fit(checked) == type(model_fit(checked))([], 0, 0, 0, dict.fromkeys(REMARKS, 0))
        assert checks_of(checked, "harrowmere-stone", "HS-102") == []


def test_a_chosen_depot_is_all_that_is_listed_and_counted(checked: Engine) -> None:
    """Its own channels, as they stand out of the whole fleet; of another depot none."""
    assert model_fit(checked, Scope(depot="Skarvholm Quarry")) == model_fit(checked)
    assert model_fit(checked, Scope(depot="Estuary Wharf")) == type(model_fit(checked))(
        [], 0, 0, 0, dict.fromkeys(REMARKS, 0)
    )


def test_a_vehicle_is_checked_anew_or_left_as_it_was(checked: Engine) -> None:
    """None leaves what was found before; the next check is the whole of it."""
    with database.writing(checked) as connection:
        keep_checks(connection, vehicle_id(connection), None, NOW)
    assert model_fit(checked).checked == 3
    with database.writing(checked) as connection:
        keep_checks(connection, vehicle_id(connection), [FITS], NOW)
    assert (model_fit(checked).checked, model_fit(checked).remarked) == (1, 0)


def test_words_are_in_the_readers_unit() -> None:
    """Ten degrees are eighteen."""
    assert model.lean(LEANS) == "+9.0 % (+8.0 to +10.0)"
    assert model.heads()[-1].startswith("Per 10 °C")
    with acting_as(Person(7, "x", "viewer", units={"temperature": "°F"})):
        assert accounts.my_units().temperature == "°F"
        assert model.heads()[-1].startswith("Per 18 °F")
    assert model.lean(FEW) == model.memory(FEW) == model.outside(FEW) == model.spread(FEW) == "not known"
    assert model.what(FITS) == "the model fits"
    assert model.memory(replace(LEANS, memory=-0.001, memory_limit=0.05)) == "+0.00 (±0.05)"
    assert model.where(replace(LEANS, channel="main", lines=(1, 2, 3, 5))) == "main (lines 1 to 3, 5)"


def test_what_is_not_known_is_counted_only_where_there_is_some(checked: Engine) -> None:
    """No sentence about no channel."""
    fit = model_fit(checked)
    section = model_table.of_fleet
    assert f"Of {fit.unknown} more it is not known" in json.dumps(section(fit), cls=PlotlyJSONEncoder)
    assert "it is not known" not in json.dumps(section(replace(fit, unknown=0)), cls=PlotlyJSONEncoder)


def test_what_many_share_is_told_once_and_lists_nobody(checked: Engine) -> None:
    """Of thirty channels a little beyond the limit, and one far beyond it: that one is named, the others are a number."""
    many = [
        replace(FITS, channel=f"p{n}", spread_percent=11.0 + n / 100, worst=1.1, remarks=("wide",))
        for n in range(10, 40)
    ]
    far = replace(many[0], channel="far", spread_percent=40.0, worst=3.0, remarks=("wide",))
    with database.writing(checked) as connection:
        keep_checks(connection, vehicle_id(connection), [*many, far], NOW)
    fit = model_fit(checked)
    assert ([one[4] for one in fit.worst], fit.remarked, fit.shared["wide"]) == ([far], 1, 30)
    told = text_of(model_table.of_fleet(fit))
    assert "1 of 31 channels are worth a look" in told
    assert "as many others are: scatters widely (30)" in told
    assert "31 of 31 channels are beyond a limit" in text_of(
        model_table.of_vehicle(checks_of(checked, "harrowmere-stone", "HS-102"))
    )
