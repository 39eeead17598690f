"""Place: each query against each known taxon, and the verdict."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from morpho.inference.design import InferenceError
from morpho.inference.membership import Evidence, Membership
from morpho.inference.placing import place_queries
from morpho.inference.verdict import Decision, combine, decide
from morpho.report.words import verdict_reason
from morpho.steps.files import ElementResults
from morpho.steps.sample import Sample, known_sample
from morpho.study.config import StudyConfig

__all__ = ["run"]

_MEMBERSHIP = [
    "specimen", "size_heeded", "taxon", "taxon_specimens", "procrustes_distance",
    "comparable_distance", "mahalanobis_distance", "typicality_probability", "rank_p_value",
    "axes_rank_p_value", "rank_floor", "pooled_rank_p_value", "pooled_rank_floor", "p_value",
    "posterior_probability",
]  # fmt: skip
_SPREAD = ["specimen", "size_heeded", "taxon", "comparable_distance"]
_VERDICTS = [
    "specimen", "verdict", "verdict_as_it_is", "verdict_size_heeded", "ground", "taxon",
    "nearest_taxon", "p_value_as_it_is", "p_value_size_heeded", "extrapolates", "reason",
]  # fmt: skip


def _membership(evidence: Evidence, queries: np.ndarray, heeded: bool) -> pd.DataFrame:
    """Evidence as tidy rows: a row for each query and taxon."""
    shape = evidence.procrustes_distance.shape
    columns = {name: getattr(evidence, name) for name in _MEMBERSHIP[4:]}
    table = pd.DataFrame({k: np.broadcast_to(v, shape).ravel() for k, v in columns.items()})
    table.insert(0, "taxon_specimens", np.tile(evidence.specimens, shape[0]))
    table.insert(0, "taxon", np.tile(evidence.taxa, shape[0]))
    table.insert(0, "size_heeded", heeded)
    table.insert(0, "specimen", np.repeat(queries, shape[1]))
    return table


def _compare(sample: Sample, given: dict, n_axes: int, heeded: bool) -> tuple[Membership, Evidence]:
    """The taxa, and the evidence for each query, as they are or at the query's own size."""
    query = ~given["known"]
    size, at = (sample.log_size, given["log_size"][query]) if heeded else (None, None)
    model = Membership().fit(sample.tangent, sample.scores, sample.taxon, size)
    evidence = place_queries(
        sample.tangent,
        sample.taxon,
        given["tangent"][query],
        n_axes=n_axes,
        size=size,
        query_size=at,
    )
    return model, evidence


def _verdict(decisions: list[Decision | None], evidence: list[Evidence | None], i: int) -> dict:
    """Row of the verdict table, but for specimen and reason."""
    as_is, heeded = decisions
    if as_is is None:
        raise InferenceError("There is no decision to combine.")
    verdict = combine(as_is, heeded)
    judge = evidence[1] if evidence[1] is not None else evidence[0]
    nearest = "" if judge is None else str(judge.taxa[np.argmin(judge.procrustes_distance[i])])
    p_values = [np.nan if e is None else float(e.p_value[i].max()) for e in evidence]
    return {
        "verdict": verdict.verdict,
        "verdict_as_it_is": as_is.verdict,
        "verdict_size_heeded": "" if heeded is None else heeded.verdict,
        "ground": verdict.ground,
        "taxon": verdict.taxon,
        "nearest_taxon": nearest,
        "p_value_as_it_is": p_values[0],
        "p_value_size_heeded": p_values[1],
    }


def _set_aside(results: ElementResults) -> list[dict]:
    """Rows for queries that too little is left of: they are undecided."""
    table = results.table("specimens")
    left = table[(table["role"] == "query") & ~table["used"]]
    blank = dict.fromkeys(_VERDICTS, "")
    numbers = {"p_value_as_it_is": np.nan, "p_value_size_heeded": np.nan, "extrapolates": False}
    return [
        blank
        | numbers
        | {
            "specimen": row["specimen"],
            "verdict": "undecided",
            "ground": "set_aside",
            "reason": verdict_reason({"ground": "set_aside", "set_aside_reason": row["reason"]}),
        }
        for row in left.to_dict("records")
    ]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the evidence, the spread of known specimens behind it, and the verdicts."""
    tests = config.settings["tests"]
    sample = known_sample(config, results, all_taxa=True)
    given = results.arrays("superimposed")
    n_axes = int(sample.scores.shape[1])
    queries = given["specimen"][~given["known"]]
    growth = results.table("growth").set_index("specimen")["extrapolates"]
    notes: dict[str, Any] = {"trouble": [], "axes": n_axes}
    rows, spread, membership = [], [], []
    found: list[Evidence | None] = []
    for heeded in (False, True):
        name = "size heeded" if heeded else "as it is"
        try:
            model, evidence = (
                _compare(sample, given, n_axes, heeded) if len(queries) else (None, None)
            )
        except InferenceError as error:
            notes["trouble"].append(f"{name}: {error}")
            model, evidence = None, None
        found.append(evidence)
        if model is None or evidence is None:
            continue
        notes[f"degrees_of_freedom, {name}"] = model.degrees_of_freedom_
        membership.append(_membership(evidence, queries, heeded))
        known = {"specimen": sample.specimen, "size_heeded": heeded, "taxon": sample.taxon}
        spread.append(pd.DataFrame({**known, "comparable_distance": model.spread()}))
    for i, specimen in enumerate(queries):
        decisions = [
            None
            if evidence is None
            else decide(evidence, i, alpha=tests["alpha"], smallest_taxon=tests["smallest_taxon"])
            for evidence in found
        ]
        if decisions[0] is None:
            row: dict[str, Any] = dict.fromkeys(_VERDICTS, "") | {
                "verdict": "undecided",
                "ground": "no_model",
                "p_value_as_it_is": np.nan,
                "p_value_size_heeded": np.nan,
            }
        else:
            row = _verdict(decisions, found, i)
        row |= {"specimen": specimen, "extrapolates": bool(growth[specimen])}
        numbers = {
            "alpha": tests["alpha"],
            "specimens": sample.taxon.size,
            "smallest_taxon": int(np.unique(sample.taxon, return_counts=True)[1].min()),
        }
        row["reason"] = verdict_reason(row | numbers)
        rows.append(row)
    rows += _set_aside(results)
    empty = pd.DataFrame
    results.write_table(
        "membership", pd.concat(membership) if membership else empty(columns=_MEMBERSHIP)
    )
    results.write_table("spread", pd.concat(spread) if spread else empty(columns=_SPREAD))
    results.write_table("verdicts", pd.DataFrame(rows, columns=_VERDICTS))
    results.write_notes("place", notes)
