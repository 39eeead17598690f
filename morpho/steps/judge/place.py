"""Place: each query against each known taxon, and the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.judging import WAYS, Judgement, Rules, Shapes, judge
from morpho.inference.membership.trajectories import trajectories
from morpho.inference.membership.verdict import contradictions, over_imputations
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import Sample, known_sample
from morpho.steps.judge.material import queries_of, rules_of, shapes_of
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

# What is found of each query and taxon.
_FOUND = (
    "procrustes_distance", "comparable_distance", "mahalanobis_distance", "typicality_probability",
    "rank_p_value", "axes_rank_p_value", "rank_floor", "own_spread_p_value", "pooled_rank_p_value",
    "pooled_rank_floor", "p_value", "posterior_probability", "beyond_sizes",
)  # fmt: skip
_FALSE = ("within_error", "beyond_all_members", "ranking_rejects")
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


def _undecided(results: ElementResults, specimen: str, ground: str) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(results.columns("verdicts"), "")
    row |= dict.fromkeys(_NUMBERS, np.nan) | dict.fromkeys(_FALSE, False)
    return row | {"specimen": specimen, "verdict": "undecided", "ground": ground}


def _row(
    specimen: str, i: int, found: Judgement, drawn: list[str], alpha: float, error: float | None
) -> dict[str, Any]:
    """Row of the verdict table for a query that was judged."""
    pair = found.decisions[i]
    verdict = over_imputations(found.verdicts[i], drawn, alpha=alpha)
    row = found.facts(i, alpha) | {
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
    row["within_error"] = error is not None and nearest <= error
    return row


def _grounds(
    queries: np.ndarray, found: Judgement, alpha: float
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The decisions on each query in both ways, and the taxa that their grounds rest on."""
    rows, by_taxon = [], []
    for i, (specimen, pair) in enumerate(zip(queries.tolist(), found.decisions, strict=False)):
        for heeded, decision in pair.items():
            evidence = found.evidence[heeded]
            begin = {"specimen": specimen, "size_heeded": heeded}
            p = dict(zip(evidence.taxa.astype(str), evidence.p_value[i], strict=True))
            told = {name: getattr(decision, name) for name in ("verdict", "ground", "taxon")}
            rows.append(begin | told | {"p_value": p[decision.taxon]})
            contradict = decision.ground == "members_contradict"
            against = contradictions(evidence, i, alpha) if contradict else []
            speaking = {one.taxon: vars(one) for one in against}
            for bearing, taxa in (("keeps", decision.kept), ("blocks", decision.blocking)):
                by_taxon += [
                    begin | {"taxon": taxon, "bearing": bearing} | speaking.get(taxon, {})
                    for taxon in taxa
                ]
    return rows, by_taxon


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
    tests = config.settings.tests
    sample = known_sample(config, results, all_taxa=True)
    given = results.arrays("superimposed")
    queries = given["specimen"][~given["known"]]
    rules = rules_of(config, element, results)
    known, (names, shapes) = shapes_of(sample), queries_of(results)
    found = judge(known, shapes, rules, shared_axes=sample.scores.shape[1])

    trouble = Trouble()
    for heeded, error in found.trouble.items():
        trouble.refused("placing", error, size_heeded=heeded)
    drawn = _drawn(sample, given, rules)
    alpha, error = tests.alpha, results.notes("measure")["error_distance"]
    rows = [
        _row(str(specimen), i, found, drawn[i], alpha, error)
        if found.verdicts
        else _undecided(results, str(specimen), "no_model")
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
    rows += [_undecided(results, name, "set_aside") for name in left["specimen"]]
    grounds, by_taxon = _grounds(queries, found, alpha)

    membership = [
        _membership(evidence, queries, heeded, error) for heeded, evidence in found.evidence.items()
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
    results.write_table("verdicts", rows)
    results.write_table("grounds", grounds)
    columns = results.columns("grounds_by_taxon")
    results.write_table("grounds_by_taxon", pd.DataFrame(by_taxon, columns=columns))
    results.write_notes(
        "place",
        {
            "trouble": trouble.rows,
            "alpha": alpha,
            "slopes_p_value": rules.slopes_p_value,
            "slopes_differ": rules.slopes_differ,
            "own_slopes": list(found.own_slopes),
            "axes": {WAYS[heeded]: list(value) for heeded, value in found.axes.items()},
        },
    )
