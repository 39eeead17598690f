"""Results on disk: where they lie, and writing each file whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.analysed import Analysed
from morpho.results.describing import Table
from morpho.results.tables import ALL_ELEMENTS, JOINED, TABLES, described
from morpho.results.whole import whole, write_whole

__all__ = [
    "ALL_ELEMENTS", "ElementResults", "read_analysed", "read_tables", "write_json", "write_table",
]  # fmt: skip

# Nine significant digits: more than any scan holds, fewer than rounding disturbs.
_NUMBER = "%.9g"


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV without its index: UTF-8, one line end everywhere, nine digits."""
    with whole(path) as temporary:
        table.to_csv(
            temporary, index=False, float_format=_NUMBER, lineterminator="\n", encoding="utf-8"
        )


def write_json(path: Path, content: Any) -> None:
    """Write plain data as JSON with sorted keys."""
    write_whole(path, json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False) + "\n")


def _typed(told: pd.Series, kind: str) -> pd.Series:
    """What was read as text, as what it is."""
    if kind == "number":
        return pd.to_numeric(told)
    blank = told == ""
    flags = told == "True"
    return flags.astype(object).mask(blank, None) if kind == "maybe" and blank.any() else flags


def _joined(rows: pd.DataFrame | Mapping[str, Any] | Sequence[Any]) -> pd.DataFrame:
    """A table, its columns, its rows, or its parts one below the other, as one table."""
    if isinstance(rows, pd.DataFrame):
        return rows
    if isinstance(rows, Mapping):
        return pd.DataFrame(rows)
    if all(isinstance(part, pd.DataFrame) for part in rows):
        full = [part for part in rows if len(part)]
        return pd.concat(full) if full else pd.DataFrame()
    return pd.DataFrame(list(rows))


class ElementResults:
    """Results of one element: arrays between rules, tables, figures and notes."""

    def __init__(self, results: Path, element: str) -> None:
        self.element = element
        self.folder = Path(results) / element

    def arrays(self, name: str) -> dict[str, NDArray[Any]]:
        """Read the arrays that a step left for later ones."""
        with np.load(self.folder / "arrays" / f"{name}.npz", allow_pickle=False) as stored:
            return {key: stored[key] for key in stored.files}

    def write_arrays(self, name: str, **arrays: Any) -> None:
        """Leave arrays for later steps."""
        with whole(self.folder / "arrays" / f"{name}.npz") as temporary:
            np.savez(temporary, **arrays)

    def table(self, name: str) -> pd.DataFrame:
        """Read a table, each column of the kind that is described.

        Names stay text, whatever they look like; a flag that may be blank is None there.
        """
        about: Table = described(name)
        table = pd.read_csv(
            self.folder / "tables" / f"{name}.csv", dtype=str, keep_default_na=False
        )
        for key, told in dict(table).items():
            column = about.column(str(key))
            if column is not None and column.kind != "text":
                table[key] = _typed(told, column.kind)
        return table

    def columns(self, name: str) -> list[str]:
        """Columns of a table, in the order of its file."""
        return described(name).header()

    def write_table(
        self,
        name: str,
        rows: pd.DataFrame
        | Mapping[str, Any]
        | Sequence[Mapping[str, Any]]
        | Sequence[pd.DataFrame],
    ) -> None:
        """Write a table, its rows or its parts, its columns in the order that is described.

        `rows` may be the table, its columns, its rows or its parts. Where there are none, its
        header alone is written.
        """
        about: Table = described(name)
        table = _joined(rows)
        found = list(map(str, table.columns))
        header = about.header(found)
        if found and sorted(found) != sorted(header):
            raise ValueError(f"{name} has the columns {found}; described are {header}")
        write_table(self.folder / "tables" / f"{name}.csv", table.reindex(columns=header))

    def notes(self, name: str) -> dict[str, Any]:
        """Read what a step noted of its work."""
        return json.loads((self.folder / "notes" / f"{name}.json").read_text(encoding="utf-8"))

    def write_notes(self, name: str, notes: Mapping[str, Any]) -> None:
        """Write what a step has to say of its work, for figures and report."""
        write_json(self.folder / "notes" / f"{name}.json", dict(notes))


def read_tables(results: Path, element: str = ALL_ELEMENTS) -> dict[str, pd.DataFrame]:
    """Every table described that an element has, or all elements together."""
    stored = ElementResults(results, element)
    names = JOINED if element == ALL_ELEMENTS else TABLES
    there = {path.stem for path in (stored.folder / "tables").glob("*.csv")}
    return {name: stored.table(name) for name in names if name in there}


def read_analysed(results: Path, element: str) -> Analysed:
    """Read tables and notes of an element."""
    names = sorted(path.stem for path in (results / element / "notes").glob("*.json"))
    notes = {name: ElementResults(results, element).notes(name) for name in names}
    return Analysed(element, read_tables(results, element), notes)
