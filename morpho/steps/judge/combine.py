"""Combine: the elements of one individual side by side, and their relative sizes."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.differences.proportions import relative_sizes
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.conclusion import combine_elements
from morpho.results.store import ALL_ELEMENTS, ElementResults

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

# Why a verdict was taken back whose evidence counts for nothing beside other elements.
_ON_SUSPECTS = ("suspected_slip", "suspected_specimens")


def _evidence(results: ElementResults) -> pd.DataFrame:
    """P-values of each query against each taxon, as it is and at its own size."""
    table = results.table("membership")
    wide = table.pivot(index=["specimen", "taxon"], columns="size_heeded", values="p_value")
    wide = wide.reindex(columns=[False, True]).reset_index()
    wide.columns = ["specimen", "taxon", "p_value_as_it_is", "p_value_size_heeded"]
    # to be outside a taxon, both tests must reject
    wide["p_value"] = wide[["p_value_as_it_is", "p_value_size_heeded"]].max(axis=1)
    wide.insert(2, "element", results.element)
    return wide


def _individuals(
    evidence: pd.DataFrame, conclusions: pd.DataFrame, alpha: float
) -> tuple[list[dict[str, Any]], list[pd.DataFrame]]:
    """Rows of verdicts, and the combined p-value of each taxon beside its elements."""
    rows, combined = [], []
    for specimen, part in evidence.groupby("specimen", sort=True):
        judged = conclusions[
            (conclusions["specimen"] == specimen) & conclusions["element"].isin(part["element"])
        ].sort_values("element")
        doubted = judged.loc[judged["tempered_by"].isin(_ON_SUSPECTS), "element"]
        trusted = part[~part["element"].isin(doubted)]
        by_element = {
            str(element): dict(zip(each["taxon"], each["p_value"], strict=True))
            for element, each in (trusted if len(trusted) else part).groupby("element", sort=True)
        }
        table, verdict = combine_elements(by_element, judged["verdict"].tolist(), alpha=alpha)
        if len(judged) == 1:
            verdict = str(judged["verdict"].iloc[0])
        worst = table.iloc[int(table["combined_p_value"].to_numpy().argmax())]
        rows.append(
            {
                "specimen": specimen,
                "elements": len(judged),
                "verdict": verdict,
                "verdicts_of_elements": "; ".join(
                    f"{row['element']}: {row['verdict']}" for row in judged.to_dict("records")
                ),
                "taxon": worst["taxon"],
                "combined_p_value": worst["combined_p_value"],
            }
        )
        both = part.merge(table[["taxon", "combined_p_value", "kept"]], on="taxon", how="left")
        left_out = doubted if len(trusted) else doubted[:0]
        left = both["element"].isin(left_out)
        combined.append(both.assign(kept=both["kept"].eq(True), doubted=left))
    for specimen in sorted(set(conclusions["specimen"]) - set(evidence["specimen"])):
        nothing = {
            "elements": 0,
            "verdicts_of_elements": "",
            "taxon": "",
            "combined_p_value": np.nan,
        }
        rows.append(nothing | {"specimen": specimen, "verdict": "undecided"})
    if combined:
        combined = [pd.concat(combined).sort_values(["specimen", "taxon", "element"])]
    return sorted(rows, key=lambda row: row["specimen"]), combined


def _ratios(wide: pd.DataFrame, elements: list[str]) -> list[pd.DataFrame]:
    """Ratio of each pair of elements in each individual that has both."""
    who = wide.index.to_frame(index=False)
    tables = [
        who.assign(
            first=first, second=second, ratio=wide[first].to_numpy() / wide[second].to_numpy()
        )
        for first, second in combinations(elements, 2)
    ]
    return [table.dropna(subset="ratio") for table in tables]


def _proportions(wide: pd.DataFrame, elements: list[str]) -> pd.DataFrame:
    """Ratios of centroid sizes of elements, each query beside each taxon."""
    known = wide.index.get_level_values("role") == "known"
    several = (wide.notna().sum(axis=1) > 1).to_numpy()
    queries = wide[~known & several]
    if len(elements) < 2 or queries.empty or not (known & several).any():
        return pd.DataFrame()
    try:
        table = relative_sizes(
            wide[known].to_numpy(),
            wide.index.get_level_values("taxon")[known].to_numpy(str),
            queries.to_numpy(),
            elements=elements,
            names=queries.index.get_level_values("specimen").tolist(),
        )
    except InferenceError as error:
        print(f"combine: {error}")
        return pd.DataFrame()
    table = table.rename(columns={"query": "specimen", "specimens": "taxon_specimens"})
    return table.drop(columns=["log_ratio_mean", "log_ratio_sd", "query_log_ratio"])


def run(config: StudyConfig) -> None:
    """Write verdicts on individuals, their evidence element by element, and proportions."""
    elements = list(config.elements)
    each = [ElementResults(config.results, element) for element in elements]
    evidence = pd.concat([_evidence(results) for results in each])
    conclusions, sizes = (
        pd.concat([results.table(name).assign(element=results.element) for results in each])
        for name in ("conclusions", "centroid_size")
    )
    individuals, side_by_side = _individuals(evidence, conclusions, config.settings.tests.alpha)
    # a column for each element; specimen, taxon and role are the index
    wide = sizes.pivot(
        index=["specimen", "taxon", "role"], columns="element", values="centroid_size_mm"
    )
    wide = wide.reindex(columns=elements).sort_index()
    results = ElementResults(config.results, ALL_ELEMENTS)
    results.write_table("individuals", individuals)
    results.write_table("individual_evidence", side_by_side)
    results.write_table("proportion_values", _ratios(wide, elements))
    results.write_table("proportions", _proportions(wide, elements))
