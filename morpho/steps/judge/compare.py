"""Compare: do the known taxa differ, which pairs of them, and do they spread alike?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from morpho.inference.taxa.disparity import disparity
from morpho.inference.taxa.groups import compare_means, group_tests
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import known_sample
from morpho.steps.streams import generator
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write multivariate criteria, distances and disparity, without and with size heeded."""
    sample = known_sample(config, results)
    count = config.settings.tests.permutations
    seed = config.settings.seed
    variables = {"size": sample.log_size, "taxon": sample.taxon}
    limit = results.notes("measure")["error_distance"]
    pole = results.arrays("superimposed")["mean"]
    trouble = Trouble()
    criteria, pairs, spread = [], [], []
    for heeded in (False, True):
        name = "size heeded" if heeded else "as it is"
        terms = ["size", "taxon"] if heeded else ["taxon"]
        held: dict[str, Any] | None = {"size": sample.log_size} if heeded else None
        with trouble.met("criteria", size_heeded=heeded):
            sample.require_specimens()
            rng = generator(seed, element, "compare", "criteria", name)
            table = group_tests(
                sample.scores, terms, variables, permutations=count, random_state=rng
            )
            criteria.append(table.assign(size_heeded=heeded))
        with trouble.met("pairs", size_heeded=heeded):
            sample.require_specimens()
            rng = generator(seed, element, "compare", "pairs", name)
            table = compare_means(
                sample.tangent,
                sample.taxon,
                covariates=held,
                pole=pole,
                permutations=count,
                random_state=rng,
            )
            near = False if limit is None else table["distance"] <= limit
            pairs.append(table.assign(size_heeded=heeded, within_error=near))
            rng = generator(seed, element, "compare", "disparity", name)
            table = disparity(
                sample.tangent, sample.taxon, covariates=held, permutations=count, random_state=rng
            )
            spread.append(table.assign(size_heeded=heeded))
    results.write_table("group_criteria", criteria)
    results.write_table("pairwise_distances", pairs)
    results.write_table("disparity", spread)
    results.write_notes("compare", {"left_out": sample.small, "trouble": trouble.rows})
