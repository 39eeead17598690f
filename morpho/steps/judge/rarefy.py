"""Rarefy: is the sample large enough, and would more specimens decide?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from morpho.inference.membership.judging import judge
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.adequacy import (
    adequacy_of_taxa,
    deviations_of_members,
    rarefy,
    specimens_to_decide,
)
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import known_sample
from morpho.steps.judge.material import queries_of, rules_of, shapes_of
from morpho.steps.progress import told_in_tenths
from morpho.steps.streams import generator

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write errors against sample size, floors of the taxa, and simulated larger samples."""
    choices, seed = config.settings.robustness, config.settings.seed
    known = shapes_of(known_sample(config, results, all_taxa=True))
    names, queries = queries_of(results)
    rules = rules_of(config, element, results)
    found = judge(known, queries, rules, shared_axes=1)
    if found.models:
        residuals = deviations_of_members(found.models[max(found.models)])
    else:
        residuals = known.tangent - known.tangent.mean(axis=0)
    results.write_table(
        "rarefaction",
        rarefy(
            residuals,
            known.taxon,
            repeats=choices.rarefactions,
            rng=generator(seed, element, "rarefy"),
        ),
    )
    results.write_table("adequacy", adequacy_of_taxa(known, residuals, rules.alpha))
    needed = pd.DataFrame()
    if choices.simulations and found.verdicts:
        try:
            needed = specimens_to_decide(
                known,
                queries,
                names,
                rules,
                simulations=choices.simulations,
                rng=generator(seed, element, "rarefy", "decide"),
                progress=told_in_tenths(f"rarefy {element}"),
            )
        except InferenceError as error:
            print(f"rarefy {element}: {error}")
    results.write_table("specimens_to_decide", needed)
