"""What is read of an element that was analysed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from morpho.results.store import ElementResults
from morpho.results.tables import ALL_ELEMENTS, JOINED, TABLES

__all__ = ["Analysed", "read_analysed", "read_tables", "rows_on"]


@dataclass(frozen=True)
class Analysed:
    """An element: its name, its tables, and the notes of its steps."""

    name: str
    tables: Mapping[str, pd.DataFrame]
    notes: Mapping[str, Mapping[str, Any]]


def read_tables(results: Path, element: str = ALL_ELEMENTS) -> dict[str, pd.DataFrame]:
    """Every table described that an element has, or all elements together."""
    stored = ElementResults(results, element)
    names = JOINED if element == ALL_ELEMENTS else TABLES
    there = {path.stem for path in (stored.folder / "tables").glob("*.csv")}
    return {name: stored.table(name) for name in names if name in there}


def read_analysed(results: Path, element: str) -> Analysed:
    """Read tables and notes of an element."""
    notes = {
        path.stem: json.loads(path.read_text(encoding="utf-8"))
        for path in sorted((results / element / "notes").glob("*.json"))
    }
    return Analysed(element, read_tables(results, element), notes)


def rows_on(table: pd.DataFrame, specimen: str, taxon: str | None = None) -> pd.DataFrame:
    """Rows on a query (from one taxon, if they say which), at its own size where there are any."""
    part = table[table["specimen"] == specimen]
    if taxon is not None and "taxon" in part:
        part = part[part["taxon"] == taxon]
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]
