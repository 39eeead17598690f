"""Place: each query against each known taxon, and the verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.judging import WAYS, Judgement, Rules, Shapes, judge
from morpho.inference.membership.trajectories import trajectories
from morpho.inference.membership.verdict import over_imputations
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import Sample, known_sample
from morpho.steps.judge.material import queries_of, rules_of, shapes_of

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

# What is found of each query and taxon.
_FOUND = (
    "procrustes_distance", "comparable_distance", "mahalanobis_distance", "typicality_probability",
    "rank_p_value", "axes_rank_p_value", "rank_floor", "own_spread_p_value", "pooled_rank_p_value",
    "pooled_rank_floor", "p_value", "posterior_probability", "beyond_sizes",
)  # fmt: skip
_VERDICTS = [
    "specimen", "verdict", "verdict_as_it_is", "verdict_size_heeded", "ground", "taxon", "blocking",
    "taxa_not_rejected", "nearest_taxon", "p_value_as_it_is", "p_value_size_heeded",
    "beyond_sizes_of", "imputations", "imputations_outside", "imputations_inside",
    "imputations_undecided", "within_error",
]  # fmt: skip
_NUMBERS = (
    "p_value_as_it_is", "p_value_size_heeded", "imputations", "imputations_outside",
    "imputations_inside", "imputations_undecided",
)  # fmt: skip


def _membership(
    evidence: Evidence, queries: np.ndarray, heeded: bool, error: float | None
) -> pd.DataFrame:
    """Evidence as tidy rows: a row for each query and taxon."""
    shape = evidence.procrustes_distance.shape
    columns = {name: getattr(evidence, name) for name in _FOUND}
    columns["within_error"] = evidence.procrustes_distance <= (-1.0 if error is None else error)
    table = pd.DataFrame({k: np.broadcast_to(v, shape).ravel() for k, v in columns.items()})
    return table.assign(
        specimen=np.repeat(queries, shape[1]),
        size_heeded=heeded,
        taxon=np.tile(evidence.taxa, shape[0]),
        taxon_specimens=np.tile(evidence.specimens, shape[0]),
    )


def _undecided(specimen: str, ground: str, **facts: Any) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(_VERDICTS, "")
    row |= dict.fromkeys(_NUMBERS, np.nan) | {"within_error": False}
    return row | {"specimen": specimen, "verdict": "undecided", "ground": ground} | facts


def _row(
    specimen: str, i: int, found: Judgement, drawn: list[str], sample: Sample, facts: dict
) -> dict[str, Any]:
    """Row of the verdict table for a query that was judged, and what words need beyond it."""
    pair = found.decisions[i]
    verdict = over_imputations(found.verdicts[i], drawn, alpha=facts["alpha"])
    row = found.facts(i, facts["alpha"]) | {
        "specimen": specimen,
        "verdict": verdict.verdict,
        "verdict_as_it_is": pair[False].verdict,
        "verdict_size_heeded": pair[True].verdict if True in pair else "",
        "ground": verdict.ground,
        "taxon": verdict.taxon,
        "imputations": len(drawn),
        **{f"imputations_{name}": drawn.count(name) for name in ("outside", "inside", "undecided")},
    }
    nearest = min(float(e.procrustes_distance[i].min()) for e in found.evidence.values())
    error = facts["error_distance"]
    row["within_error"] = error is not None and nearest <= error
    counts = np.unique(sample.taxon, return_counts=True)[1]
    return row | facts | {"specimens": sample.taxon.size, "taxa": len(counts)}


def _plain(value: Any) -> Any:
    """Facts as plain data; what goes by whether size is heeded, by the name of the way."""
    if is_dataclass(value) and not isinstance(value, type):
        value = vars(value)
    if isinstance(value, Mapping):
        return {WAYS.get(key, key): _plain(one) for key, one in value.items()}  # type: ignore[call-overload]
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return value.item() if isinstance(value, np.generic) else value


def _drawn(sample: Sample, given: dict, rules: Rules) -> list[list[str]]:
    """Verdicts of each query under each draw of the estimated points, known and query alike."""
    query = np.flatnonzero(~given["known"])
    verdicts: list[list[str]] = [[] for _ in query]
    places = {name: i for i, name in enumerate(given["specimen"].tolist())}
    rows = np.array([places[name] for name in sample.specimen.tolist()], dtype=int)
    for tangent, log_size in zip(given["draw_tangent"], given["draw_log_size"], strict=True):
        shapes, sizes = given["tangent"].copy(), given["log_size"].copy()
        shapes[given["incomplete"]], sizes[given["incomplete"]] = tangent, log_size
        known = Shapes(shapes[rows], sizes[rows], sample.taxon)
        queries = Shapes(shapes[query], sizes[query], given["taxon"][query])
        found = judge(known, queries, rules, shared_axes=1)
        for place, verdict in zip(verdicts, found.verdicts, strict=False):
            place.append(verdict.verdict)
    return verdicts


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the evidence, the spread of known specimens behind it, and the verdicts."""
    tests = config.settings["tests"]
    sample = known_sample(config, results, all_taxa=True)
    given = results.arrays("superimposed")
    queries = given["specimen"][~given["known"]]
    rules = rules_of(config, element, results)
    known, (names, shapes) = shapes_of(sample), queries_of(results)
    found = judge(known, shapes, rules, shared_axes=sample.scores.shape[1])

    drawn = _drawn(sample, given, rules)
    facts = {
        "alpha": tests["alpha"],
        "slopes_p_value": rules.slopes_p_value,
        "slopes_differ": rules.slopes_differ,
        "error_distance": results.notes("measure")["error_distance"],
    }
    rows = [
        _row(str(specimen), i, found, drawn[i], sample, facts)
        if found.verdicts
        else _undecided(str(specimen), "no_model")
        for i, specimen in enumerate(queries)
    ]
    table = results.table("specimens")
    stages = table.set_index("specimen")["stage"]
    lines = trajectories(
        found,
        known,
        shapes,
        names,
        stages=stages.loc[sample.specimen].to_numpy(str),
        query_stages=stages.loc[names].tolist(),
    )
    left = table[(table["role"] == "query") & ~table["used"]]
    for row in left.to_dict("records"):
        rows.append(_undecided(row["specimen"], "set_aside", set_aside_reason=row["reason"]))

    membership = [
        _membership(evidence, queries, heeded, facts["error_distance"])
        for heeded, evidence in found.evidence.items()
    ]
    spread = [
        pd.DataFrame(
            {
                "specimen": sample.specimen,
                "size_heeded": heeded,
                "taxon": sample.taxon,
                "comparable_distance": model.spread(),
            }
        )
        for heeded, model in found.models.items()
    ]
    results.write_table("membership", membership)
    results.write_table("spread", spread)
    results.write_table("trajectories", lines)
    results.write_table("verdicts", pd.DataFrame(rows, columns=_VERDICTS))
    results.write_notes(
        "place",
        {
            "trouble": found.trouble,
            "facts": {row["specimen"]: _plain(row) for row in rows},
            "own_slopes": list(found.own_slopes),
            "axes": {WAYS[heeded]: list(value) for heeded, value in found.axes.items()},
        },
    )
