"""The glossary: one word, one meaning, one plain sentence; README shows the same."""

import re
from pathlib import Path

import pytest

from dashboard.glossary import GLOSSARY, Term

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def test_one_word_has_one_meaning() -> None:
    """No word stands twice, and no meaning."""
    assert len({one.term.casefold() for one in GLOSSARY}) == len({one.meaning for one in GLOSSARY}) == len(GLOSSARY)


@pytest.mark.parametrize("one", GLOSSARY, ids=lambda one: one.term)
def test_a_meaning_is_one_plain_sentence(one: Term) -> None:
    """Short, with a full stop at its end only (at most 25 words a sentence: ASD-STE100, rule on descriptive writing, from memory)."""
    assert one.meaning[0].isupper()
    assert one.meaning.endswith(".")
    assert not re.search(r"[.!?] [A-Z]", one.meaning)
    assert len(one.meaning.split()) <= 25
    assert one.term[0].isupper()


def test_the_readme_shows_the_same() -> None:
    """Word by word, in the same order."""
    part = README.partition("## Words")[2].partition("\n## ")[0]
    told = re.findall(r"^- \*\*(.+?)\*\*: (.+)$", part, re.M)
    assert [Term(term, meaning) for term, meaning in told] == list(GLOSSARY)
