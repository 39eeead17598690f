"""Whether the data can be trusted: facts of an element for the words of trust.jinja."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.report.words.writing import as_plain, paragraphs, said
from morpho.results.analysed import Analysed

__all__ = ["sample_words", "trust_words"]

Tables = Mapping[str, pd.DataFrame]


def sample_words(element: Analysed) -> list[str]:
    """Sentences on who was analysed and on what."""
    return [as_plain(part) for part in paragraphs(said("trust", "sample", element))]


def _error(tables: Tables, notes: Mapping[str, Any], alpha: float) -> list[Markup]:
    if notes["repeatability"] is None:
        return []
    pairs = tables["pairwise_distances"]
    near = pairs[pairs["distance"] <= notes["error_distance"]]
    return [said("trust", "error", notes, near.to_dict("records"), alpha)]


def _screening(tables: Tables, notes: Mapping[str, Any]) -> list[Markup]:
    rows = tables["suspicions"].to_dict("records")
    return [
        said("trust", "screening", notes["screened"], len(rows)),
        *[said("trust", "suspicion", row) for row in rows],
    ]


def _estimates(tables: Tables) -> list[Markup]:
    table = tables["estimated_points"]
    if table.empty:
        return [said("trust", "nothing_estimated")]
    words = [
        said("trust", "estimated_landmarks", specimen, part.to_dict("records"))
        for specimen, part in table[table["kind"] == "landmark"].groupby("specimen")
    ]
    rest = table[table["kind"] != "landmark"]
    rest = rest.assign(line=rest["point"].str.replace(r"\.\d+$", "", regex=True))
    for specimen, part in rest.groupby("specimen"):
        lines = part.groupby(["line", "cause", "missing_ends"]).size().rename("points")
        rows = lines.reset_index().to_dict("records")
        words.append(said("trust", "estimated_lines", specimen, rows))
    recovery = tables["recovery"]
    if len(recovery):
        worst = recovery.iloc[int(recovery["error_in_spread"].fillna(-1).to_numpy().argmax())]
        medians = recovery["error_mm"].median(), recovery["error_in_spread"].median()
        words.append(said("trust", "hide_and_seek", *medians, worst.to_dict()))
    return words


def _carried(tables: Tables) -> list[Markup]:
    table = tables["carried_points"]
    if table.empty:
        return []
    moved, flagged = table["distance_mm"], int((table["flag"] != "").sum())
    scans = table["specimen"].nunique()
    return [said("trust", "carried", scans, moved.median(), moved.max(), flagged)]


def _sides(tables: Tables) -> list[Markup]:
    rows = {row["source"]: row for row in tables["asymmetry"].to_dict("records")}
    words = []
    if rows:
        words.append(said("trust", "asymmetry", rows["side"], rows.get("individual by side")))
    made = tables["distortion"].to_dict("records")
    return words + [said("trust", "distortion", row) for row in made]


def trust_words(tables: Tables, notes: Mapping[str, Mapping[str, Any]], alpha: float) -> list[str]:
    """Sentences for the section on the data of one element."""
    words = [
        *_error(tables, notes["measure"], alpha),
        *_screening(tables, notes["screen"]),
        *_estimates(tables),
        *_carried(tables),
        *_sides(tables),
    ]
    return [as_plain(text) for text in words]
