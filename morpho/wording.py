"""Numbers, counts and lists as people read them: one way for the whole house."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["counted", "listed", "number", "p_value_words", "p_words", "percent"]

# Digits after the point at which a share is told by what it is below or over.
_MOST_DIGITS = 4
_NEARLY = 100 - 10**-_MOST_DIGITS


def number(value: float) -> str:
    """A number with three significant digits or to the unit, without powers of ten where usual.

    A dash where there is no number.
    """
    if value != value:
        return "–"
    if value == 0:
        return "0"
    if abs(value) >= 1e6 or abs(value) < 0.0001:
        return f"{value:.2g}"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def listed(
    parts: Iterable[object], most: int | None = 12, last: str = "and", none: str = "none"
) -> str:
    """Join names or parts of a sentence: ``a, b and c``; of more than `most`, how many more.

    Examples
    --------
    >>> listed(["left", "right", "blank"], last="or"), listed("abcd", most=2)
    ('left, right or blank', 'a, b and 2 more')
    """
    words = [str(part) for part in parts]
    if most is not None and len(words) > most:
        return f"{', '.join(words[:most])} and {len(words) - most} more"
    if len(words) < 2:
        return "".join(words) or none
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def percent(share: float, digits: int = 0) -> str:
    """A share in percent, in which only nothing reads as 0 % and only all as 100 %.

    As many digits more as it takes to tell it from none and from all; a dash for no number.

    Examples
    --------
    >>> percent(0.4567), percent(0.4567, 1), percent(1), percent(0.996), percent(1e-9)
    ('46 %', '45.7 %', '100 %', '99.6 %', 'below 0.0001 %')
    """
    if share != share:
        return "–"
    text = f"{100 * share:.{digits}f}"
    if not 0 < share < 1 or float(text) not in (0, 100):
        return f"{text} %"
    if digits < _MOST_DIGITS:
        return percent(share, digits + 1)
    return f"below {10.0**-digits:.{digits}f} %" if share < 0.5 else f"over {_NEARLY} %"


def counted(count: int, noun: str) -> str:
    """A count with its noun, whose plural ends in es where it ends in a hissing sound.

    Examples
    --------
    >>> counted(1, "patch"), counted(2, "patch"), counted(2, "pass"), counted(2, "curve")
    ('1 patch', '2 patches', '2 passes', '2 curves')
    """
    ending = "es" if noun.endswith(("s", "ch", "sh", "x")) else "s"
    return f"{count} {noun}{'' if count == 1 else ending}"


def p_words(p: float) -> str:
    """A p-value as text: three decimals, 'below 0.001' or 'above 0.999'."""
    if p != p:
        return "p not known"
    words = p_value_words(p)
    return f"p = {words}" if words[0].isdigit() else f"p {words}"


def p_value_words(p: float) -> str:
    """A p-value as text where the words before it say what it is: 0.012, or 'below 0.001'."""
    if p != p:
        return "not known"
    if p < 0.001:
        return "below 0.001"
    return "above 0.999" if 0.9995 <= p < 1 else f"{p:.3f}"
