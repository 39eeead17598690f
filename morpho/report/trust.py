"""Sentences on whether the data can be trusted: error, slips, estimates, sides, distortion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from morpho.report.phrases import percent
from morpho.report.phrasing import counted, number, observer_words, p_words
from morpho.report.words.suspicions import proposal_words

__all__ = ["trust_words"]

Tables = Mapping[str, pd.DataFrame]


def _error(tables: Tables, notes: Mapping[str, Any], alpha: float) -> list[str]:
    if notes["repeatability"] is None:
        return []
    words = (
        f"Repeatability is {notes['repeatability']:.3f} (95 % interval "
        f"{notes['repeatability_low']:.3f} to {notes['repeatability_high']:.3f}): the share of the "
        "variance of single digitisations that lies between specimens. Two digitisations of one "
        f"bone lie {number(notes['error_distance'])} apart in Procrustes distance, in root mean "
        "square."
    )
    words += observer_words(notes["observer_p_value"], alpha)
    near = tables["pairwise_distances"]
    near = near[near["distance"] <= notes["error_distance"]]
    for row in near.to_dict("records"):
        words += (
            f" The distance between {row['first']} and {row['second']} ({number(row['distance'])}) "
            "is no larger than that."
        )
    return [words]


def _screening(tables: Tables, notes: Mapping[str, Any]) -> list[str]:
    table = tables["suspicions"]
    screened = counted(notes["screened"], "digitisation")
    if table.empty:
        return [f"Screening of {screened} found nothing suspicious."]
    words = [
        f"Screening of {screened} found {counted(len(table), 'thing')} to look at. "
        "Nothing was changed:"
    ]
    for row in table.to_dict("records"):
        words.append(
            f"{row['specimen']} ({row['replicate'] or 'only digitisation'}): {proposal_words(row)}"
        )
    return words


def _estimates(tables: Tables) -> list[str]:
    table = tables["estimated_points"]
    if table.empty:
        return ["No landmark had to be estimated."]
    words = []
    for specimen, part in table[table["kind"] == "landmark"].groupby("specimen"):
        each = [
            f"{row['point']} (by {row['estimated_by']}, spread {number(row['spread_mm'])} mm)"
            for row in part.to_dict("records")
        ]
        words.append(f"Estimated in {specimen}: {', '.join(each)}.")
    rest = table[table["kind"] != "landmark"]
    rest = rest.assign(part=rest["point"].str.replace(r"\.\d+$", "", regex=True))
    for specimen, part in rest.groupby("specimen"):
        each = [
            f"{counted(len(points), 'semilandmark')} of {name}, as {reason}"
            for (name, reason), points in part.groupby(["part", "reason"])
        ]
        words.append(f"Estimated in {specimen}: {'; '.join(each)}.")
    recovery = tables["recovery"]
    if len(recovery):
        worst = recovery.iloc[int(recovery["error_in_spread"].fillna(-1).to_numpy().argmax())]
        words.append(
            "Hide and seek: hidden landmarks that were estimated lie off by "
            f"{number(recovery['error_mm'].median())} mm (median), "
            f"{number(recovery['error_in_spread'].median())} times the usual displacement within "
            f"taxa; worst {worst['landmark']}, {number(worst['error_mm'])} mm, "
            f"{number(worst['error_in_spread'])} times the usual."
        )
    return words


def _carried(tables: Tables) -> list[str]:
    table = tables["carried_points"]
    if table.empty:
        return []
    flagged = table[table["flag"] != ""]
    words = (
        f"Patch points were carried to {counted(table['specimen'].nunique(), 'scan')}; projection "
        f"moved them {number(table['distance_mm'].median())} mm (median), at most "
        f"{number(table['distance_mm'].max())} mm."
    )
    if len(flagged):
        words += f" {counted(len(flagged), 'point')} flagged and estimated instead."
    return [words]


def _sides(tables: Tables) -> list[str]:
    words = []
    rows = {row["source"]: row for row in tables["asymmetry"].to_dict("records")}
    if rows:
        side, crossed = rows["side"], rows.get("individual by side")
        text = f"Test of directional asymmetry: {p_words(side['p_value'])}"
        if crossed is not None and crossed["p_value"] == crossed["p_value"]:
            text += f"; of fluctuating asymmetry beyond error: {p_words(crossed['p_value'])}"
        words.append(text + ".")
    for row in tables["distortion"].to_dict("records"):
        words.append(
            f"{row['specimen']} was made symmetric: asymmetry "
            f"{percent(row['asymmetry_before'], 1)} before, {percent(row['asymmetry_sheared'], 1)} "
            f"once a shear of {percent(row['shear'], 1)} was taken out, none after; that moved it "
            f"by {number(row['procrustes_distance'])} in Procrustes distance."
        )
    return words


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
    return [
        *_error(tables, notes["measure"], alpha),
        *_screening(tables, notes["screen"]),
        *_estimates(tables),
        *_carried(tables),
        *_sides(tables),
    ]
