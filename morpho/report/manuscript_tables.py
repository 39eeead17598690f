"""The tables that go into the paper, rounded and under their headings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from morpho.report.main_tables import MAIN_TABLES, MainTable
from morpho.report.words.filters import is_probability, probability
from morpho.report.workbook import stacked
from morpho.results.wording import number

__all__ = ["MAIN_TABLES", "ROUNDING", "MainTable", "ManuscriptTable", "manuscript_tables"]

Tables = Mapping[str, pd.DataFrame]

ROUNDING = (
    "Numbers are rounded to three significant digits, or to the unit where that is more, and "
    "probabilities to three decimals; a dash stands where there is no number. The tables as CSV "
    "and XLSX hold all digits."
)


@dataclass(frozen=True)
class ManuscriptTable:
    """A table as it is printed.

    Attributes
    ----------
    name, caption : str
    head : tuple of str
    rows : tuple of tuple of str
    numeric : tuple of bool
        Which columns hold numbers.
    """

    name: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]


def _shown(value: Any, column: str) -> str:
    """A value as it is printed."""
    if isinstance(value, str):
        return value
    if value is None or value is pd.NA or value != value:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if is_probability(column):
        return probability(float(value))
    return number(float(value))


def manuscript_tables(
    elements: Mapping[str, Tables],
    joined: Tables | None = None,
    *,
    chosen: Sequence[MainTable] = MAIN_TABLES,
) -> list[ManuscriptTable]:
    """Round tables and put them under headings.

    Parameters
    ----------
    elements : mapping of str to mapping of str to DataFrame
        Tables by element. Where there is more than one element, a first column names it.
    joined : mapping of str to DataFrame, optional
        Tables that hold all elements already.
    chosen : sequence of MainTable

    Returns
    -------
    list of ManuscriptTable
        Without those that no element has a row for.

    Raises
    ------
    KeyError
        If a table lacks one of the columns.
    """
    result = []
    for spec in chosen:
        whole = (joined or {}).get(spec.table)
        parts = {
            element.replace("_", " "): {spec.table: spec.make(tables)}
            if spec.make
            else {spec.table: tables[spec.table]}
            for element, tables in elements.items()
            if spec.make or spec.table in tables
        }
        if whole is None and not parts:
            continue
        table = stacked(parts)[spec.table] if whole is None else whole
        if table.empty:
            continue
        headings = dict(spec.headings)
        if whole is None and len(elements) > 1:
            headings = {"element": "element"} | headings
        columns = list(headings)
        rows = tuple(
            tuple(_shown(value, column) for value, column in zip(row, columns, strict=True))
            for row in table[columns].astype(object).to_numpy().tolist()
        )
        numeric = tuple(
            pd.api.types.is_numeric_dtype(table[c]) and table[c].dtype != bool for c in columns
        )
        result.append(
            ManuscriptTable(spec.table, spec.caption, tuple(headings.values()), rows, numeric)
        )
    return result
