"""Filters of the templates: numbers, p-values, counts and lists as people read them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from markupsafe import Markup

from morpho.report.phrases import percent, probability, times
from morpho.report.phrasing import p_value_words, p_words
from morpho.results.wording import number, together

__all__ = ["FILTERS", "marked_name"]

_NAME, _END = "\x02", "\x04"


def marked_name(value: Any) -> Markup:
    """Mark what the user wrote, which is text whatever stands in it.

    Parameters
    ----------
    value : object

    Returns
    -------
    Markup
        Signs that cannot be printed are blanks.
    """
    plain = "".join(sign if sign.isprintable() else " " for sign in str(value))
    return Markup(f"{_NAME}{plain}{_END}")


def _words(make: Callable[..., str]) -> Callable[..., Markup]:
    """A filter whose outcome is words of ours."""
    return lambda *given, **named: Markup(make(*given, **named))


def _marked(parts: Iterable[Any]) -> list[Markup]:
    return [part if isinstance(part, Markup) else marked_name(part) for part in parts]


def _together(parts: Iterable[Any], last: str = "and") -> Markup:
    """Names or words joined: a, b and c."""
    return Markup(together(_marked(parts), last))


def _listed(parts: Iterable[Any], sign: str = ",") -> Markup:
    """Names or words one after the other: a, b, c."""
    return Markup(f"{sign} ".join(_marked(parts)))


def _told(rows: Iterable[Any], macro: Callable[..., str], *given: Any) -> list[Markup]:
    """Each row in the words of a macro."""
    return [Markup(macro(row, *given).strip()) for row in rows]


def _bone(element: str) -> Markup:
    """Name of an element as it is said."""
    return marked_name(element.replace("_", " "))


FILTERS: dict[str, Callable[..., Any]] = {
    "number": _words(number),
    "percent": _words(percent),
    "probability": _words(probability),
    "p": _words(p_words),
    "p_value": _words(p_value_words),
    "counted": _words(times),
    "together": _together,
    "bone": _bone,
    "ours": _words(str),
    "without_stop": lambda text: marked_name(str(text).rstrip(".")),
    "decimals": _words(lambda value, digits=3: f"{value:.{digits}f}"),
    "listed": _listed,
    "told": _told,
}
