"""Screen: digitisations that look wrong, with what would mend them. Nothing is changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.inference.data.screening import screen
from morpho.results.store import ElementResults
from morpho.steps.prepare.averaged import digitisation_arrays
from morpho.steps.trouble import Trouble
from morpho.study.element import read_element
from morpho.study.scheme.points import layout_of
from morpho.study.scheme.reading import Scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run", "suspected_slips"]


def suspected_slips(
    scheme: Scheme, specimens: pd.DataFrame, rows: pd.DataFrame
) -> tuple[pd.DataFrame, int, Trouble]:
    """The table `suspicions`, the number of digitisations, and why there was no screening."""
    layout = layout_of(scheme, curves=False, patches={})
    keys, X = digitisation_arrays(rows, layout.names)
    who = specimens.loc[keys["specimen"]]
    taxa = np.where(who["role"] == "known", who["taxon"], "").astype(str)
    trouble = Trouble(logged=False)
    table = pd.DataFrame()
    with trouble.met("screening"):
        found = screen(
            X,
            taxa,
            sides=who["side"].to_numpy(str) if scheme.symmetry == "matching" else None,
            partners=layout.partners,
            names=layout.names,
        )
        at = keys.loc[found["digitisation"]].reset_index(drop=True)
        table = pd.concat([at, found.drop(columns="digitisation")], axis=1)
    return table, len(X), trouble


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write what looks wrong in the digitisations of an element."""
    table, screened, trouble = suspected_slips(*read_element(config, element))
    results.write_table("suspicions", table)
    results.write_notes("screen", {"trouble": trouble.rows, "screened": screened})
