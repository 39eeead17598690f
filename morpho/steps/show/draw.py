"""Draw: one figure from its tables, as SVG, PDF and PNG. Nothing is computed here."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.store import ElementResults

if TYPE_CHECKING:
    import pandas as pd

    from morpho.results.describing import Figure
    from morpho.study.settings.config import StudyConfig

__all__ = ["drawn_by", "needed", "run"]


def drawn_by(figure: Figure) -> Callable[..., Any]:
    """The function that draws a figure."""
    module, _, name = figure.drawn_by.partition(":")
    return getattr(import_module(f"morpho.drawing.figures.{module}"), name)


def _rows_on(table: pd.DataFrame, query: dict[str, str]) -> pd.DataFrame:
    """Rows on a query from its nearest taxon, at its own size where there are any."""
    part = table[(table["specimen"] == query["specimen"]) & (table["taxon"] == query["taxon"])]
    part = part.rename(columns={"specimen": "query"})
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]


def needed(
    figure: Figure, config: StudyConfig, results: ElementResults, **query: str
) -> dict[str, Any]:
    """What a figure is drawn from."""

    def notes(name: str) -> Any:
        step, key = name.split(".")
        return results.notes(step)[key]

    sources: dict[str, Callable[[str], Any]] = {
        "table": results.table,
        "arrays": results.arrays,
        "notes": notes,
        "settings": lambda name: attrgetter(name)(config.settings),
        "rows": lambda name: _rows_on(results.table(name), query),
        "query": query.__getitem__,
    }
    whence = {key: source.partition(":") for key, source in figure.needs.items()}
    return {key: sources[kind](name) for key, (kind, _, name) in whence.items()}


def run(config: StudyConfig, element: str, results: ElementResults, figure: str) -> None:
    """Draw one figure of an element."""
    import matplotlib as mpl

    mpl.use("Agg")
    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    about = FIGURES[figure]
    with figure_style():
        made = drawn_by(about)(**needed(about, config, results))
        save_figure(results.folder / "figures", figure, made)
