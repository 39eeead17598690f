"""Numbers and lists as people read them."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["number", "together"]


def number(value: float) -> str:
    """A number with three significant digits or to the unit, without powers of ten where usual.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
        A dash where there is no number.
    """
    if value != value:
        return "–"
    if value == 0:
        return "0"
    if abs(value) >= 1e6 or abs(value) < 0.0001:
        return f"{value:.2g}"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def together(parts: Iterable[str], last: str = "and") -> str:
    """Join parts of a sentence: a, b and c.

    Parameters
    ----------
    parts : iterable of str
    last : str
        Word before the last one.

    Returns
    -------
    str
    """
    given = list(parts)
    if len(given) < 2:
        return "".join(given)
    return f"{', '.join(given[:-1])} {last} {given[-1]}"
