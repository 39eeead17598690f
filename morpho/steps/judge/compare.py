"""Compare: do the known taxa differ, which pairs of them, and do they spread alike?"""

from __future__ import annotations

from collections.abc import Callable
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
    variables = {"size": sample.log_size, "taxon": sample.taxon}
    limit = results.notes("measure")["error_distance"]
    pole = results.arrays("superimposed")["mean"]
    trouble = Trouble()
    criteria, pairs, spread = [], [], []

    def tested(test: Callable[..., Any], name: str, heeded: bool, *given: Any, **more: Any) -> Any:
        sample.require_specimens()
        way = "size heeded" if heeded else "as it is"
        more["random_state"] = generator(config.settings.seed, element, "compare", name, way)
        table = test(*given, permutations=config.settings.tests.permutations, **more)
        return table.assign(size_heeded=heeded)

    for heeded in (False, True):
        terms = ["size", "taxon"] if heeded else ["taxon"]
        of, held = (sample.tangent, sample.taxon), {"size": sample.log_size} if heeded else None
        with trouble.met("criteria", size_heeded=heeded):
            table = tested(group_tests, "criteria", heeded, sample.scores, terms, variables)
            criteria.append(table)
        with trouble.met("pairs", size_heeded=heeded):
            table = tested(compare_means, "pairs", heeded, *of, covariates=held, pole=pole)
            near = False if limit is None else table["distance"] <= limit
            pairs.append(table.assign(within_error=near))
            spread.append(tested(disparity, "disparity", heeded, *of, covariates=held))
    results.write_table("group_criteria", criteria)
    results.write_table("pairwise_distances", pairs)
    results.write_table("disparity", spread)
    results.write_notes("compare", {"left_out": sample.small, "trouble": trouble.rows})
