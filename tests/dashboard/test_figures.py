"""Charts as data: what they show, in which units, without a browser."""

import itertools
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import msgspec
import numpy as np
import plotly.graph_objects as go
import pytest

from analytics.planning.usage import Amount
from analytics.statistics.rates import Rate, mean_cumulative
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.daily import days
from dashboard import tokens
from dashboard.figures import grease, patterns, theme, vehicle_evidence, vehicle_line, vehicle_stack
from dashboard.figures.patterns import fault_rates
from dashboard.units import Units
from ingest.languages import speaking
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

LIGHT = "tallow_light"


@pytest.fixture(scope="module", autouse=True)
def templates() -> None:
    """Charts are drawn by templates, which the application adds when it is made."""
    theme.add_templates()


@cache
def result(folder: Path) -> Result:
    troubles = (Trouble("blocked_line", 12, None, line=5, ratio=4.0), Trouble("missed_cycles", 4, None, variant="dead"))
    _, held = recorded(folder, [arrivals("HS-101", troubles, days=60)])
    return analyse(*held["HS-101"], END_US)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """A vehicle with a blocked line and a dead pump."""
    return result(tmp_path_factory.mktemp("figures"))


def names(figure: go.Figure) -> set[str]:
    return {trace.name for trace in figure.data if trace.name}


def drawn(result: Result, channel: str | None = "p05", template: str = LIGHT, units: Units = theme.BI) -> go.Figure:
    """The charts over time; there are some."""
    figure = vehicle_stack.stack(result, channel, template, units)
    assert figure is not None
    return figure


def titles(figure: go.Figure) -> dict[str, str]:
    """Axis of a part -> its title."""
    return {a.name: a.text for a in figure.layout.annotations if a.name}


def part(figure: go.Figure, name: str) -> Any:
    """The only trace of a name."""
    (trace,) = (t for t in figure.data if t.name == name)
    return trace


def axis_of(figure: go.Figure, name: str) -> Any:
    return figure.layout[f"yaxis{part(figure, name).yaxis[1:]}"]


@pytest.mark.parametrize("template", ["tallow_light", "tallow_dark"])
def test_the_level_chart_has_readings_fills_mark_and_window(analysed: Result, template: str) -> None:
    """Everything that the forecast rests on, and the forecast."""
    figure = drawn(analysed, template=template)
    assert names(figure) >= {"reading", "level", "fill", "expected"}
    assert len(part(figure, "reading").x) == len(analysed.history.levels)
    assert {a.text for a in figure.layout.annotations} >= {"low mark 15 %", "full mark", "refill due"}
    assert "%" in titles(figure)[part(figure, "level").yaxis]


def test_the_level_now_is_one_number(analysed: Result) -> None:
    """What the page tells, the end of the curve and the beginning of the forecast."""
    figure = drawn(analysed)
    assert analysed.refill.level_pct is not None
    now = np.float32(round(analysed.refill.level_pct, 1))
    assert part(figure, "level").y[-1] == now
    assert np.float32(part(figure, "expected").y[0]) == now


def test_dates_on_axes_are_written_as_in_texts(analysed: Result) -> None:
    """Day before month, and the year where the pointer is."""
    figure = drawn(analysed)
    for axis in (figure.layout.xaxis, figure.layout.xaxis2):
        assert axis.hoverformat == "%-d %b %Y, %H:%M"
        assert [stop.value for stop in axis.tickformatstops][:2] == ["%-d %b, %H:%M", "%-d %b"]


def test_all_parts_lie_on_one_axis(analysed: Result) -> None:
    """One below the other without a gap of their own, none beside another, each with its title; up and down nothing can be moved."""
    figure = drawn(analysed)
    assert {trace.xaxis or "x" for trace in figure.data if trace.name} == {"x"}
    assert (figure.layout.xaxis.domain, figure.layout.xaxis2.matches) == (None, "x")
    of_parts = titles(figure)
    domains = sorted((figure.layout[f"yaxis{axis[1:]}"].domain for axis in of_parts), reverse=True)
    assert len(domains) == len(of_parts) == 6  # findings, level, cycles, map, line, temperature
    assert domains[0][1] == pytest.approx(1)
    assert domains[-1][0] == pytest.approx(0)
    assert all(upper[0] > lower[1] for upper, lower in itertools.pairwise(domains))
    assert all(axis.fixedrange for axis in figure.select_yaxes())


def test_the_cycles_chart_counts_what_the_days_say(analysed: Result) -> None:
    """Done and missed cycles of each day."""
    told = days(analysed)
    figure = drawn(analysed)
    assert sum(part(figure, "done").y) == sum(d.done for d in told) > 500
    assert sum(part(figure, "missed").y) == sum(d.missed for d in told) >= 3
    assert axis_of(figure, "ignition hours").side == "right"
    assert "ignition h" in titles(figure)[part(figure, "done").yaxis]


def test_the_pressure_map_shows_the_blocked_line(analysed: Result) -> None:
    """A row for each channel; the blocked one high from its day on. A day without a reading has no colour, not its neighbour's."""
    figure = drawn(analysed)
    heat, weather = part(figure, "map"), part(figure, "temperature")
    ratio = np.array(heat.z)
    assert len(weather.y) == ratio.shape[1]
    assert len(heat.y) == 14
    assert list(heat.y)[4].startswith("5 kingpin")
    assert np.nanmax(ratio[4]) > 3
    assert np.nanmax(np.delete(ratio, 4, axis=0)) < 1.5
    assert np.isnan(ratio).all(axis=0).any()
    assert heat.dx == weather.dx == 86_400_000
    assert figure.layout.meta["lines"][4] == 5


def test_a_line_is_drawn_in_bar_with_its_relief_pressure(analysed: Result) -> None:
    """28,000 kPa are 280 bar."""
    figure = drawn(analysed)
    assert "bar" in titles(figure)[figure.layout.meta["line"]]
    assert "relief 280 bar" in {a.text for a in figure.layout.annotations}
    assert 100 < np.nanmax(part(figure, "peak").y) < 300


def test_the_expected_band_stands_while_a_line_blocks(analysed: Result) -> None:
    """It follows the weather, not the fault: where the readings are four times as high, the band is where it was."""
    figure = drawn(analysed)
    high, low = part(figure, "expected, highest").y, part(figure, "expected, lowest").y
    assert np.nanmax(high) < 2 * np.nanmedian(high)
    assert np.nanmin(low) > np.nanmedian(low) / 2
    assert np.nanmax(part(figure, "peak").y) > 3 * np.nanmedian(high)


def test_another_line_takes_the_place_of_the_opened_one(analysed: Result) -> None:
    """Its traces and its title come first in both, so that the page exchanges them by number."""
    one, other = drawn(analysed, "p05"), drawn(analysed, "p06")
    n = vehicle_stack.LINE_TRACES
    assert [t.name for t in one.data[:n]] == ["expected, highest", "expected, lowest", "peak", "work"]
    assert [t.to_json() for t in one.data[n:]] == [t.to_json() for t in other.data[n:]]
    assert one.data[2].to_json() != other.data[2].to_json()
    assert "5 kingpin" in one.layout.annotations[0].text
    assert one.layout.annotations[1:] == other.layout.annotations[1:]


def test_every_open_finding_has_its_picture(analysed: Result) -> None:
    """What it rests on, in its colour since it began; words say what is drawn."""
    for found in (f for f in analysed.findings if f.open):
        shown = vehicle_evidence.evidence(found, analysed)
        assert shown is not None
        assert shown.picture.startswith("data:image/svg+xml,")
        assert quote(tokens.SEVERITY_COLOURS[found.severity]) in shown.picture
        assert " to " in shown.said
    assert {f.kind for f in analysed.findings if f.open} == {"blocked_line", "missed_cycles"}


def test_a_map_of_which_nothing_is_known_is_left_out(analysed: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    """Empty rows would say that nothing was read; the readings themselves are drawn all the same."""
    assert "map" in names(drawn(analysed))
    nothing = np.full_like(analysed.pressures.ratio, np.nan)
    monkeypatch.setattr(type(analysed.pressures), "ratio", property(lambda _: nothing))
    figure = drawn(analysed)
    assert "map" not in names(figure)
    assert "peak" in names(figure)
    assert figure.layout.meta["map"] == ""


def test_long_names_are_cut_and_unknown_channels_named(analysed: Result) -> None:
    """Axis labels fit; a channel that no sheet names says so."""
    assert all(len(vehicle_line.channel_name(analysed, c)) <= 22 for c in analysed.pressures.channels)
    assert "not listed" in vehicle_line.channel_name(analysed, "x9")
    cut = [name for c in analysed.pressures.channels if "…" in (name := vehicle_line.channel_name(analysed, c))]
    assert {name.split()[-1] for name in cut} == {"left", "right"}  # all that tells many points apart


def test_charts_speak_the_language_of_who_reads(analysed: Result) -> None:
    with speaking("de"):
        opened = drawn(analysed)
        months = grease.grease_months([Amount("2026-02", "Estuary Wharf", "lithium EP", 1, 2.0, 1.0)], LIGHT)
    assert "<b>5 kingpin upper right</b>, Spitzenwerte, bar; grau: erwartet" in titles(opened).values()
    assert "Öffnungsdruck 280 bar" in {a.text for a in opened.layout.annotations}
    assert names(months) == {"verbraucht", "eingefüllt"}
    assert months.layout.yaxis.title.text == "Liter"


def test_a_long_series_is_thinned_without_losing_its_peaks() -> None:
    """A year of 40 cycles a day: a tenth of the points, and every single peak among them."""
    rng = np.random.default_rng(3)
    values = 50 + rng.normal(0, 2, 14_600)
    peaks = np.arange(180, 14_600, 365)
    values[peaks] += 200
    few = theme.thinned(values)
    assert len(few) <= theme.MOST_POINTS
    assert set(peaks) <= set(few)
    assert list(few) == sorted(few)
    assert list(theme.thinned(values[:100])) == list(range(100))


def test_what_somebody_wrote_is_text(analysed: Result) -> None:
    """Plotly would read markup in names and hovers."""
    lines = [msgspec.structs.replace(x, point="<b onmouseover=alert(1)>pin</b>") for x in analysed.history.setup.lines]
    setup = msgspec.structs.replace(analysed.history.setup, lines=tuple(lines))
    note = Work(key="a", kind="bled", at_us=END_US - 1, by="x", note="<a href='javascript:alert(1)'>x</a>")
    odd = replace(analysed, history=replace(analysed.history, setups=(setup,), work=(note,)))
    for channel in odd.pressures.channels[:2]:
        shown = drawn(odd, channel).to_json()
        assert "<b onmouseover" not in shown
        assert "<a" not in shown


@pytest.mark.parametrize(("unit", "peak"), [("bar", 1.0), ("kPa", 100.0), ("psi", 14.503773773)])
def test_pressures_are_drawn_in_the_readers_unit(analysed: Result, unit: str, peak: float) -> None:
    """1 bar is 100 kPa and 14.5038 psi (NIST SP 811 B.8)."""
    channel = analysed.pressures.channels[0]
    plain = part(drawn(analysed, channel), "peak").y
    shown = part(drawn(analysed, channel, units=Units(pressure=unit)), "peak").y
    assert np.allclose(shown, plain * peak, atol=0.06 * max(peak, 1.0))


def test_the_course_of_sampled_cycles(analysed: Result) -> None:
    """The newest in front; a channel that was never sampled has none."""
    figure = vehicle_line.traces(analysed, analysed.pressures.channels[0], LIGHT)
    assert figure is not None
    assert figure.data[-1].line.width > figure.data[0].line.width
    assert vehicle_line.traces(analysed, "nosuch", LIGHT) is None


def test_the_course_of_faults_goes_on_to_the_end_of_the_longest_watch() -> None:
    """Nothing happened after the last fault, and that is worth as much as what did."""
    course = mean_cumulative([(1, 2.0), (2, 5.0)], {1: 4.0, 2: 12.0})
    for line in patterns.fault_course(course, 12.0, LIGHT, "months").data:
        assert (line.x[0], line.x[-1]) == (0.0, 12.0)
        assert line.y[-1] == line.y[-2] > 0


def test_names_stand_clear_of_marks_at_zero() -> None:
    """Most kinds of point never failed: their mark lies on the axis, where the name ends."""
    none = Rate(events=0, exposure=120.0, rate=0.0, ci_low=0.0, ci_high=0.03)
    figure = fault_rates([("kingpin", none)], "tallow_light", "line-months", 100)
    assert figure.layout.yaxis.ticklabelstandoff > figure.data[0].marker.size / 2
