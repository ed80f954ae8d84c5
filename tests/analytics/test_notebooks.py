"""The notebooks that come with the program: each runs from its first cell to its last on a fleet that has something to show."""

import ast
import json
from pathlib import Path
from typing import Any

import pandas as pd
import plotly.graph_objects as go
import pytest

from analytics.pipeline import results
from analytics.pipeline.workers import workers
from ingest.database import address
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

FOLDER = Path(__file__).parents[2] / "analytics" / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def cells(path: Path) -> list[str]:
    """The code of each cell."""
    told = json.loads(path.read_text("utf-8"))
    return ["".join(cell["source"]) for cell in told["cells"] if cell["cell_type"] == "code"]


def run(code: str, names: dict[str, Any]) -> Any:
    """What a cell shows: the value of its last line."""
    tree = ast.parse(code)
    last = tree.body[-1]
    if not isinstance(last, ast.Expr):
        exec(compile(tree, "cell", "exec"), names)
        return None
    exec(compile(ast.Module(tree.body[:-1], []), "cell", "exec"), names)
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_holds_no_results_of_anybody(path: Path) -> None:
    """It is kept as it is before it runs, and every cell is Python."""
    told = json.loads(path.read_text("utf-8"))
    assert (told["nbformat"], told["nbformat_minor"]) == (4, 5)
    assert not any(cell.get("outputs") or cell.get("execution_count") for cell in told["cells"])
    assert [ast.parse(code) for code in cells(path)]


@pytest.mark.long
def test_the_notebooks_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One after another on the same fleet: tables have rows, charts have points."""
    assert len(NOTEBOOKS) == 3
    blocked = (Trouble("blocked_line", 100, None, line=5, ratio=2.5),)
    engine, _ = recorded(tmp_path, [arrivals("HS-102", blocked, days=150), arrivals("HS-101", days=150)])
    with workers(2) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    monkeypatch.setenv("TALLOW_DATABASE", address(engine))
    monkeypatch.setattr("analytics.frames.now_us", lambda: END_US)
    engine.dispose()
    for path in NOTEBOOKS:
        names: dict[str, Any] = {}
        shown = [run(code, names) for code in cells(path)]
        tables = [one for one in shown if isinstance(one, pd.DataFrame | pd.Series)]
        charts = [one for one in shown if isinstance(one, go.Figure)]
        assert len(tables) + len(charts) >= 3
        assert all(len(one) for one in tables)
        assert all(len(chart.data) and all(len(trace.y) for trace in chart.data) for chart in charts)
        if path.stem == "one_vehicle":
            assert "blocked_line" in set(names["story"].findings["kind"])
        if path.stem == "refill_dates":
            assert 0 < names["loss"]("") < names["loss"]("nominal_")
