"""Portray: figures of each query by itself, where it differs and on its own scan."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from morpho.results.store import ElementResults
from morpho.steps.show.file_names import free_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _of(table: pd.DataFrame, specimen: str, taxon: str) -> tuple[pd.DataFrame, bool]:
    """Rows on a query from its nearest taxon, at its own size where there are any."""
    part = table[(table["specimen"] == specimen) & (table["taxon"] == taxon)]
    part = part.rename(columns={"specimen": "query"})
    heeded = bool(part["size_heeded"].any())
    return part[part["size_heeded"] == heeded], heeded


def _figures(
    config: StudyConfig, results: ElementResults, specimen: str, taxon: str
) -> Iterator[tuple[str, Callable[[], Figure]]]:
    """Figures of one query by name, to be drawn one after the other."""
    from morpho.drawing.bone.surface_view import surface_view
    from morpho.drawing.figures import differences, ranges

    choices, alpha = config.settings["figures"], config.settings["tests"]["alpha"]
    towards = results.notes("superimpose")["towards"]
    moved, _ = _of(results.table("displacements"), specimen, taxon)
    if len(moved):
        links = results.notes("slide")["links"]
        yield (
            "displacements",
            lambda: differences.vectors(
                moved, links, towards, alpha=alpha, magnify=choices["magnify"]
            ),
        )
        yield "displacement_ranking", lambda: differences.displacement_ranking(moved, alpha=alpha)
    surfaces = results.arrays("surfaces")
    places = [i for i, name in enumerate(surfaces["query"].tolist()) if name == specimen]
    for place in places:
        label = f"{specimen} beyond the mean of {taxon}" + (
            " at its own size, in mm" if surfaces["size_heeded"][place] else ", in mm"
        )
        values = surfaces[f"beyond_{place}"].astype(float)
        yield (
            "heat",
            lambda place=place, label=label, values=values: surface_view(  # type: ignore[misc]
                surfaces[f"vertices_{place}"].astype(float),
                surfaces[f"faces_{place}"].astype(int),
                towards,
                values=values,
                limit=float(surfaces["limit"][place]),
                within=surfaces[f"within_{place}"],
                label=label,
            ),
        )
    parts, _ = _of(results.table("region_displacements"), specimen, taxon)
    if len(parts):
        yield "regions", lambda: differences.regions(parts)
    ranking = results.table("measurement_ranking")
    ranking = ranking[(ranking["specimen"] == specimen) & (ranking["kind"] == "distance")]
    heeded = bool(ranking["size_heeded"].any())
    ranking = ranking[ranking["size_heeded"] == heeded]
    if len(ranking):
        ranking = ranking.rename(columns={"specimen": "query"})
        beside = results.table("measurement_ranges").rename(columns={"specimen": "query"})
        beside = beside[beside["size_heeded"] == heeded]
        measured = results.table("measurements")
        queries = measured.loc[measured["role"] == "query", "specimen"].unique().tolist()
        moved_to = results.table("measurements_at_size")
        members = (
            moved_to[moved_to["specimen"] == specimen]
            if heeded
            else measured[measured["role"] == "known"]
        )
        yield (
            "measurements",
            lambda: ranges.measurements(
                ranking,
                members,
                beside,
                specimen,
                alpha=alpha,
                queries=queries,
                most=choices["measurements"],
            ),
        )


def run(config: StudyConfig, element: str, results: ElementResults) -> list[Path]:
    """Draw the figures of each query, and list them; the files drawn are told."""
    import matplotlib as mpl

    mpl.use("Agg")
    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    folder, made = results.folder / "figures" / "queries", list[Path]()
    rows: list[dict[str, Any]] = []
    verdicts = results.table("verdicts")
    for row in verdicts[verdicts["nearest_taxon"] != ""].to_dict("records"):
        specimen = str(row["specimen"])
        for figure, draw in _figures(config, results, specimen, str(row["nearest_taxon"])):
            file = free_name(f"{specimen}_{figure}", [row["file"] for row in rows])
            with figure_style():
                made += save_figure(folder, file, draw())
            rows.append({"specimen": specimen, "figure": figure, "file": file})
    results.write_table("portraits", rows)
    return made
