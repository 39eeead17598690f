"""The report: one self-contained page made of tables, figures and sentences."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from morpho.report.captions import CAPTIONS
from morpho.report.trust import trust_words
from morpho.report.words import CAUTION, counted, number, sample_facts

__all__ = ["SECTIONS", "ElementContent", "render_page"]

# Order of the sections of an element, each with the figures in it.
SECTIONS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("membership", "Does it belong to a known taxon?", ("distances",)),
    ("space", "Shape space", ("shape_space", "axis_shapes", "variance_per_axis", "mean_shape")),
    ("growth", "Growth", ("growth",)),
    ("groups", "Do the known taxa differ?", ("canonical_axes",)),
)

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
    """

    name: str
    tables: Mapping[str, pd.DataFrame]
    notes: Mapping[str, Mapping[str, Any]]
    figures: Mapping[str, bytes]


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    return str(value)


def _rows(table: pd.DataFrame, columns: Mapping[str, str]) -> dict[str, Any]:
    """A table for the page: chosen columns under plain headings."""
    chosen = table[list(columns)]
    body = [[_cell(value) for value in row] for row in chosen.astype(object).to_numpy().tolist()]
    numeric = [pd.api.types.is_numeric_dtype(table[c]) and table[c].dtype != bool for c in columns]
    return {"head": list(columns.values()), "body": body, "numeric": numeric}


_SHOWN: dict[str, tuple[str, str, dict[str, str]]] = {
    "digitising_error": (
        "data",
        "Digitising error: Procrustes ANOVA of replicates",
        {
            "source": "source",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "mean_square": "mean square",
            "f_ratio": "F",
            "p_value": "p",
        },
    ),
    "asymmetry": (
        "data",
        "Sides: Procrustes ANOVA",
        {
            "source": "source",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "mean_square": "mean square",
            "f_ratio": "F",
            "p_value": "p",
        },
    ),
    "recovery": (
        "data",
        "Hide and seek: how well hidden landmarks are found",
        {
            "landmark": "landmark",
            "estimated_by": "estimated by",
            "error_mm": "error (mm)",
            "error_in_spread": "error in SD within taxa",
            "coverage": "coverage (0.9 expected)",
        },
    ),
    "membership": (
        "membership",
        "The evidence, taxon by taxon",
        {
            "specimen": "query",
            "size_heeded": "size heeded",
            "taxon": "taxon",
            "taxon_specimens": "n",
            "procrustes_distance": "Procrustes distance",
            "mahalanobis_distance": "Mahalanobis distance",
            "typicality_probability": "typicality probability",
            "rank_p_value": "rank p",
            "axes_rank_p_value": "rank p on the axes",
            "rank_floor": "their floor",
            "own_spread_p_value": "own-spread p",
            "pooled_rank_p_value": "pooled rank p",
            "pooled_rank_floor": "its floor",
            "p_value": "p against",
            "posterior_probability": "posterior (apart)",
        },
    ),
    "model_terms": (
        "growth",
        "Linear model of shape, terms in order",
        {
            "term": "term",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "share_of_variance": "share of variance",
            "f_ratio": "F",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "slopes": (
        "growth",
        "Do taxa share one growth line? (last term before the residual)",
        {
            "term": "term",
            "degrees_of_freedom": "degrees of freedom",
            "share_of_variance": "share of variance",
            "f_ratio": "F",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "group_criteria": (
        "groups",
        "Multivariate criteria on the axes retained",
        {
            "size_heeded": "size heeded",
            "criterion": "criterion",
            "value": "value",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "pairwise_distances": (
        "groups",
        "Distances between mean shapes",
        {
            "size_heeded": "size heeded",
            "first": "taxon",
            "second": "and taxon",
            "distance": "Procrustes distance",
            "p_value": "p",
            "p_value_holm": "p after Holm",
        },
    ),
    "accuracy": (
        "groups",
        "Known specimens put in a taxon by models without them",
        {
            "size_heeded": "size heeded",
            "specimens": "specimens",
            "correct": "correct",
            "share_correct": "share",
            "chance_corrected": "above chance (kappa)",
        },
    ),
    "confusion": (
        "groups",
        "Where they were put",
        {
            "size_heeded": "size heeded",
            "taxon": "taxon",
            "assigned_to": "put in",
            "specimens": "specimens",
        },
    ),
}


def _picture(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode()


def _verdicts(elements: Sequence[ElementContent]) -> list[dict[str, Any]]:
    """Cards of the first section: queries in order, an entry for each element."""
    cards: dict[str, list[dict[str, Any]]] = {}
    for element in elements:
        for row in element.tables["verdicts"].to_dict("records"):
            cards.setdefault(str(row["specimen"]), []).append(
                {
                    "element": element.name,
                    "verdict": row["verdict"],
                    "reason": row["reason"],
                    "nearest": row["nearest_taxon"],
                    "judged": row["verdict_as_it_is"] != "",
                }
            )
    return [{"specimen": name, "entries": cards[name]} for name in sorted(cards)]


def _sample(element: ElementContent) -> dict[str, Any]:
    """Who took part in an element, on which landmarks."""
    table = element.tables["specimens"]
    used = table["used"]
    known = table["role"] == "known"
    counts = pd.DataFrame(
        {
            "taxon": sorted(table.loc[known, "taxon"].unique()),
        }
    )
    counts["digitised"] = [int((known & (table["taxon"] == t)).sum()) for t in counts["taxon"]]
    counts["used"] = [int((known & used & (table["taxon"] == t)).sum()) for t in counts["taxon"]]
    landmarks = element.tables["landmarks"]
    kept = landmarks["used"]
    return {
        "counts": _rows(counts, {"taxon": "taxon", "digitised": "digitised", "used": "used"}),
        "aside": table.loc[~used, ["specimen", "role", "reason"]].to_dict("records"),
        "mirrored": int(table["mirrored"].sum()),
        "averaged": int((table["digitisations"] > 1).sum()),
        "landmarks": int(kept.sum()),
        "dropped": landmarks.loc[~kept, "landmark"].tolist(),
        "all_landmarks": len(landmarks),
    }


def _trouble(element: ElementContent) -> list[str]:
    """What could not be computed, and who was left out of tests between taxa."""
    said = [text for notes in element.notes.values() for text in notes.get("trouble", [])]
    small = element.notes["compare"].get("left_out", {})
    said += [
        f"{taxon} has {counted(count, 'specimen')} and takes no part in tests between taxa."
        for taxon, count in sorted(small.items())
    ]
    return said


def _shown(element: ElementContent, key: str) -> list[dict[str, Any]]:
    """Tables of a section of the page."""
    return [
        {"name": name, "title": words, **_rows(element.tables[name], columns)}
        for name, (place, words, columns) in _SHOWN.items()
        if place == key
    ]


def _sections(element: ElementContent) -> list[dict[str, Any]]:
    sections = []
    for key, title, figures in SECTIONS:
        tables = _shown(element, key)
        pictures = [
            {"name": name, "caption": CAPTIONS[name], "source": _picture(element.figures[name])}
            for name in figures
        ]
        sections.append({"key": key, "title": title, "figures": pictures, "tables": tables})
    return sections


def _element(element: ElementContent) -> dict[str, Any]:
    sample = _sample(element)
    return {
        "name": element.name,
        "label": element.name.replace("_", " "),
        "sample": sample,
        "facts": sample_facts(
            sample,
            element.notes["prepare"],
            element.notes["slide"],
            element.notes["superimpose"]["symmetric"],
        ),
        "trust": trust_words(element.tables, element.notes),
        "trust_tables": _shown(element, "data"),
        "trust_figures": [
            {"name": name, "caption": CAPTIONS[name], "source": _picture(element.figures[name])}
            for name in ("landmark_error", "distortion")
            if name != "distortion" or len(element.tables["distortion_shapes"])
        ],
        "trouble": _trouble(element),
        "sections": _sections(element),
        "notes": element.notes,
    }


def render_page(
    *,
    title: str,
    notice: str,
    settings: Mapping[str, Any],
    elements: Sequence[ElementContent],
    check: pd.DataFrame,
    versions: Mapping[str, str],
) -> str:
    """Make the page.

    Parameters
    ----------
    title, notice : str
    settings : mapping
        The settings of study.yaml.
    elements : sequence of ElementContent
    check : DataFrame
        What the check noticed.
    versions : mapping of str to str

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
        caution=CAUTION,
        verdicts=_verdicts(elements),
        elements=[
            _element(element) | {"magnify": settings["figures"]["magnify"]} for element in elements
        ],
        noticed=check.to_dict("records"),
        settings=settings,
        versions=versions,
    )
