"""Report: the page, and the words about the tables beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from morpho.report.page import ElementContent, render_page
from morpho.report.words.meshes import with_remarks
from morpho.results.figures import FIGURES
from morpho.results.readme import readme
from morpho.results.store import ALL_ELEMENTS, ElementResults, read_analysed, read_tables
from morpho.results.whole import write_whole
from morpho.steps.provenance import record
from morpho.steps.show.draw import is_empty
from morpho.steps.show.finish import changes_since_last_run
from morpho.steps.show.scene import element_viewer
from morpho.study.checks.publication import publication_words
from morpho.study.specimens import read_specimens

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

_PROGRAMS = (
    "formkin", "numpy", "scipy", "scikit-learn", "pandas", "matplotlib", "trimesh", "snakemake",
)  # fmt: skip


def _content(config: StudyConfig, element: str) -> ElementContent:
    results, found = ElementResults(config.results, element), read_analysed(config.results, element)
    drawn = [name for name, figure in FIGURES.items() if figure.per == "element"]
    paths = [*drawn, *(f"queries/{file}" for file in found.tables["portraits"]["file"])]
    return ElementContent(
        element,
        with_remarks(found.tables),
        found.notes,
        {path: (results.folder / "figures" / f"{path}.svg").read_bytes() for path in paths},
        {name for name in drawn if is_empty(FIGURES[name], config, results)},
        element_viewer(config, results),
    )


def _not_digitised(config: StudyConfig, elements: Sequence[ElementContent]) -> list[str]:
    """Queries of the specimen table of which no bone is digitised."""
    table = read_specimens(config)
    digitised = {str(name) for e in elements for name in e.tables["specimens"]["specimen"]}
    queries = table.index[table["role"] == "query"]
    return sorted({str(name) for name in queries} - digitised)


def run(config: StudyConfig) -> None:
    """Write report.html and README.md into the results."""
    check = pd.read_csv(config.results / "check.csv", dtype=str, keep_default_na=False)
    made = record(config, times=False)
    elements = [_content(config, element) for element in config.elements]
    proportions = config.results / ALL_ELEMENTS / "figures" / "proportions.svg"
    page = render_page(
        settings=config.settings,
        elements=elements,
        proportions=proportions.read_bytes(),
        joined=read_tables(config.results),
        check=check,
        changes=changes_since_last_run(config, elements),
        provenance=made,
        published=publication_words(config),
        not_digitised=_not_digitised(config, elements),
        versions={name: made["versions"][name] for name in _PROGRAMS},
    )
    write_whole(config.results / "README.md", readme())
    write_whole(config.results / "report.html", page)
