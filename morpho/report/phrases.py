"""Turns of phrase that methods and results share."""

from __future__ import annotations

from collections.abc import Sequence

from morpho.report.marked import named, together
from morpho.report.references import Analysed
from morpho.report.words import counted

__all__ = ["bone", "each", "of_bones", "percent", "times"]


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
    """A share in percent.

    Parameters
    ----------
    share : float
    digits : int

    Returns
    -------
    str

    Examples
    --------
    >>> percent(0.4567), percent(0.4567, 1)
    ('46 %', '45.7 %')
    """
    return f"{100 * share:.{digits}f} %"


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
