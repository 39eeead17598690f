"""Reading a coordinate from a cell, and saying what is wrong with one that is none."""

from __future__ import annotations

import math
import re

from morpho.study.reading.wording import quoted

__all__ = ["LARGEST", "MILLIMETRES", "SMALLEST", "CellError", "parse_coordinate", "probable_unit"]

MILLIMETRES = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}

# No bone is digitised in numbers beyond this, whatever the unit; squares of much larger ones
# would be no numbers.
LARGEST = 1e9
# Largest extent, in mm, below which points are in one place: that is less than a molecule's.
SMALLEST = 1e-6

_PLAIN = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\Z")
_WITH_COMMA = re.compile(r"[+-]?([0-9]+,?[0-9]*|,[0-9]+)([eE][+-]?[0-9]+)?\Z")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}((?P<mark>[ \u00a0\u202f'’_.,])[0-9]{3})+([.,][0-9]+)?\Z")
_WITH_UNIT = re.compile(r"[+-]?[0-9.,]+\s*(?P<unit>[^\W\d_]{1,12}|\"|”|″)\.?\Z")
_MONTHS = (  # beginnings of the months' names, in several languages
    "jan|ene|gen|feb|fév|fev|mar|mär|mrt|apr|avr|abr|may|mai|maj|mei|mag|jun|jui|giu|jul|lug|"
    "aug|aoû|aou|ago|sep|set|oct|okt|ott|out|nov|dec|dez|déc|dic"
)
_DATE = re.compile(
    rf"[0-9]{{1,4}}[-./ ]+(?:{_MONTHS})[^\W\d_]{{0,7}}\.?(?:[-./ ]+[0-9]{{2,4}})?\Z"  # 12.May
    rf"|(?:{_MONTHS})[^\W\d_]{{0,7}}[-./ ]+[0-9]{{1,4}}\Z"  # May-12
    r"|[0-9]{4}[-/.][0-9]{1,2}[-/.][0-9]{1,2}(?:[T ][0-9:.]+)?\Z"  # 2024-05-01
    r"|[0-9]{1,2}[-/.][0-9]{1,2}[-/.](?:[0-9]{2}|[0-9]{4})(?: [0-9:.]+)?\Z"  # 01.05.2024
)
_MISSING = {
    "na", "n/a", "n.a.", "nan", "none", "null", "nil", "missing", "-", "--", "–", "—", "?", ".",
    "x", "#n/a", "#na",
}  # fmt: skip
_INFINITE = {"inf", "infinity", "+inf", "-inf", "+infinity", "-infinity", "∞", "-∞"}


class CellError(ValueError):
    """A cell that holds no coordinate: what was found, as the end of a sentence, and a remedy."""


def _refuse(text: str, decimal: str) -> CellError:
    word = text.casefold()
    # the first that holds: what it is, and what to do
    rules = (
        (
            word in _MISSING,
            ".",
            "If the landmark is missing leave its cells blank, without a word.",
        ),
        (word in _INFINITE, ", which is no place on a bone.", "Digitise it again."),
        (
            decimal == "." and _WITH_COMMA.match(text),
            ", with a comma.",
            "If the comma is the decimal mark write decimal: ',' under landmarks in study.yaml; "
            "if it parts thousands delete it.",
        ),
        (
            decimal == "," and _PLAIN.match(text),
            ", with a point, but the decimal mark in study.yaml is the comma.",
            "Use one decimal mark in all landmark tables, and say which under landmarks: decimal.",
        ),
        (
            _DATE.match(word),
            ", a date, which a spreadsheet makes of some numbers.",
            "Copy the number from the file that the spreadsheet was filled from, and bring its "
            "columns in as text.",
        ),
        (_GROUPED.match(text), ", with a mark between thousands.", "Write 1234.5 for 1,234.5."),
        (
            _WITH_UNIT.match(text),
            ", with a unit.",
            "Write the number alone, and the unit under landmarks: units in study.yaml.",
        ),
        (word.startswith("#"), ", a spreadsheet's error.", "Put the spreadsheet right."),
        (
            True,
            ", which is no number.",
            "Write a number, or leave x, y and z blank if the landmark is missing.",
        ),
    )
    what, remedy = next((what, remedy) for holds, what, remedy in rules if holds)
    return CellError(f"is {quoted(text)}{what}", remedy)


def parse_coordinate(text: str, decimal: str = ".") -> float:
    """Read one coordinate; NaN for a blank cell, `CellError` for anything else.

    Examples
    --------
    >>> parse_coordinate(" 12,5 ", decimal=",")
    12.5
    """
    text = text.strip().replace("\u2212", "-")  # the minus sign of typesetters
    if not text:
        return math.nan
    if not (_PLAIN if decimal == "." else _WITH_COMMA).match(text):
        raise _refuse(text, decimal)
    number = float(text.replace(",", "."))
    if abs(number) > LARGEST:
        raise CellError(
            f"is {quoted(text)}, too large a number.",
            "Look for a lost decimal mark or a wrong exponent, or digitise it again.",
        )
    return number


def probable_unit(ratio: float, stated: str) -> str | None:
    """Name the unit that would mend sizes so many times too large, within a factor of 1.6.

    Examples
    --------
    >>> probable_unit(1000, stated="mm")
    'um'
    """
    off = {
        unit: abs(math.log(ratio * factor / MILLIMETRES[stated]))
        for unit, factor in MILLIMETRES.items()
        if unit != stated
    }
    unit = min(off, key=lambda name: off[name])
    return unit if off[unit] < math.log(1.6) else None
