"""Draw: one figure from its tables, as SVG, PDF and PNG. Nothing is computed here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.rows import rows_on
from morpho.results.store import ElementResults

if TYPE_CHECKING:
    from morpho.results.describing import Figure
    from morpho.study.settings.config import StudyConfig

__all__ = ["draw", "drawn_by", "is_empty", "run"]

_RENAMED = {"specimen": "query"}


def drawn_by(figure: Figure) -> Callable[..., Any]:
    """The function that draws a figure."""
    module, _, name = figure.drawn_by.partition(":")
    return getattr(import_module(f"morpho.drawing.figures.{module}"), name)


def _needed(
    figure: Figure, config: StudyConfig, results: ElementResults, query: Mapping[str, str]
) -> dict[str, Any]:
    """What a figure is drawn from."""
    sources: dict[str, Callable[[str], Any]] = {
        "table": results.table,
        "arrays": results.arrays,
        "notes": lambda name: results.notes(name.partition(".")[0])[name.partition(".")[2]],
        "settings": lambda name: attrgetter(name)(config.settings),
        "rows": lambda name: rows_on(results.table(name), **query).rename(columns=_RENAMED),
        "query": query.__getitem__,
    }
    whence = {key: source.partition(":") for key, source in figure.needs.items()}
    return {key: sources[kind](name) for key, (kind, _, name) in whence.items()}


def is_empty(figure: Figure, config: StudyConfig, results: ElementResults) -> bool:
    """Whether a figure holds only a message."""
    nothing = getattr(drawn_by(figure), "nothing", None)
    return nothing is not None and nothing(**_needed(figure, config, results, {}))


def draw(
    figure: Figure, config: StudyConfig, results: ElementResults, file: str, **query: str
) -> list[Path]:
    """Write a figure; one of a `specimen`, held against a `taxon`, only where it shows anything."""
    import matplotlib as mpl

    mpl.use("Agg")
    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    drawn, given = drawn_by(figure), _needed(figure, config, results, query)
    if query and drawn.nothing(**given):  # type: ignore[attr-defined]
        return []
    folder = results.folder / "figures"
    with figure_style():
        return save_figure(folder / "queries" if query else folder, file, drawn(**given))


def run(config: StudyConfig, element: str, results: ElementResults, figure: str) -> None:
    """Draw one figure of an element."""
    draw(FIGURES[figure], config, results, figure)
