"""Rarefy: is the sample large enough, and would more specimens decide?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.adequacy import (
    adequacy_of_taxa,
    deviations_of_members,
    rarefy,
    specimens_to_decide,
)
from morpho.inference.robustness.noticing import noticing
from morpho.results.store import ElementResults
from morpho.steps.judge.material import judged_shapes, rules_of
from morpho.steps.progress import told_in_tenths
from morpho.steps.streams import generator

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _noticing(
    config: StudyConfig, element: str, results: ElementResults, known: Shapes, rules: Rules
) -> None:
    """Write what differences this sample notices."""
    given = results.arrays("configurations")
    symmetric = results.notes("superimpose")["symmetric"]
    marks = np.flatnonzero(given["kind"] == "landmark")
    whole, landmarks = pd.DataFrame(), pd.DataFrame()
    try:
        found = noticing(
            known,
            rules,
            results.arrays("superimposed")["mean"],
            partners=given["partners"] if symmetric else None,
            landmarks=marks,
            difference=config.settings.tests.difference,
            rng=generator(config.settings.seed, element, "rarefy", "noticing"),
        )
    except InferenceError as error:
        print(f"rarefy {element}: {error}")
    else:
        told = ("difference", "power", "power_low", "power_high", "smallest")
        row = {name: getattr(found, name) for name in told}
        row |= {
            "nearest_taxa": "; ".join(found.nearest_taxa),
            "stated": config.settings.tests.difference is not None,
        }
        whole = pd.DataFrame([row])
        landmarks = pd.DataFrame(
            {"landmark": given["point"][marks], "smallest_mm": found.landmarks_mm}
        )
    results.write_table("noticing", whole)
    results.write_table("noticing_landmarks", landmarks)


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write errors against sample size, floors of the taxa, and simulated larger samples."""
    choices, seed = config.settings.robustness, config.settings.seed
    names, known, queries = judged_shapes(results)
    rules = rules_of(config, element, results)
    _noticing(config, element, results, known, rules)
    found = judge(known, queries, rules)
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
                names.tolist(),
                rules,
                simulations=choices.simulations,
                rng=generator(seed, element, "rarefy", "decide"),
                progress=told_in_tenths(f"rarefy {element}"),
            )
        except InferenceError as error:
            print(f"rarefy {element}: {error}")
    results.write_table("specimens_to_decide", needed)
