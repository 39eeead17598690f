"""Grow: how shape changes with size, and whether all taxa share one growth line."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.models.allometry import CommonSlope, regression_score
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.slopes import equal_slopes
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import Sample, known_sample
from morpho.steps.streams import generator
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _factors(term: Any) -> list[str]:
    return [term] if isinstance(term, str) else list(term)


def _variables(config: StudyConfig, element: str, sample: Sample, terms: list) -> dict[str, Any]:
    """Values of every term: log size, taxon, and columns of the specimen table."""
    variables: dict[str, Any] = {"size": sample.log_size, "taxon": sample.taxon}
    names = {name for term in terms for name in _factors(term)}
    if names - set(variables):
        from morpho.study.element import read_element

        table = read_element(config, element)[1].loc[sample.specimen]
        for name in names - set(variables):
            numbers = pd.to_numeric(table[name], errors="coerce")
            values = table[name] if numbers.isna().any() else numbers
            variables[name] = values.to_numpy()
    return variables


def _testable(terms: list, variables: dict[str, Any]) -> tuple[list, list[str]]:
    """Terms of which every variable varies, and the variables of the others that do not."""
    still = [name for name, values in variables.items() if len(np.unique(values)) < 2]
    kept = [term for term in terms if not set(_factors(term)) & set(still)]
    named = {name for term in terms for name in _factors(term)}
    return kept, sorted(named & set(still))


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the tests of the model's terms, of equal slopes, and scores along growth.

    Terms that cannot be tested, as a variable of theirs does not vary, are left out of the model.
    """
    sample = known_sample(config, results)
    terms = config.settings.model.terms
    count = config.settings.tests.permutations
    seed = config.settings.seed
    trouble = Trouble()
    notes: dict[str, Any] = {"left_out": sample.small, "trouble": trouble.rows}

    def tested(name: str, test: Callable[..., pd.DataFrame], *given: Any) -> pd.DataFrame:
        with trouble.met(name):
            sample.require_specimens()
            rng = generator(seed, element, "grow", name)
            return test(sample.tangent, *given, permutations=count, random_state=rng)
        return pd.DataFrame()

    variables = _variables(config, element, sample, terms)
    kept, constant = _testable(terms, variables) if sample.specimen.size else (terms, [])
    notes["constant"] = constant
    model = tested("model", term_tests, kept, variables) if kept else pd.DataFrame()
    results.write_table("model_terms", model)
    slopes = tested("slopes", equal_slopes, sample.log_size, sample.taxon)
    results.write_table("slopes", slopes)
    found = {row["term"]: float(row["p_value"]) for row in slopes.to_dict("records")}
    p = found.get("size by taxon", np.nan)
    notes["slopes_p_value"] = p if np.isfinite(p) else None

    given = results.arrays("superimposed")
    everyone = known_sample(config, results, all_taxa=True)
    role = np.where(given["known"], "known", "query")
    table = pd.DataFrame({"specimen": given["specimen"], "taxon": given["taxon"], "role": role})
    table["log_centroid_size"] = given["log_size"]
    table["regression_score"], table["extrapolates"] = np.nan, False
    notes["slope_length"] = 0.0
    with trouble.met("growth_line"):
        line = CommonSlope().fit(everyone.tangent, everyone.log_size, everyone.taxon)
        table["regression_score"] = regression_score(given["tangent"], line.slope_)
        table["extrapolates"] = line.extrapolates(given["log_size"])
        notes["slope_length"] = float(np.linalg.norm(line.slope_))
    results.write_table("growth", table)
    results.write_notes("grow", notes)
