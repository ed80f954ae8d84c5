"""Every text for people by way of one catalogue: English in the code, the other languages in the .po files beside this module.

`tr` says a text in the language of whoever reads, `trn` one that goes by number, `later` marks one that stands in a table and is said by
`tr` when it is shown; `saying.say` makes sentences that are kept and told later. Places are named: `tr("{count} lines", count=3)`.
The files are read once for each language when it is first spoken; English needs none. DEVELOPERS.md says how to add a text or a language.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files
from io import BytesIO
from typing import Any, Final

__all__ = [
    "ENGLISH",
    "LANGUAGES",
    "Words",
    "begun",
    "for_scripts",
    "inside",
    "language",
    "language_of",
    "later",
    "speaking",
    "tr",
    "translated",
    "trn",
]

ENGLISH: Final = "en"
# By their own names, since whoever looks for theirs may read no other.
LANGUAGES: Final = {"en": "English", "de": "Deutsch", "fr": "Français", "es": "Español", "nb": "Norsk bokmål"}
_ALSO: Final = {"no": "nb", "nn": "nb"}  # whoever asks for these reads it
_spoken: Final[ContextVar[str]] = ContextVar("language", default=ENGLISH)


def language() -> str:
    """The language of whoever reads."""
    return _spoken.get()


def language_of(name: str | None) -> str:
    """The language that a name such as "de", "de-AT" or "no" asks for; English where there is none of that name."""
    short = (name or "").partition("-")[0].casefold()
    short = _ALSO.get(short, short)
    return short if short in LANGUAGES else ENGLISH


@contextmanager
def speaking(name: str) -> Iterator[None]:
    """Within it, texts are said in that language."""
    before = _spoken.set(language_of(name))
    try:
        yield
    finally:
        _spoken.reset(before)


@cache
def _catalogue(name: str) -> NullTranslations:
    if name == ENGLISH:
        return NullTranslations()
    from babel.messages.mofile import write_mo

    compiled = BytesIO()
    write_mo(compiled, _read(name))
    compiled.seek(0)
    return GNUTranslations(compiled)


def _read(name: str) -> Any:
    from babel.messages.pofile import read_po  # here, since English needs it not

    return read_po(BytesIO(files(__name__).joinpath(f"{name}.po").read_bytes()), locale=name)


@cache
def for_scripts(name: str) -> dict[str, str]:
    """The texts of the scripts that run in a browser, by their English."""
    if name == ENGLISH:
        return {}
    return {
        text.id: text.string
        for text in _read(name)
        if text.string and any(file.endswith(".js") for file, _ in text.locations)
    }


def tr(text: str, **places: Any) -> str:
    """A text in the language of whoever reads, its places filled."""
    said = _catalogue(_spoken.get()).gettext(text) if text else ""
    return said.format(**places) if places else said


def trn(one: str, many: str, n: int, **places: Any) -> str:
    """A text that goes by number, which is its place `n`."""
    return _catalogue(_spoken.get()).ngettext(one, many, n).format(n=n, **places)


def later(text: str) -> str:
    """A text that is said by `tr` when it is shown."""
    return text


class Words(Mapping[str, str]):
    """A table of texts, each by a name that stays: what is looked up is said in the language of whoever reads it."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = dict(texts)

    def __getitem__(self, name: str) -> str:
        return tr(self._texts[name])

    def __iter__(self) -> Iterator[str]:
        return iter(self._texts)

    def __len__(self) -> int:
        return len(self._texts)


def begun(text: str) -> str:
    """A text as it begins a sentence or a label; the rest of it stays, as German nouns and names do."""
    return text[:1].upper() + text[1:]


def inside(title: str) -> str:
    """A title as it stands inside a sentence: begun small, but in German."""
    return title if _spoken.get() == "de" else title[:1].lower() + title[1:]


def translated(default: Any = None) -> Any:
    """A field of a dataclass, or a tuple of texts in one, that is said in the language of whoever reads it."""
    return _Translated(default)


class _Translated:
    def __init__(self, default: Any = None) -> None:
        self._default = default

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, instance: Any, owner: type | None = None) -> Any:
        if instance is None:
            if self._default is None:
                raise AttributeError(self._name)  # so that the field has no default
            return self._default
        kept = instance.__dict__[self._name]
        return tr(kept) if isinstance(kept, str) else tuple(tr(text) for text in kept)

    def __set__(self, instance: Any, value: Any) -> None:
        instance.__dict__[self._name] = value
