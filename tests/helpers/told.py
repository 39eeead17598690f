"""What the page and the paper say of each query, made of the tables that a study has."""

from __future__ import annotations

from typing import Any

import pandas as pd

from morpho.report.words.verdict import told_of_individuals, told_of_queries
from morpho.report.words.writing import as_plain, said
from morpho.results.store import ALL_ELEMENTS, ElementResults
from morpho.results.tables import JOINED
from morpho.study.settings.config import StudyConfig

__all__ = ["change_words", "individuals_told", "words_of"]

_READ = (
    "verdicts", "grounds", "grounds_by_taxon", "membership", "conclusions", "specimens",
    "suspicions", "stability", "stability_summary", "trajectories", "specimens_to_decide",
    "calibration_summary", "calibration", "noticing", "specimen_error", "estimated_points",
)  # fmt: skip


def words_of(results: ElementResults, table: str = "conclusions") -> pd.DataFrame:
    """A table of an element with its words: `verdicts` or `conclusions`."""
    tables = {name: results.table(name) for name in _READ}
    notes = {step: results.notes(step) for step in ("prepare", "place")}
    told = told_of_queries(results.element, tables, notes)
    words = {
        part: [as_plain(getattr(told[name], part)) for name in tables[table]["specimen"]]
        for part in ("answer", "step", "reason", "tried")
    }
    return tables[table].assign(**words)


def individuals_told(config: StudyConfig) -> pd.DataFrame:
    """The table of individuals with its words."""
    joined = ElementResults(config.results, ALL_ELEMENTS)
    conclusions = {
        element: ElementResults(config.results, element).table("conclusions")
        for element in config.elements
    }
    tables = {name: joined.table(name) for name in JOINED}
    told = told_of_individuals(tables, conclusions)
    individuals = tables["individuals"]
    return individuals.assign(paragraph=[as_plain(told[name]) for name in individuals["specimen"]])


def change_words(changes: dict[str, list[dict[str, Any]]]) -> dict[str, list[str]]:
    """What changed between two runs, as the page says it."""
    return {
        element: [as_plain(said("changes", "change", row)) for row in rows]
        for element, rows in changes.items()
    }
