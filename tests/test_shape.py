"""The house stays one that the next person can live in: no function and no module grows beyond what is read at a glance."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MOST_LINES = {"function": 60, "module": 400}


def modules() -> list[str]:
    """The program's modules; tests tell one story each, and may be as long as it takes."""
    listed = subprocess.run(["git", "ls-files", "*.py"], cwd=ROOT, capture_output=True, text=True, check=True)
    return [name for name in listed.stdout.split() if not name.startswith("tests/") and (ROOT / name).exists()]


@pytest.mark.parametrize("name", modules())
def test_no_module_and_no_function_is_too_long(name: str) -> None:
    """400 lines a module, 60 a function."""
    source = (ROOT / name).read_text("utf-8")
    assert source.count("\n") <= MOST_LINES["module"]
    functions = (n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))
    long = {f.name: f.end_lineno - f.lineno + 1 for f in functions if f.end_lineno is not None}
    assert {n: lines for n, lines in long.items() if lines > MOST_LINES["function"]} == {}
