"""Report: the page, and the words about the tables beside it."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING

import pandas as pd

from morpho import __version__
from morpho.report.page import ElementContent, render_page
from morpho.report.words.changes import change_words
from morpho.report.words.meshes import with_remarks
from morpho.results.figures import FIGURES
from morpho.results.readme import readme
from morpho.results.store import ALL_ELEMENTS, ElementResults
from morpho.results.tables import JOINED, TABLES
from morpho.results.whole import whole
from morpho.steps.provenance import record
from morpho.steps.show.draw import drawn_by, needed
from morpho.steps.show.finish import changes_since_last_run
from morpho.steps.show.scene import element_viewer
from morpho.study.specimens import read_specimens

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

_NOTES = (
    "screen", "prepare", "slide", "measure", "superimpose", "ordinate", "grow", "compare",
    "discriminate", "place", "differ",
)  # fmt: skip
_PACKAGES = ("numpy", "scipy", "scikit-learn", "pandas", "matplotlib", "trimesh", "snakemake")


def _content(config: StudyConfig, element: str) -> ElementContent:
    results = ElementResults(config.results, element)
    figures = results.folder / "figures"
    portraits = results.table("portraits")["file"]
    drawn = [name for name, figure in FIGURES.items() if figure.per == "element"]
    notes = {name: results.notes(name) for name in _NOTES}
    tables = with_remarks({name: results.table(name) for name in TABLES})
    return ElementContent(
        element,
        tables,
        notes,
        {name: (figures / f"{name}.svg").read_bytes() for name in drawn},
        _without(config, results, drawn),
        {name: (figures / "queries" / f"{name}.svg").read_bytes() for name in portraits},
        element_viewer(config, results),
    )


def _without(config: StudyConfig, results: ElementResults, drawn: Sequence[str]) -> set[str]:
    """Figures that hold only a message."""
    found = set()
    for name in drawn:
        nothing = getattr(drawn_by(FIGURES[name]), "nothing", None)
        if nothing is not None and nothing(**needed(FIGURES[name], config, results)):
            found.add(name)
    return found


def _not_digitised(config: StudyConfig, elements: Sequence[ElementContent]) -> list[str]:
    """Queries of the specimen table of which no bone is digitised."""
    table = read_specimens(config)
    digitised = {str(name) for e in elements for name in e.tables["specimens"]["specimen"]}
    queries = table.index[table["role"] == "query"]
    return sorted({str(name) for name in queries} - digitised)


def run(config: StudyConfig) -> None:
    """Write report.html and README.md into the results."""
    check = pd.read_csv(config.results / "check.csv", dtype=str, keep_default_na=False)
    joined = ElementResults(config.results, ALL_ELEMENTS)
    elements = [_content(config, element) for element in config.elements]
    page = render_page(
        title=config.settings.title,
        notice=config.settings.notice,
        settings=config.settings,
        elements=elements,
        proportions=(joined.folder / "figures" / "proportions.svg").read_bytes(),
        joined={name: joined.table(name) for name in JOINED},
        check=check,
        changes=change_words(changes_since_last_run(config, elements)),
        provenance=record(config, times=False),
        not_digitised=_not_digitised(config, elements),
        versions={"formkin": __version__} | {name: version(name) for name in _PACKAGES},
    )
    with whole(config.results / "README.md") as temporary:
        temporary.write_text(readme(), encoding="utf-8")
    with whole(config.results / "report.html") as temporary:
        temporary.write_text(page, encoding="utf-8")
