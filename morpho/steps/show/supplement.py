"""Supplement: tables and words as files for the paper, beside the CSV and the figures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from morpho.report.paper.docx import word_tables
from morpho.report.paper.latex import latex_tables
from morpho.report.paper.tables import manuscript_tables, stacked
from morpho.report.paper.workbook import workbook
from morpho.report.words.filters import marked_name
from morpho.report.words.meshes import with_remarks
from morpho.report.words.methods import methods_paragraphs
from morpho.report.words.results import findings, joined_findings
from morpho.report.words.sources import REFERENCES, Reference, bibtex, still_open
from morpho.report.words.verdict import told_of_individuals, told_of_queries
from morpho.report.words.writing import as_markdown, as_plain, cited
from morpho.results.analysed import Analysed
from morpho.results.store import read_analysed, read_tables
from morpho.results.whole import write_whole
from morpho.workflow.provenance import versions

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["FILES", "run", "sources"]

FOLDER = "supplement"

# Each file with what it is.
FILES = {
    "tables.xlsx": "every table of the results, a sheet a table, with a legend of every column",
    "tables.docx": "the main tables, rounded and captioned, for a word processor",
    "tables.tex": "the same for LaTeX",
    "methods.md": "methods and results as they were run, as Markdown with citation keys",
    "methods.txt": "the same as plain text",
    "references.bib": "sources of the methods used, as BibTeX",
}

_PROGRAMS = ("formkin", "Python", "numpy", "scipy", "scikit-learn", "pandas", "snakemake")
_NOTICE = (
    "Written by formkin from the tables of this run. Read it as a draft: the numbers are those of "
    "the tables, the words are yours to change."
)


def _methods_and_results(
    config: StudyConfig, elements: list[Analysed], joined: Mapping[str, pd.DataFrame]
) -> list[tuple[int, str]]:
    """Methods and results as marked text."""
    settings = config.settings
    made = {k: v for k, v in versions().items() if k in _PROGRAMS}
    blocks = [(2, "Methods")]
    blocks += [(0, text) for text in methods_paragraphs(settings, elements, made, joined)]
    blocks.append((2, "Results"))
    told = {one.name: told_of_queries(one.name, one.tables, one.notes) for one in elements}
    for name, paragraphs in findings(settings, elements, told).items():
        blocks.append((3, marked_name(name.replace("_", " "))))
        blocks += [(0, text) for text in paragraphs]
    conclusions = {one.name: one.tables["conclusions"] for one in elements}
    together = joined_findings(joined, told_of_individuals(joined, conclusions))
    if together:
        blocks.append((3, "Elements together"))
        blocks += [(0, text) for text in together]
    begin = [(1, marked_name(settings.title))]
    begin += [(0, marked_name(settings.notice))] if settings.notice else []
    lacking = still_open(sources(blocks))
    return [*begin, (0, f"{_NOTICE} {marked_name(lacking)}" if lacking else _NOTICE), *blocks]


def sources(blocks: Iterable[tuple[int, str]]) -> list[Reference]:
    """Sources that a text cites, sorted by key."""
    keys = set().union(*(cited(text) for _, text in blocks))
    return [REFERENCES[key] for key in sorted(keys)]


def run(config: StudyConfig) -> None:
    """Write workbook, manuscript tables, methods and results, and references."""
    folder, settings = config.results / FOLDER, config.settings
    about: dict[str, Any] = {"title": settings.title, "notice": settings.notice}
    elements = [read_analysed(config.results, element) for element in config.elements]
    tables = {element.name: element.tables for element in elements}
    joined = read_tables(config.results)
    book = workbook(stacked(tables) | dict(joined), **about)
    write_whole(folder / "tables.xlsx", book)
    tables = {name: with_remarks(own) for name, own in tables.items()}
    printed = manuscript_tables(tables, joined)
    write_whole(folder / "tables.docx", word_tables(printed, **about))
    write_whole(folder / "tables.tex", latex_tables(printed, title=settings.title))
    blocks = _methods_and_results(config, elements, joined)
    markdown = [f"{'#' * level}{' ' if level else ''}{as_markdown(text)}" for level, text in blocks]
    write_whole(folder / "methods.md", "\n\n".join(markdown) + "\n")
    write_whole(folder / "methods.txt", "\n\n".join(as_plain(text) for _, text in blocks) + "\n")
    write_whole(folder / "references.bib", bibtex(sources(blocks)))
