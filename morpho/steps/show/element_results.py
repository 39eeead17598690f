"""Tables and notes of every element, as report and supplement read them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from morpho.results.store import ALL_ELEMENTS, ElementResults
from morpho.results.tables import JOINED, TABLES

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["Content", "element_contents", "joined_tables"]


@dataclass(frozen=True)
class Content:
    """What the steps found of one element."""

    name: str
    tables: Mapping[str, pd.DataFrame]
    notes: Mapping[str, Mapping[str, Any]]


def _tables(results: ElementResults, names: Iterable[str]) -> dict[str, pd.DataFrame]:
    folder = results.folder / "tables"
    return {name: results.table(name) for name in names if (folder / f"{name}.csv").is_file()}


def joined_tables(config: StudyConfig) -> dict[str, pd.DataFrame]:
    """Read the tables that are joined from all elements."""
    return _tables(ElementResults(config.results, ALL_ELEMENTS), JOINED)


def element_contents(config: StudyConfig) -> list[Content]:
    """Read tables and notes of all elements."""
    found = []
    for element in config.elements:
        results = ElementResults(config.results, element)
        notes = {
            path.stem: json.loads(path.read_text(encoding="utf-8"))
            for path in sorted((results.folder / "notes").glob("*.json"))
        }
        found.append(Content(element, _tables(results, TABLES), notes))
    return found
