"""Compare: do the known taxa differ, and which pairs of them?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from morpho.inference.taxa.groups import compare_means, group_tests
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import known_sample
from morpho.steps.streams import generator
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

_CRITERIA = ["term", "criterion", "value", "effect_size", "p_value", "permutations"]
_PAIRS = [
    "first", "second", "first_specimens", "second_specimens", "distance", "p_value",
    "p_value_holm", "permutations",
]  # fmt: skip


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write multivariate criteria and pairwise distances, without and with size heeded."""
    sample = known_sample(config, results)
    count = config.settings.tests.permutations
    seed = config.settings.seed
    variables = {"size": sample.log_size, "taxon": sample.taxon}
    trouble = Trouble()
    criteria, pairs = [], []
    for heeded in (False, True):
        name = "size heeded" if heeded else "as it is"
        terms = ["size", "taxon"] if heeded else ["taxon"]
        held: dict[str, Any] | None = {"size": sample.log_size} if heeded else None
        table = pd.DataFrame(columns=_CRITERIA)
        with trouble.met("criteria", size_heeded=heeded):
            sample.require_specimens()
            rng = generator(seed, element, "compare", "criteria", name)
            table = group_tests(
                sample.scores, terms, variables, permutations=count, random_state=rng
            )
        table.insert(0, "size_heeded", heeded)
        criteria.append(table)
        table = pd.DataFrame(columns=_PAIRS)
        with trouble.met("pairs", size_heeded=heeded):
            sample.require_specimens()
            rng = generator(seed, element, "compare", "pairs", name)
            table = compare_means(
                sample.tangent, sample.taxon, covariates=held, permutations=count, random_state=rng
            )
        table.insert(0, "size_heeded", heeded)
        pairs.append(table)
    results.write_table("group_criteria", _stack(criteria))
    distances = _stack(pairs)
    limit = results.notes("measure")["error_distance"]
    distances["within_error"] = False if limit is None else distances["distance"] <= limit
    results.write_table("pairwise_distances", distances)
    results.write_notes("compare", {"left_out": sample.small, "trouble": trouble.rows})


def _stack(tables: list[pd.DataFrame]) -> pd.DataFrame:
    full = [table for table in tables if len(table)]
    return pd.concat(full) if full else tables[0]
