"""What each day brought: grease that was not there was not used."""

from pathlib import Path

from analytics.vehicle.analysis import analyse
from analytics.vehicle.daily import days
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def test_an_empty_pump_uses_no_grease(tmp_path: Path) -> None:
    """Nobody fills HS-104: its cycles run on, and use no more than its reservoir held, full as it can have been."""
    engine, found = recorded(tmp_path, [arrivals("HS-104", (Trouble("starved_pump", 21.0),), days=40)])
    engine.dispose()
    ((messages, setups),) = found.values()
    result = analyse(messages, setups, END_US)
    (starved,) = [f for f in result.findings if f.kind == "starved_pump"]
    told = days(result)
    since = [one for one in told if one.day.toordinal() > 719_163 + starved.began_us // 86_400_000_000 + 1]
    assert sum(one.done + one.incomplete for one in since) > 20
    assert sum(one.used_l for one in since) == 0
    filled_l = sum(fill.litres for fill in result.fills)
    assert 0 < sum(one.used_l for one in told) < 1.2 * (filled_l + setups[-1].reservoir_l)
