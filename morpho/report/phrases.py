"""Turns of phrase that methods and results share."""

from __future__ import annotations

from collections.abc import Sequence

from morpho.report.marked import named
from morpho.report.references import Analysed
from morpho.results.wording import counted, together

__all__ = [
    "bone", "each", "is_probability", "of_bones", "percent", "probability", "times",
    "uncorrected_words",
]  # fmt: skip

# Digits after the point at which a share is told by what it is below or over.
_MOST_DIGITS = 4
_NEARLY = 100 - 10**-_MOST_DIGITS


def bone(element: Analysed) -> str:
    """Name of an element as text.

    Parameters
    ----------
    element : Analysed

    Returns
    -------
    str
        Marked, see `morpho.report.marked`.
    """
    return named(element.name.replace("_", " "))


def percent(share: float, digits: int = 0) -> str:
    """A share in percent, in which only nothing reads as 0 % and only all as 100 %.

    Parameters
    ----------
    share : float
    digits : int
        After the point; as many more as it takes to tell the share from none and from all.

    Returns
    -------
    str
        A dash where there is no number.

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


def each(elements: Sequence[Analysed], words: Sequence[str]) -> str:
    """What differs between elements, said once where there is one element or all are alike.

    Parameters
    ----------
    elements : sequence of Analysed
    words : sequence of str
        One for each element.

    Returns
    -------
    str
    """
    if len(set(words)) == 1:
        return words[0]
    return "; ".join(
        f"{word} for the {bone(element)}" for element, word in zip(elements, words, strict=True)
    )


def of_bones(some: Sequence[Analysed], elements: Sequence[Analysed], word: str = "of") -> str:
    """Which elements are spoken of: blank where it is all of them.

    Parameters
    ----------
    some, elements : sequence of Analysed
    word : str
        Word before them.

    Returns
    -------
    str
        With a space before it.
    """
    if len(some) == len(elements):
        return ""
    return f" {word} {together([f'the {bone(element)}' for element in some])}"


def times(count: int, noun: str) -> str:
    """A count with its noun, whose plural ends in es where it ends in a hissing sound.

    Parameters
    ----------
    count : int
    noun : str

    Returns
    -------
    str

    Examples
    --------
    >>> times(1, "patch"), times(2, "patch"), times(2, "pass"), times(2, "curve")
    ('1 patch', '2 patches', '2 passes', '2 curves')
    """
    if count != 1 and noun.endswith(("s", "ch", "sh", "x")):
        return f"{count} {noun}es"
    return counted(count, noun)


def uncorrected_words(alpha: float) -> str:
    """What the level of a verdict does not heed.

    Parameters
    ----------
    alpha : float
        Level of the tests.

    Returns
    -------
    str
        A sentence.
    """
    return (
        "Verdicts are not corrected for the number of queries and elements: each by itself may "
        f"tell {100 * alpha:g} in a hundred members of known taxa outside by chance."
    )


def is_probability(column: str) -> bool:
    """Whether a column of a table holds p-values or other probabilities.

    Parameters
    ----------
    column : str

    Returns
    -------
    bool
    """
    return "p_value" in column or column.endswith("probability")


def probability(value: float) -> str:
    """A probability as it is printed in a table, in which none reads as 0, and only 1 as 1.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
        A dash where there is no number.

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
