"""What the methods section is made of: rows and counts, picked from tables, notes and settings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.inference.membership.calibrated import WIDENED
from morpho.inference.models.slopes import FEWEST
from morpho.inference.robustness.noticing import ENOUGH
from morpho.report.words.writing import paragraphs, said
from morpho.results.analysed import Analysed

__all__ = ["methods_paragraphs"]

Elements = Sequence[Analysed]
Tables = Mapping[str, pd.DataFrame]


def _stacked(elements: Elements, table: str) -> pd.DataFrame:
    """Rows of all elements, with the name of each in `element`; no columns where there are none."""
    parts = [
        e.tables[table].assign(element=e.name) for e in elements if len(e.tables.get(table, ()))
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _sample(element: Analysed) -> dict[str, Any]:
    """Who was analysed, and on what."""
    table, slide = element.tables["specimens"], element.notes["slide"]
    landmarks, kinds = element.tables["landmarks"]["used"], element.tables["mean_shape"]["kind"]
    smallest = element.notes["prepare"]["missing"]["smallest_share"]
    used = table[table["used"]]
    known = used[used["role"] == "known"]
    points = [{"kind": "landmark", "count": int(landmarks.sum()), "of": len(landmarks)}]
    for kind, names in (("curve", slide["curves"]), ("patch", slide["patches"])):
        if names:
            points.append({"kind": kind, "count": int((kinds == kind).sum()), "of": len(names)})
    return {
        "name": element.name,
        "known": len(known),
        "taxa": [
            {"taxon": str(taxon), "specimens": len(part)}
            for taxon, part in known.groupby("taxon", sort=True)
        ],
        "queries": int((used["role"] == "query").sum()),
        "points": points,
        "aside": [
            row | {"smallest_share": smallest} for row in table[~table["used"]].to_dict("records")
        ],
        "side": element.notes["prepare"]["side"],
        "mirrored": int(used["mirrored"].sum()),
        "averaged": int((used["digitisations"] > 1).sum()),
    }


def _estimated(element: Analysed) -> dict[str, Any]:
    table = element.tables["estimated_points"]
    counts = table["estimated_by"].value_counts()
    method = element.notes["slide"]["method"]
    return {
        "name": element.name,
        "points": len(table),
        "specimens": table["specimen"].nunique(),
        "ways": [
            {"by": by, "method": method, "points": int(counts[by])}
            for by in ("mirror side", "other specimens")
            if by in counts.index
        ],
    }


def _slopes(elements: Elements, alpha: float) -> list[dict[str, Any]]:
    """Elements where the test of equal slopes was made, and taxa with a slope of their own."""
    p_values = [(element, element.notes["grow"]["slopes_p_value"]) for element in elements]
    return [
        {"name": e.name, "rejected": p <= alpha, "own": e.notes["place"].get("own_slopes", [])}
        for e, p in p_values
        if p is not None and p == p
    ]


def _membership(elements: Elements, alpha: float) -> dict[str, Any] | None:
    """How queries were judged; points from the mirror side are bone of the specimen itself."""
    if _stacked(elements, "membership").empty:
        return None
    judged = [e for e in elements if e.notes["place"]["shrinkage"]]
    roles: set[str] = set()
    for element in judged:
        points, table = element.tables["estimated_points"], element.tables["specimens"]
        names = points.loc[points["estimated_by"] == "other specimens", "specimen"]
        roles |= set(table.loc[table["specimen"].isin(names), "role"])
    verdicts = _stacked(judged, "verdicts")
    verdicts = verdicts[verdicts["known_ranked"].notna()]
    by_ranks = set(verdicts.loc[verdicts["by_ranks"], "element"])
    errors = _stacked(judged, "specimen_error")
    told_by = errors.loc[errors["specimen"].isin(verdicts["specimen"]), "told_by"]
    return {
        "judged": judged,
        "ranked": bool(by_ranks),
        "unranked": [e for e in judged if e.name not in by_ranks],
        "enough": math.ceil(1 / alpha - 1e-9) - 1,
        "widened": WIDENED - 1,
        "errors": errors["error_mm"].notna().any(),
        "doubted": (told_by == "others").any(),
        "sized": any(e.tables["membership"]["size_heeded"].any() for e in judged),
        "estimated_known": "known" in roles,
        "estimated_query": "query" in roles,
        "slopes_differ": any(one["rejected"] for one in _slopes(judged, alpha)),
    }


def _trials(elements: Elements) -> dict[str, Any]:
    left_out, tried = (
        _stacked(elements, "calibration_summary"),
        _stacked(elements, "stability_summary"),
    )
    rarefied = _stacked(elements, "rarefaction")
    simulated = _stacked(elements, "specimens_to_decide")
    return {
        "taxa_left_out": len(left_out) > 0 and "taxon" in set(left_out["left_out"]),
        "enough_noticed": ENOUGH,
        "choices": [str(name) for name in tried["choice"].unique()] if len(tried) else [],
        "rarefied": len(rarefied) > 0 and rarefied["mean_error"].notna().any(),
        "added": sorted({int(n) for n in simulated["added"] if n > 0}) if len(simulated) else [],
        "simulations": int(simulated["simulations"].max()) if len(simulated) else 0,
    }


def _displacements(elements: Elements) -> dict[str, Any]:
    table = _stacked(elements, "displacements")
    if table.empty:
        return {}
    paired = set(table.loc[table["other_side"] != "", "element"])
    return {
        "ways": sorted(map(bool, table["size_heeded"].unique())),
        "semilandmarks": (table["kind"] != "landmark").any(),
        "paired": [e for e in elements if e.name in paired],
    }


def _measurements(elements: Elements) -> dict[str, Any]:
    table = _stacked(elements, "measurement_ranking")
    if table.empty:
        return {}
    kinds = set(table["kind"])
    return {
        "kinds": [kind for kind in ("distance", "angle", "ratio") if kind in kinds],
        "beyond_allometry": table["size_heeded"].any(),
    }


# What the template's scan is warped to, and what `form` of the table has in it.
_FORMS = {"mean": "mean of", "axis": " end of axis ", "growth": "by growth"}


def _surfaces(elements: Elements) -> dict[str, Any]:
    """Scans that were warped, completed, coloured and closed."""
    table = _stacked(elements, "meshes")
    if table.empty:
        return dict.fromkeys(("warped", "completed", "folded", "heat", "count"), 0)
    template, specimen = table["template"].fillna(""), table["specimen"].fillna("")
    warped = table[(template != "") & (specimen == "")]
    completed = table[(template != "") & (specimen != "")]
    scans = warped.assign(specimen=warped["template"])
    return {
        "warped": len(warped),
        "templates": scans[["specimen", "element"]].drop_duplicates().to_dict("records"),
        "forms": [kind for kind, key in _FORMS.items() if warped["form"].str.contains(key).any()],
        "completed": completed[["specimen", "element"]].drop_duplicates().to_dict("records"),
        "folded": int((table["share_folded"] > 0).sum()),
        "heat": (template == "").any(),
        "count": len(table),
        "closed": int(table["watertight"].sum()),
        "holes": int(table["holes_closed"].sum()),
    }


def _joined(joined: Tables) -> dict[str, Any]:
    individuals, ratios = joined.get("individuals"), joined.get("proportions")
    return {
        "combined": individuals is not None and (individuals["elements"] > 1).any(),
        "pairs": 0 if ratios is None else len(ratios[["first", "second"]].drop_duplicates()),
    }


def _facts(elements: Elements, joined: Tables, alpha: float) -> dict[str, Any]:
    estimated = [e for e in elements if len(e.tables["estimated_points"])]
    tested = [_stacked(elements, t) for t in ("model_terms", "slopes", "pairwise_distances")]
    return {
        "samples": [_sample(element) for element in elements],
        "estimated": [_estimated(element) for element in estimated],
        "drawn": [e for e in estimated if e.notes["slide"]["imputations"]],
        "slid": [e for e in elements if e.notes["slide"]["curves"] or e.notes["slide"]["patches"]],
        "growth": any(element.notes["grow"].get("slope_length") for element in elements),
        "slopes": _slopes(elements, alpha),
        "fewest": FEWEST,
        "permuted": any(len(table) and table["p_value"].notna().any() for table in tested),
        "membership": _membership(elements, alpha),
        "displacements": _displacements(elements),
        "measurements": _measurements(elements),
        "surfaces": _surfaces(elements),
        "joined": _joined(joined),
    } | _trials(elements)


def methods_paragraphs(
    settings: Any,
    elements: Elements,
    versions: Mapping[str, str],
    joined: Tables | None = None,
) -> list[Markup]:
    """The methods section, a paragraph each; methods that were not used are not named."""
    facts = _facts(elements, joined or {}, settings.tests.alpha)
    return paragraphs(said("methods", "section", settings, elements, facts, versions))
