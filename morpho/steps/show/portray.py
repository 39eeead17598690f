"""Portray: figures of each query by itself, where it differs and on its own scan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.store import ElementResults
from morpho.steps.show.draw import drawn_by, needed
from morpho.steps.show.file_names import free_name

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> list[Path]:
    """Draw the figures of each query, and list them; the files drawn are told."""
    import matplotlib as mpl

    mpl.use("Agg")
    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    folder, made = results.folder / "figures" / "queries", list[Path]()
    rows: list[dict[str, Any]] = []
    verdicts = results.table("verdicts")
    judged = verdicts[verdicts["nearest_taxon"] != ""]
    for specimen, taxon in zip(judged["specimen"], judged["nearest_taxon"], strict=True):
        for figure in FIGURES.values():
            if figure.per != "query":
                continue
            draw = drawn_by(figure)
            given = needed(figure, config, results, specimen=specimen, taxon=taxon)
            if draw.nothing(**given):  # type: ignore[attr-defined]
                continue
            file = free_name(f"{specimen}_{figure.name}", [row["file"] for row in rows])
            with figure_style():
                made += save_figure(folder, file, draw(**given))
            rows.append({"specimen": specimen, "figure": figure.name, "file": file})
    results.write_table("portraits", rows)
    return made
