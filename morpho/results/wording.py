"""Numbers and lists as people read them."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["counted", "number", "p_value_words", "p_words", "together"]


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


def counted(count: int, noun: str) -> str:
    """A count with its noun: 1 specimen, 2 specimens.

    Parameters
    ----------
    count : int
    noun : str
        In the singular; its plural ends in s.

    Returns
    -------
    str
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def p_words(p: float) -> str:
    """A p-value as text: three decimals, 'below 0.001' or 'above 0.999'.

    Parameters
    ----------
    p : float

    Returns
    -------
    str
    """
    if p != p:
        return "p not known"
    words = p_value_words(p)
    return f"p = {words}" if words[0].isdigit() else f"p {words}"


def p_value_words(p: float) -> str:
    """A p-value as text where the words before it say what it is: 0.012, or 'below 0.001'.

    Parameters
    ----------
    p : float

    Returns
    -------
    str
    """
    if p != p:
        return "not known"
    if p < 0.001:
        return "below 0.001"
    return "above 0.999" if 0.9995 <= p < 1 else f"{p:.3f}"
