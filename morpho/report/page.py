"""The report: one self-contained page made of tables, figures and sentences."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from morpho.report.paper.tables import SAMPLE, cell, cells, sample_counts
from morpho.report.words.differences import difference_words, nothing_passes
from morpho.report.words.suspicions import suspects
from morpho.report.words.trouble import (
    failed_surfaces,
    nothing_to_compare,
    sentence,
    small_taxa,
    trouble_words,
)
from morpho.report.words.trust import sample_facts, trust_words
from morpho.report.words.verdict import noticing_words, told_of_individuals, told_of_queries
from morpho.report.words.writing import as_html, as_plain, said
from morpho.results.describing import Table
from morpho.results.figures import FIGURES
from morpho.results.questions import QUESTIONS
from morpho.results.tables import JOINED, TABLES
from morpho.study.settings.blocks import Settings
from morpho.viewer.markup import script_digest, viewer_scripts, viewer_style
from morpho.wording import percent

__all__ = ["ElementContent", "render_page"]

# Section that differs for each query, and how many rows of its tables are shown.
_OF_QUERIES, _MOST_ROWS = "differs", {"displacements": 40}
_ROWS = 20

# Blocks of study.yaml that the page tells.
_SETTINGS = ("preparation", "shape_space", "model", "tests", "robustness", "figures", "seed")

_TEMPLATES = Path(__file__).parent


@dataclass(frozen=True)
class ElementContent:
    """What the page shows of one element.

    Attributes
    ----------
    name : str
    tables : mapping of str to DataFrame
    notes : mapping of str to mapping
    figures : mapping of str to bytes
        SVG files.
    without : set of str
        Figures that hold only a message, as there is nothing to show.
    portraits : mapping of str to bytes
        SVG files of the figures of single queries, by the file of the table `portraits`.
    viewer : Markup
        The bone in 3D; blank where there is none.
    """

    name: str
    tables: Mapping[str, pd.DataFrame]
    notes: Mapping[str, Mapping[str, Any]]
    figures: Mapping[str, bytes]
    without: Set[str]
    portraits: Mapping[str, bytes]
    viewer: Markup


def _rows(table: pd.DataFrame, columns: Mapping[str, str]) -> dict[str, Any]:
    """A table for the page: chosen columns under plain headings."""
    body, numeric = cells(table, columns)
    return {"head": list(columns.values()), "body": body, "numeric": numeric}


def _set(value: Any) -> str:
    """A setting as the reader would write it."""
    if isinstance(value, (list, tuple)):
        return ", ".join(_set(entry) for entry in value) or "none"
    return "none" if value is None else cell(value)


def _settings(settings: Mapping[str, Any], above: str = "") -> list[tuple[str, str]]:
    """Every setting, under its keys from the outermost to its own."""
    found = []
    for key, value in settings.items():
        if isinstance(value, Mapping):
            found += _settings(value, f"{above}{key}: ")
        else:
            found.append((f"{above}{key}", _set(value)))
    return found


def _picture(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode()


def _verdicts(
    elements: Sequence[ElementContent], joined: Mapping[str, pd.DataFrame]
) -> list[dict[str, Any]]:
    """Cards of the first section: queries in order, an entry for each element."""
    cards: dict[str, list[dict[str, Any]]] = {}
    for element in elements:
        told = told_of_queries(element.name, element.tables, element.notes)
        notices = as_html(noticing_words(element.tables))
        for row in element.tables["conclusions"].to_dict("records"):
            cards.setdefault(str(row["specimen"]), []).append(
                {
                    "element": element.name,
                    "verdict": row["verdict"],
                    "words": as_html(told[row["specimen"]].answer),
                    "step": as_html(told[row["specimen"]].step),
                    "notices": notices if row["nearest_taxon"] else "",
                    "reason": as_html(told[row["specimen"]].reason),
                    "more": as_html(told[row["specimen"]].tried),
                }
            )
    conclusions = {element.name: element.tables["conclusions"] for element in elements}
    words = told_of_individuals(joined, conclusions)
    return [
        {
            "specimen": name,
            "entries": cards[name],
            "together": as_html(words.get(name, "")) if len(cards[name]) > 1 else "",
        }
        for name in sorted(cards)
    ]


def _suspected(elements: Sequence[ElementContent]) -> list[dict[str, str]]:
    """Suspected digitisations of each element that has any, for the head of the verdicts."""
    return [
        {
            "label": element.name.replace("_", " "),
            "names": as_plain(said("suspicions", "names", suspects(element.tables["suspicions"]))),
        }
        for element in elements
        if len(element.tables["suspicions"])
    ]


def _noticed(check: pd.DataFrame, elements: Sequence[ElementContent]) -> list[dict[Any, Any]]:
    """What the check noticed in the input, and what screening suspects beyond that."""
    rows: list[dict[Any, Any]] = [*check.to_dict("records")]
    told = [(row["element"], row["specimen"], str(row["found"])) for row in rows]
    for element in elements:
        for row in element.tables["suspicions"].to_dict("records"):
            who = element.name, row["specimen"]
            text, whole = (
                as_plain(said("suspicions", "proposal", row, within)) for within in (True, False)
            )
            if any(key[:2] == who and text in key[2] for key in told):
                continue
            suspected = dict(severity="suspicion", element=who[0], specimen=who[1])
            rows.append(dict.fromkeys(check.columns, "") | suspected | {"found": whole})
    return rows


def _sample(element: ElementContent) -> dict[str, Any]:
    """Who took part in an element, on which landmarks."""
    table = element.tables["specimens"]
    used = table["used"]
    counts = sample_counts(element.tables)
    counts = counts[counts["role"] == "known"]
    share = element.notes["prepare"]["missing"]["smallest_share"]
    landmarks = element.tables["landmarks"]
    kept = landmarks["used"]
    return {
        "counts": _rows(counts, SAMPLE.headings("page")),
        "aside": [
            {
                "specimen": row["specimen"],
                "role": row["role"],
                "reason": as_plain(said("trust", "set_aside", row | {"smallest_share": share})),
            }
            for row in table[~used].to_dict("records")
        ],
        "mirrored": int(table.loc[used, "mirrored"].sum()),
        "averaged": int((table.loc[used, "digitisations"] > 1).sum()),
        "landmarks": int(kept.sum()),
        "dropped": landmarks.loc[~kept, "landmark"].tolist(),
        "all_landmarks": len(landmarks),
    }


def _shown(tables: Mapping[str, pd.DataFrame], about: Table) -> dict[str, Any]:
    """A table as the page shows it."""
    headings = about.headings("page")
    return {"name": about.name, "title": about.page, **_rows(tables[about.name], headings)}


def _of_section(element: ElementContent, key: str) -> list[dict[str, Any]]:
    """Tables of a section of the page."""
    return [
        _shown(element.tables, about)
        for about in TABLES.values()
        if about.page and about.section == key != _OF_QUERIES
    ]


def _figures(element: ElementContent, section: str) -> list[dict[str, Any]]:
    """Figures of a section, each with how to read it, or why there is nothing to show."""
    found = []
    for name, figure in FIGURES.items():
        empty = name in element.without
        if figure.per != "element" or figure.section != section or (empty and not figure.nothing):
            continue
        if empty:
            why = f"There is nothing to show: {figure.nothing}."
            figure = replace(figure, caption=why, alternative=f"{figure.title}: {why}")
        found.append({"about": figure, "source": _picture(element.figures[name])})
    return found


def _sections(element: ElementContent) -> list[dict[str, Any]]:
    sections = []
    for key, title in list(QUESTIONS.items())[1:]:
        tables = _of_section(element, key)
        lacking = as_plain(nothing_to_compare(element)) if key == "groups" else ""
        section = {
            "key": key,
            "title": title,
            "nothing": f"{lacking}: nothing to compare." if lacking else "",
            "figures": [] if lacking else _figures(element, key),
            "tables": [] if lacking else [table for table in tables if table["body"]],
        }
        sections.append(section)
    return sections


def _portrait(element: ElementContent, row: Mapping[Any, Any]) -> dict[str, Any]:
    figure, specimen, file = FIGURES[row["figure"]], row["specimen"], row["file"]
    about = replace(
        figure,
        name=f"queries/{file}",
        title=f"{figure.title}: {specimen}",
        alternative=f"{figure.alternative}: {specimen}",
    )
    return {"about": about, "source": _picture(element.portraits[file])}


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


def _differences(element: ElementContent, alpha: float) -> list[dict[str, Any]]:
    """For each judged query: sentences, figures, and measurements of note."""
    found = []
    verdicts, portraits = element.tables["verdicts"], element.tables["portraits"]
    for row in verdicts[verdicts["nearest_taxon"] != ""].to_dict("records"):
        specimen, taxon = str(row["specimen"]), str(row["nearest_taxon"])
        words = difference_words(element.tables, specimen, taxon, alpha)
        if not words:
            continue
        own = portraits[portraits["specimen"] == specimen].to_dict("records")
        own = sorted(own, key=lambda one: one["figure"] != "heat")  # the whole bone first
        found.append(
            {
                "specimen": specimen,
                "taxon": taxon,
                "words": words,
                "failed": failed_surfaces(element, specimen),
                "figures": [_portrait(element, one) for one in own],
                "tables": [
                    _query_table(about, part, alpha)
                    for about in TABLES.values()
                    if about.page and about.section == _OF_QUERIES
                    if len(part := _best(element.tables[about.name], specimen))
                ],
            }
        )
    return found


def _best(table: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """Rows on a query in order, at its own size where there are any, mirror images once."""
    part = table[table["specimen"] == specimen]
    part = part[part["size_heeded"] == bool(part["size_heeded"].any())]
    if "kind" in part:
        part = part[part["kind"].isin(["landmark", "distance"])]
    if "counted" in part:
        part = part[part["counted"]]
    return part.sort_values("rank", kind="stable") if "rank" in part else part


def _element(element: ElementContent, alpha: float) -> dict[str, Any]:
    sample, prepared = _sample(element), dict(element.notes["prepare"])
    return {
        "name": element.name,
        "label": element.name.replace("_", " "),
        "place": f"element-{element.name}",
        "sample": sample,
        "facts": " ".join(
            sample_facts(
                sample,
                prepared | {"description": sentence(prepared["description"])},
                element.notes["slide"],
                element.notes["superimpose"]["symmetric"],
            )
        ),
        "trust": trust_words(element.tables, element.notes, alpha),
        "trust_tables": _of_section(element, "data"),
        "trust_figures": _figures(element, "data"),
        "trouble": [*trouble_words(element), *small_taxa(element)],
        "sections": _sections(element),
        "differences": _differences(element, alpha),
        "meshes": _rows(element.tables["meshes"], TABLES["meshes"].headings("page")),
        "mesh_files": element.tables["meshes"]["file"].tolist(),
        "viewer": element.viewer,
        "notes": element.notes,
    }


def render_page(
    *,
    title: str,
    notice: str,
    settings: Settings,
    elements: Sequence[ElementContent],
    joined: Mapping[str, pd.DataFrame],
    proportions: bytes,
    check: pd.DataFrame,
    versions: Mapping[str, str],
    changes: Mapping[str, Sequence[str]],
    provenance: Mapping[str, Any],
    not_digitised: Sequence[str] = (),
) -> str:
    """Make the page.

    Parameters
    ----------
    title, notice : str
    settings : mapping
        The settings of study.yaml.
    elements : sequence of ElementContent
    joined : mapping of str to DataFrame
        Tables that join all elements.
    proportions : bytes
        SVG of relative sizes of elements; shown where there are any.
    check : DataFrame
        What the check noticed.
    versions : mapping of str to str
    changes : mapping of str to sequence of str
        What changed since the last complete run, by element.
    provenance : mapping
        What the results are made of.
    not_digitised : sequence of str
        Queries of which no element is digitised.

    Returns
    -------
    str
        HTML, complete in itself.
    """
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html.jinja").render(
        title=title,
        notice=notice,
        caution=as_html(said("verdict", "caution")),
        percent=percent,
        uncorrected=as_plain(said("methods_verdict", "uncorrected", settings.tests.alpha)),
        not_digitised=not_digitised,
        verdicts=_verdicts(elements, joined),
        joined=[_shown(joined, about) for about in JOINED.values() if about.page],
        elements=[
            _element(element, settings.tests.alpha) | {"magnify": settings.figures.magnify}
            for element in elements
        ],
        suspected=_suspected(elements),
        noticed=_noticed(check, elements),
        settings=settings,
        settings_shown=_settings({name: settings.plain()[name] for name in _SETTINGS}),
        versions=versions,
        data_title=QUESTIONS["data"],
        proportions=(
            {"about": FIGURES["proportions"], "source": _picture(proportions)}
            if len(joined["proportions"])
            else None
        ),
        changes=changes,
        provenance=provenance,
        script_digest=script_digest(),
        viewer_style=viewer_style() if any(element.viewer for element in elements) else "",
        viewer_scripts=viewer_scripts() if any(element.viewer for element in elements) else "",
    )
