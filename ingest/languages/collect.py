"""Collects the texts of the code into the catalogues: `python -m ingest.languages.collect`, then translate what is empty in the .po files.

Nothing is guessed: a text that changed is a new one, and what no code says any more goes.
"""

import ast
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from ingest.languages import ENGLISH, LANGUAGES

_ROOT: Final = Path(__file__).parents[2]
_PACKAGES: Final = ("ingest", "analytics", "dashboard")
_METHODS: Final = [("**.html", "jinja2"), ("**.js", "javascript")]
_KEYWORDS: Final[dict[str, tuple[int, int] | None]] = {
    "tr": None, "later": None, "say": None, "tallowTr": None, "trn": (1, 2), "say_n": (1, 2),
}  # fmt: skip
_WIDTH: Final = 120
_UNSAID: Final = tuple(f'"{name}'.encode() for name in (
    "Project-Id", "Report-Msgid", "POT-Creation", "PO-Revision", "Last-Translator", "Language-Team", "Generated-By",
))  # fmt: skip


def collected() -> Catalog:
    """Every text of the code, with the files that say it."""
    catalogue = Catalog()
    for package in _PACKAGES:
        for file, _, text, _, _ in extract_from_dir(_ROOT / package, _METHODS, keywords=_KEYWORDS):
            catalogue.add(text, locations=[(f"{package}/{file}", None)])  # type: ignore[list-item]  # no line: it changes often
        for module in sorted((_ROOT / package).rglob("*.py")):
            for text in _said_by(ast.parse(module.read_text("utf-8"))):
                catalogue.add(text, locations=[(module.relative_to(_ROOT).as_posix(), None)])  # type: ignore[list-item]
    return catalogue


def _said_by(module: ast.Module) -> Iterator[str | tuple[str, ...]]:
    """The texts of a module, those inside f-strings as well, which Babel's own extractor passes over."""
    for node in ast.walk(module):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in _KEYWORDS:
            places = _KEYWORDS[getattr(node.func, "id", "")] or (1,)
            texts = [node.args[n - 1].value for n in places if isinstance(node.args[n - 1], ast.Constant)]  # type: ignore[attr-defined]
            if len(texts) == len(places) and all(texts):
                yield texts[0] if len(texts) == 1 else tuple(texts)


def renewed(language: str, texts: Catalog) -> Catalog:
    """The catalogue of a language with just these texts; those that it knew keep their translation."""
    kept = read_po(BytesIO(file_of(language).read_bytes()), locale=language)
    kept.update(texts, no_fuzzy_matching=True)
    kept.obsolete.clear()
    kept.fuzzy = False
    return kept


def written(catalogue: Catalog) -> bytes:
    """A catalogue as its file has it, in the order of its texts."""
    out = BytesIO()
    write_po(out, catalogue, width=_WIDTH, sort_output=True, omit_header=False, include_lineno=False)
    # Who changed it when is what the history of the repository tells.
    return b"".join(line for line in out.getvalue().splitlines(keepends=True) if not line.startswith(_UNSAID))


def file_of(language: str) -> Path:
    """The file of a language."""
    return Path(__file__).with_name(f"{language}.po")


if __name__ == "__main__":
    found = collected()
    for name in LANGUAGES:
        if name != ENGLISH:
            file_of(name).write_bytes(written(renewed(name, found)))
