"""The report: one self-contained page made of tables, figures and sentences."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from morpho.report.paper.tables import SAMPLE, cell, cells, sample_counts
from morpho.report.words.differences import difference_words, nothing_passes
from morpho.report.words.trouble import (
    failed_surfaces,
    nothing_to_compare,
    trouble_words,
)
from morpho.report.words.trust import sample_words, trust_words
from morpho.report.words.verdict import noticing_words, told_of_individuals, told_of_queries
from morpho.report.words.writing import as_plain, said
from morpho.results.analysed import Analysed
from morpho.results.describing import Figure, Table
from morpho.results.figures import FIGURES
from morpho.results.questions import QUESTIONS
from morpho.results.rows import rows_on
from morpho.results.tables import JOINED, TABLES
from morpho.study.settings.blocks import Settings
from morpho.viewer.markup import script_digest, viewer_scripts, viewer_style
from morpho.wording import percent
from morpho.workflow.provenance import flat_settings

__all__ = ["ElementContent", "render_page"]

# Section that differs for each query, and how many rows of its tables are shown, or of one.
_OF_QUERIES, _ROWS, _MOST_ROWS = "differs", 20, {"displacements": 40}

# Blocks of study.yaml that the page tells.
_SETTINGS = ("preparation", "shape_space", "model", "tests", "robustness", "figures", "seed")


@dataclass(frozen=True)
class ElementContent(Analysed):
    """What the page shows of one element."""

    figures: Mapping[str, bytes]  # SVG, by path below the folder of figures
    empty: Set[str]  # figures that hold only a message, as there is nothing to show
    viewer: Markup  # the bone in 3D; blank where there is none


def _rows(table: pd.DataFrame, columns: Mapping[str, str]) -> dict[str, Any]:
    """A table for the page: chosen columns under plain headings."""
    body, numeric = cells(table, columns)
    return {"head": list(columns.values()), "body": body, "numeric": numeric}


def _set(value: Any) -> str:
    """A setting as the reader would write it."""
    if isinstance(value, (list, tuple)):
        return ", ".join(_set(entry) for entry in value) or "none"
    return "none" if value is None else cell(value)


def _suspected(elements: Sequence[Analysed]) -> dict[str, str]:
    """Suspected digitisations of each element that has any, for the head of the verdicts."""
    return {
        element.name: as_plain(said("suspicions", "names", rows))
        for element in elements
        if (rows := element.tables["suspicions"].to_dict("records"))
    }


def _noticed(check: pd.DataFrame, elements: Sequence[Analysed]) -> list[dict[Any, Any]]:
    """What the check noticed in the input, and what screening suspects beyond that."""
    told = check.to_dict("records")
    rows: list[dict[Any, Any]] = [*told]
    for element in elements:
        for row in element.tables["suspicions"].to_dict("records"):
            who = {"element": element.name, "specimen": row["specimen"]}
            clause, whole = (
                as_plain(said("suspicions", "proposal", row, within)) for within in (True, False)
            )
            if not any(one.items() >= who.items() and clause in one["found"] for one in told):
                found = {"severity": "suspicion", **who, "found": whole}
                rows.append(dict.fromkeys(check.columns, "") | found)
    return rows


def _tables(tables: Mapping[str, pd.DataFrame], section: str) -> list[dict[str, Any]]:
    """Tables of a section of the page, as it shows them."""
    return [
        {"name": name, "title": about.page, **_rows(tables[name], about.headings("page"))}
        for name, about in (TABLES | JOINED).items()
        if about.page and about.section == section and name in tables
    ]


def _figure(
    about: Figure, svg: bytes, *, file: str = "", specimen: str = "", empty: bool = False
) -> dict[str, Any]:
    """A figure as the page shows it: of a specimen, or with why there is nothing to show."""
    source = "data:image/svg+xml;base64," + base64.b64encode(svg).decode()
    file = file or about.name
    return {"about": about, "source": source, "file": file, "specimen": specimen, "empty": empty}


def _sections(element: ElementContent) -> dict[str, dict[str, Any]]:
    """Title, figures and tables of each section of an element."""
    return {
        key: {
            "title": title,
            "figures": [
                _figure(figure, element.figures[name], empty=name in element.empty)
                for name, figure in FIGURES.items()
                if figure.per == "element" and figure.section == key
                if figure.nothing or name not in element.empty
            ],
            "tables": _tables(element.tables, key) if key != _OF_QUERIES else [],
        }
        for key, title in QUESTIONS.items()
    }


def _query_table(about: Table, part: pd.DataFrame, alpha: float) -> dict[str, Any]:
    """A table on a single query; title and headings say at which size it compares."""
    way = "at its own size" if part["size_heeded"].any() else "as it is"
    nothing = nothing_passes(part, alpha)
    paired = "other_side" not in part or (part["other_side"] != "").any()
    headings = {
        column: head.format(way=way)
        for column, head in about.headings("page").items()
        if paired or column != "other_side"
    }
    return {
        "name": about.name,
        "title": f"{about.page}, {way}{f': {nothing}' if nothing else ''}",
        **_rows(part.head(_MOST_ROWS.get(about.name, _ROWS)), headings),
    }


def _best(table: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """Rows on a query in order, at its own size where there are any, mirror images once."""
    part = rows_on(table, specimen)
    if "kind" in part:
        part = part[part["kind"].isin(["landmark", "distance"])]
    if "counted" in part:
        part = part[part["counted"]]
    return part.sort_values("rank", kind="stable") if "rank" in part else part


def _differences(element: ElementContent, alpha: float) -> list[dict[str, Any]]:
    """For each judged query: sentences, figures, and measurements of note."""
    found = []
    verdicts, portraits = element.tables["verdicts"], element.tables["portraits"]
    for row in verdicts[verdicts["nearest_taxon"] != ""].to_dict("records"):
        specimen = row["specimen"]
        words = difference_words(element.tables, specimen, row["nearest_taxon"], alpha)
        if not words:
            continue
        own = portraits[portraits["specimen"] == specimen].to_dict("records")
        own = sorted(own, key=lambda one: one["figure"] != "heat")  # the whole bone first
        paths = [(FIGURES[one["figure"]], f"queries/{one['file']}") for one in own]
        found.append(
            {
                "specimen": specimen,
                "words": words,
                "failed": failed_surfaces(element, specimen),
                "figures": [
                    _figure(figure, element.figures[path], file=path, specimen=specimen)
                    for figure, path in paths
                ],
                "tables": [
                    _query_table(about, part, alpha)
                    for about in TABLES.values()
                    if about.page and about.section == _OF_QUERIES
                    if len(part := _best(element.tables[about.name], specimen))
                ],
            }
        )
    return found


def _element(element: ElementContent, alpha: float) -> dict[str, Any]:
    counts, specimens = sample_counts(element.tables), element.tables["specimens"]
    conclusions = element.tables["conclusions"]
    return {
        "name": element.name,
        "label": element.name.replace("_", " "),
        "place": f"element-{element.name}",
        "counts": _rows(counts[counts["role"] == "known"], SAMPLE.headings("page")),
        "aside": specimens[~specimens["used"]].to_dict("records"),
        "told": told_of_queries(element.name, element.tables, element.notes),
        "notices": noticing_words(element.tables),
        "conclusions": conclusions.set_index("specimen").to_dict("index"),
        "facts": " ".join(sample_words(element)),
        "trust": trust_words(element, alpha),
        "trouble": trouble_words(element),
        "lacking": as_plain(nothing_to_compare(element)),
        "sections": _sections(element),
        "differences": _differences(element, alpha),
        "meshes": _rows(element.tables["meshes"], TABLES["meshes"].headings("page")),
        "viewer": element.viewer,
        "notes": element.notes,
    }


def render_page(
    *,
    settings: Settings,
    elements: Sequence[ElementContent],
    joined: Mapping[str, pd.DataFrame],
    proportions: bytes,
    check: pd.DataFrame,
    versions: Mapping[str, str],
    changes: Mapping[str, Sequence[Mapping[str, Any]]],
    provenance: Mapping[str, Any],
    not_digitised: Sequence[str] = (),
    published: Sequence[str] = (),
) -> str:
    """Make the page, complete in itself.

    `proportions` is the SVG of relative sizes of elements, `changes` those of `compared` since
    the last complete run; `not_digitised` are queries of which no element is digitised, and
    `published` says which columns of the user's tables are published.
    """
    made = [_element(element, settings.tests.alpha) for element in elements]
    conclusions = {element.name: element.tables["conclusions"] for element in elements}
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = as_plain
    environment.globals["said"] = said
    plain, in_3d = settings.plain(), any(element.viewer for element in elements)
    shown = flat_settings({name: plain[name] for name in _SETTINGS})
    figure = _figure(FIGURES["proportions"], proportions)
    return environment.get_template("page.html.jinja").render(
        percent=percent,
        not_digitised=not_digitised,
        published=published,
        queries=sorted({name for element in made for name in element["told"]}),
        together=told_of_individuals(joined, conclusions),
        joined=_tables(joined, "together"),
        elements=made,
        suspected=_suspected(elements),
        noticed=_noticed(check, elements),
        settings=settings,
        settings_shown={key.replace(".", ": "): _set(value) for key, value in shown.items()},
        versions=versions,
        data_title=QUESTIONS["data"],
        proportions=figure if len(joined["proportions"]) else None,
        changes=changes,
        provenance=provenance,
        script_digest=script_digest(),
        viewer_style=viewer_style() if in_3d else "",
        viewer_scripts=viewer_scripts() if in_3d else "",
    )
