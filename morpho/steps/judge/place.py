"""Place: each query against each known taxon, and the verdict."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.judging import WAYS, Judgement, Rules, Shapes, judge
from morpho.inference.membership.trajectories import trajectories
from morpho.inference.membership.verdict import over_imputations
from morpho.results.store import ElementResults
from morpho.steps.judge.material import judged_shapes, rules_of
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

# What is found of each query and taxon.
_FOUND = (
    "procrustes_distance", "comparable_distance", "mahalanobis_distance", "landmark_distance",
    "relative_distance", "critical_distance",
    "p_value", "posterior_probability", "beyond_sizes",
)  # fmt: skip
_FALSE = ("within_error", "by_ranks")
_NUMBERS = (
    "strangeness", "known_as_strange", "known_ranked", "p_value_as_it_is", "p_value_size_heeded",
    "imputations", "imputations_outside", "imputations_inside", "imputations_undecided",
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
    row = found.facts(i) | {
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
    queries: np.ndarray, found: Judgement
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
            for bearing, taxa in (("keeps", decision.kept), ("blocks", decision.blocking)):
                by_taxon += [begin | {"taxon": taxon, "bearing": bearing} for taxon in taxa]
    return rows, by_taxon


def _drawn(known: Shapes, queries: Shapes, given: dict, rules: Rules) -> list[list[str]]:
    """Verdicts of each query under each draw of the estimated points, known and query alike."""
    judged_by = given["known"]
    verdicts: list[list[str]] = [[] for _ in queries.taxon]
    for tangent, log_size in zip(given["draw_tangent"], given["draw_log_size"], strict=True):
        shapes, sizes = given["tangent"].copy(), given["log_size"].copy()
        shapes[given["incomplete"]], sizes[given["incomplete"]] = tangent, log_size
        found = judge(
            replace(known, tangent=shapes[judged_by], log_size=sizes[judged_by]),
            replace(queries, tangent=shapes[~judged_by], log_size=sizes[~judged_by]),
            rules,
        )
        for place, verdict in zip(verdicts, found.verdicts, strict=False):
            place.append(verdict.verdict)
    return verdicts


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the evidence, the spread of known specimens behind it, and the verdicts."""
    tests = config.settings.tests
    given = results.arrays("superimposed")
    names_known = given["specimen"][given["known"]]
    rules = rules_of(config, element, results)
    queries, known, shapes = judged_shapes(results)
    axes = results.arrays("shape_space")["scores"].shape[1]
    found = judge(known, shapes, rules, shared_axes=axes)

    trouble = Trouble()
    for heeded, error in found.trouble.items():
        trouble.refused("placing", error, size_heeded=heeded)
    drawn = _drawn(known, shapes, given, rules)
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
        queries.tolist(),
        stages=stages.loc[names_known].to_numpy(str),
        query_stages=stages.loc[queries].tolist(),
    )
    left = table[(table["role"] == "query") & ~table["used"]]
    rows += [_undecided(results, name, "set_aside") for name in left["specimen"]]
    grounds, by_taxon = _grounds(queries, found)

    membership = [
        _membership(evidence, queries, heeded, error) for heeded, evidence in found.evidence.items()
    ]
    spread = [
        pd.DataFrame(
            {
                "specimen": names_known,
                "size_heeded": heeded,
                "taxon": known.taxon,
                "comparable_distance": model.spread(),
                "relative_distance": np.where(
                    model.left_out.judged,
                    (model.left_out.relative * model.columns).sum(axis=1),
                    np.nan,
                ),
                "strangeness": found.strangeness,
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
            "shrinkage": {
                WAYS[heeded]: model.covariance.weight for heeded, model in found.models.items()
            },
        },
    )
