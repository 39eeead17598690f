"""Filters of the templates: numbers, p-values, counts and lists as people read them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from numbers import Integral
from typing import Any

import pandas as pd
from jinja2 import Undefined
from markupsafe import Markup

from morpho.results.analysed import Analysed
from morpho.results.directions import lengths_words
from morpho.wording import counted, listed, number, p_value_words, p_words, percent

__all__ = [
    "END", "FILTERS", "NAME", "TESTS", "is_probability", "marked", "marked_name", "probability",
    "sentence",
]  # fmt: skip

_LENGTHS = ("direction", "difference", "difference_percent", "unit")

# Marks of a name that no name can hold: what cannot be printed is taken out of names.
NAME, END = "\x02", "\x04"


def marked_name(value: Any) -> Markup:
    """Mark what the user wrote, as text whatever stands in it; unprintable signs are blanks."""
    plain = "".join(sign if sign.isprintable() else " " for sign in str(value))
    return Markup(f"{NAME}{plain}{END}")


def marked(value: Any) -> Markup:
    """What a template puts out: words of ours as they are, all else marked as the user's.

    Words of ours are Markup and whole numbers. What tells nothing (None, a yes or a no) is refused.
    """
    if isinstance(value, Markup):
        return value
    if value is None or isinstance(value, bool):
        raise TypeError(f"a template puts out {value}")
    if isinstance(value, Integral):
        return Markup(str(value))
    return marked_name(value)


def is_probability(column: str) -> bool:
    """Whether a column of a table holds p-values or other probabilities."""
    return "p_value" in column or column.endswith("probability")


def probability(value: float) -> str:
    """A probability as it is printed in a table, in which none reads as 0, and only 1 as 1.

    Examples
    --------
    >>> [probability(p) for p in (0.0, 0.0004, 0.04567, 0.9997, 1.0)]
    ['<0.001', '<0.001', '0.046', '>0.999', '1.000']
    """
    if value != value:
        return "–"
    if value < 0.001:
        return "<0.001"
    return ">0.999" if 0.9995 <= value < 1 else f"{value:.3f}"


def _words(make: Callable[..., str]) -> Callable[..., Markup]:
    """A filter whose outcome is words of ours."""

    def made(given: Any, *more: Any, **named: Any) -> Markup:
        return Markup(make(_there(given), *more, **named))

    return made


def _there(value: Any) -> Any:
    """A fact, which a filter refuses where it is missing."""
    if isinstance(value, Undefined):
        str(value)  # raises with the name of what is missing
    return value


def _together(parts: Iterable[Any], last: str = "and") -> Markup:
    """Names or words joined: a, b and c."""
    return Markup(listed(map(marked, parts), last=last, most=None, none=""))


def _listed(parts: Iterable[Any], sign: str = ",") -> Markup:
    """Names or words one after the other: a, b, c; blank ones left out."""
    return Markup(f"{sign} ".join(part for part in map(marked, parts) if part.strip()))


def _told(rows: Iterable[Any], macro: Callable[..., Markup], *given: Any) -> list[Markup]:
    """Each row in the words of a macro."""
    return [macro(row, *given).strip() for row in rows]


def _bone(element: str) -> Markup:
    """Name of an element as it is said."""
    return marked_name(_there(element).replace("_", " "))


def _each(elements: Sequence[Any], macro: Callable[..., Markup]) -> Markup:
    """What a macro says of each element, or of facts with a name, said once if all are alike."""
    told = _told(elements, macro)
    if len(set(told)) == 1:
        return told[0]
    names = [one["name"] if isinstance(one, Mapping) else one.name for one in elements]
    parts = [f"{said} for the {_bone(name)}" for said, name in zip(told, names, strict=True)]
    return Markup("; ".join(parts))


def _among(some: Sequence[Analysed], elements: Sequence[Analysed], word: str = "of") -> Markup:
    """Which elements are spoken of: blank where it is all of them."""
    if len(some) == len(elements):
        return Markup()
    names = [f"the {_bone(element.name)}" for element in some]
    return Markup(f"{word} {listed(names, most=None)}")


def _having(elements: Iterable[Analysed], *tables: str) -> list[Analysed]:
    """Elements that have rows in each of some tables."""
    return [e for e in elements if all(len(e.tables.get(table, ())) for table in tables)]


def _rows(element: Analysed, table: str) -> list[dict[Any, Any]]:
    """Rows of a table of an element, none where it has no such table."""
    given = element.tables.get(table)
    return [] if given is None else given.to_dict("records")


def sentence(text: str) -> str:
    """A text as a sentence: a capital at its beginning and a stop at its end."""
    text = text.strip()
    stop = "" if not text or text.endswith((".", "!", "?", "…")) else "."
    return text[:1].upper() + text[1:] + stop


def _first_large(text: Markup) -> Markup:
    """Words with a capital at their beginning."""
    begun = text.lstrip()
    return Markup(begun[:1].upper() + begun[1:])


FILTERS: dict[str, Callable[..., Any]] = {
    "number": _words(number),
    "decimals": _words(lambda value, digits=3: f"{value:.{digits}f}"),
    "percent": _words(percent),
    "in_a_hundred": _words(lambda share: f"{100 * share:g}"),
    "probability": _words(probability),
    "p": _words(p_words),
    "p_value": _words(p_value_words),
    "counted": _words(counted),
    "plural": _words(lambda count, one, more: one if count == 1 else more),
    "ours": _words(str),
    "together": _together,
    "listed": _listed,
    "told": _told,
    "bone": _bone,
    "each": _each,
    "among": _among,
    "having": _having,
    "rows": _rows,
    "median": lambda values: pd.Series(list(values), dtype=float).median(),
    "smallest": lambda values: pd.Series(list(values), dtype=float).min(),
    "larger": lambda row: Markup(lengths_words(*(row[key] for key in _LENGTHS))),
    "first_large": _first_large,
    "sentence": sentence,
    "level": _words("{:g}".format),
    "without_stop": lambda text: marked_name(str(text).rstrip(".")),
}

TESTS: dict[str, Callable[[Any], bool]] = {
    "known": lambda value: value is not None and _there(value) == value,
}
