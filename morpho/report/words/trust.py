"""Whether the data can be trusted: facts of an element for the words of trust.jinja."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.report.words.writing import as_plain, paragraphs, said

__all__ = ["sample_facts", "trust_words"]

Tables = Mapping[str, pd.DataFrame]


def sample_facts(
    counts: Mapping[str, Any],
    prepared: Mapping[str, Any],
    slid: Mapping[str, Any],
    symmetric: bool,
) -> list[str]:
    """Sentences on who was analysed and on what.

    Parameters
    ----------
    counts : mapping
        `landmarks`, `all_landmarks`, `mirrored`, `averaged`, and the names `dropped`.
    prepared, slid : mapping
        Notes of the steps prepare and slide.
    symmetric : bool
        Whether the symmetric part is analysed.
    """
    left_out = prepared["curves_left_out"] + slid["patches_left_out"]
    text = said("trust", "sample", counts, prepared, slid, left_out, symmetric)
    return [as_plain(part) for part in paragraphs(text)]


def _error(tables: Tables, notes: Mapping[str, Any], alpha: float) -> list[Markup]:
    if notes["repeatability"] is None:
        return []
    pairs = tables["pairwise_distances"]
    near = pairs[pairs["distance"] <= notes["error_distance"]]
    specimens, errors = tables["specimens"], tables["specimen_error"]
    queries = specimens.loc[(specimens["role"] == "query") & specimens["used"], "specimen"]
    known = errors[errors["specimen"].isin(queries) & errors["error_mm"].notna()]
    return [
        said("trust", "error", notes, near.to_dict("records"), alpha),
        said("trust", "query_errors", known.to_dict("records")),
    ]


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
    """Sentences for the section on the data of one element.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    notes : mapping of str to mapping
        Notes of the steps.
    alpha : float
        Level of the tests.

    Returns
    -------
    list of str
        A paragraph each.
    """
    words = [
        *_error(tables, notes["measure"], alpha),
        *_screening(tables, notes["screen"]),
        *_estimates(tables),
        *_carried(tables),
        *_sides(tables),
    ]
    return [as_plain(text) for text in words if text.strip()]
