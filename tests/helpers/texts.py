"""Finds texts for people in the code that do not come by way of the catalogue."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

# What makes a text of the catalogue.
_BY_CATALOGUE: Final = frozenset({"tr", "trn", "later", "say", "say_n"})
# What takes no text for people: what a browser, a database or a log reads.
_NO_TEXT: Final = frozenset(
    "className class_name id id_ href path icon role style type order fmt key data_keep autoComplete template name_ key place"
    " path_template mimetype description server_default custom target rel namespace function_name".split()
)
_NO_TEXT_CALLS: Final = frozenset(
    "ContextVar getLogger get_logger Problem Unanalysed NotAllowed ValueError RuntimeError KeyError TypeError AttributeError Column"
    " Index Text text ClientsideFunction compile Setting Literal NewType TypeVar register_page_path split exec_driver_sql debug info"
    " warning error exception execute FieldInfo strftime strptime startswith endswith removeprefix removesuffix replace Summary_"
    " Undelivered Unusable"
    " add_url_rule Blueprint getattr setattr isinstance".split()
)
_WORDS: Final = re.compile(r"[^\W\d_]{2,}[,;:.]? [^\W\d_]{2,}|[^\W\d_]+ [^\W\d_]{3,}|^ ?[A-Z][a-z]{2,}")
_CLASSES: Final = re.compile(r"[a-z][a-z0-9-]*( [a-z][a-z0-9]*-[a-z0-9-]+)+|([a-z0-9]+-[a-z0-9-]+)( [a-z][a-z0-9-]*)*")
_OF_PROGRAMS: Final = re.compile(
    r"(SELECT|PRAGMA|<|https?:|/|[A-Za-z-]+=|@)|.*[{};]$|[a-z-]+: |[A-Z][A-Za-z]+/[\d.]+", re.DOTALL
)


def bypassing(file: Path) -> list[tuple[int, str]]:
    """(line, text) of what looks like a text for people in a file and is none of the catalogue."""
    return list(_found(ast.parse(file.read_text("utf-8"))))


def _found(node: ast.AST) -> Iterator[tuple[int, str]]:
    match node:
        case ast.Raise() | ast.Assert() | ast.Import() | ast.ImportFrom() | ast.Expr(value=ast.Constant()):
            parts: list[ast.AST] = []  # for whoever reads a log, and docstrings
        case ast.Call() if _called(node) in _BY_CATALOGUE:
            parts = [word.value for word in node.keywords]  # its places may hold texts of their own
        case ast.Call() if _called(node) in _NO_TEXT_CALLS:
            parts = []
        case ast.keyword(arg=str(name)) if name in _NO_TEXT:
            parts = []
        case ast.JoinedStr():
            yield from _text(
                node.lineno, "".join(str(p.value) if isinstance(p, ast.Constant) else "…" for p in node.values)
            )
            parts = [part.value for part in node.values if isinstance(part, ast.FormattedValue)]
        case ast.Constant(value=str(text)):
            yield from _text(node.lineno, text)
            parts = []
        case ast.Subscript() | ast.AnnAssign() | ast.arg():
            parts = [value] if isinstance(value := getattr(node, "value", None), ast.AST) else []
        case ast.FunctionDef():
            parts = [*node.decorator_list, *node.args.defaults, *node.body]
        case _:
            parts = list(ast.iter_child_nodes(node))
    for part in parts:
        yield from _found(part)


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _text(line: int, text: str) -> Iterator[tuple[int, str]]:
    if _WORDS.search(text) and not _CLASSES.fullmatch(text) and not _OF_PROGRAMS.match(text):
        yield line, text
