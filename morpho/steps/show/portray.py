"""Portray: figures of each query by itself, where it differs and on its own scan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.store import ElementResults
from morpho.steps.show.draw import draw
from morpho.study.reading.paths import free_name

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> list[Path]:
    """Draw the figures of each query, and list them; the files drawn are told."""
    made: list[Path] = []
    rows: list[dict[str, Any]] = []
    verdicts = results.table("verdicts")
    judged = verdicts[verdicts["nearest_taxon"] != ""]
    for specimen, taxon in zip(judged["specimen"], judged["nearest_taxon"], strict=True):
        for figure in (one for one in FIGURES.values() if one.per == "query"):
            file = free_name(f"{specimen}_{figure.name}", [row["file"] for row in rows])
            drawn = draw(figure, config, results, file, specimen=specimen, taxon=taxon)
            if drawn:
                rows.append({"specimen": specimen, "figure": figure.name, "file": file})
            made += drawn
    results.write_table("portraits", rows)
    return made
