"""Names of months and days, a.m. and p.m., in a declared language; from the Unicode CLDR by way of Babel."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from babel import Locale

_SHORTEST_PREFIX = 3
_WIDTHS = ("wide", "abbreviated")

_ALSO_MONTHS = {"de": {"mrz": 3}}
_ALSO_HALVES = {"de": {"vorm": 0, "nachm": 1}}
"""What spreadsheets and operating systems write beside the CLDR (from memory)."""


@dataclass(frozen=True, slots=True)
class LocaleWords:
    """How a language writes parts of a date; every key is folded by `fold_word`.

    Attributes:
        months: Month, 1 to 12.
        halves: 0 for a.m., 1 for p.m.
        days: Names of the days of the week.
    """

    months: Mapping[str, int]
    halves: Mapping[str, int]
    days: frozenset[str]


def fold_word(text: str) -> str:
    """Return a word without case, accents, full stops and spaces: ``févr.`` and ``Fevr`` are the same."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in letters if letter.isalnum())


@lru_cache(maxsize=16)
def locale_words(name: str) -> LocaleWords:
    """Return the words of a language.

    A month may be cut short after three letters or more where that leaves one month only. "AM" and "PM" are
    known in every language.

    Args:
        name: Language, and country where they differ, such as ``fr``, ``pt_BR`` or ``en-AU``.

    Raises:
        ValueError: There is no such language.
    """
    from babel import Locale, UnknownLocaleError  # noqa: PLC0415  needed for few logs

    try:
        locale = Locale.parse(name.replace("-", "_"))
    except (UnknownLocaleError, ValueError, TypeError) as fault:
        raise ValueError("must be a language, such as 'fr', 'de', 'pt_BR' or 'en_AU'") from fault
    whole = list(_names(locale, "months", ("wide",)))
    months = _known(_names(locale, "months", _WIDTHS))
    for word, month in whole:
        for length in range(_SHORTEST_PREFIX, len(word)):
            if {m for w, m in whole if w.startswith(word[:length])} == {month}:
                months.setdefault(word[:length], month)
    halves = {"am": 0, "pm": 1} | _known(_halves(locale))
    days = frozenset(word for word, _ in _names(locale, "days", (*_WIDTHS, "short")))
    months |= _ALSO_MONTHS.get(locale.language, {})
    halves |= _ALSO_HALVES.get(locale.language, {})
    return LocaleWords(months, halves, days)


def _names(locale: Locale, what: str, widths: Iterable[str]) -> Iterator[tuple[str, int]]:
    for names in getattr(locale, what).values():
        for width in widths:
            for number, name in (names.get(width) or {}).items():
                yield fold_word(str(name)), int(number)


def _halves(locale: Locale) -> Iterator[tuple[str, int]]:
    for widths in locale.day_periods.values():
        for names in widths.values():
            for number, key in enumerate(("am", "pm")):
                if names.get(key):
                    yield fold_word(str(names[key])), number


def _known(names: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Return the names that mean one thing only."""
    meanings: dict[str, set[int]] = {}
    for word, meaning in names:
        meanings.setdefault(word, set()).add(meaning)
    return {word: next(iter(found)) for word, found in meanings.items() if word and len(found) == 1}
