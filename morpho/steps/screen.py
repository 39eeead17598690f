"""Screen: digitisations that look wrong, with what would mend them. Nothing is changed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from morpho.inference.design import InferenceError
from morpho.inference.screening import screen
from morpho.shape.checks import ShapeError
from morpho.steps.bones import digitisation_arrays
from morpho.steps.files import ElementResults
from morpho.steps.points import layout_of
from morpho.study.check import read_element
from morpho.study.config import StudyConfig

__all__ = ["run"]

_COLUMNS = [
    "specimen", "replicate", "observer", "kind", "landmarks", "distance_before", "distance_after",
    "threshold", "proposal",
]  # fmt: skip


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write what looks wrong in the digitisations of an element."""
    scheme, specimens, rows = read_element(config, element)
    layout = layout_of(scheme, curves=False, patches={})
    keys, X = digitisation_arrays(rows, layout.names)
    who = specimens.loc[keys["specimen"]]
    taxa = np.where(who["role"] == "known", who["taxon"], "").astype(str)
    trouble = []
    table = pd.DataFrame(columns=_COLUMNS)
    try:
        found = screen(
            X,
            taxa,
            sides=who["side"].to_numpy(str) if scheme.symmetry == "matching" else None,
            partners=layout.partners,
            names=layout.names,
        )
        at = keys.loc[found["digitisation"]]
        table = pd.concat(
            [at.reset_index(drop=True), found.drop(columns="digitisation").reset_index(drop=True)],
            axis=1,
        )[_COLUMNS]
    except (InferenceError, ShapeError) as problem:
        trouble.append(f"screening: {problem}")
    results.write_table("suspicions", table)
    results.write_notes("screen", {"trouble": trouble, "screened": len(X)})
