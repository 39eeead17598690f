"""Measure: digitising error from replicates, and the two sides of symmetric bones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.data.asymmetry import side_anova
from morpho.inference.data.digitising_error import DigitisingError, digitising_error
from morpho.inference.data.specimen_error import specimen_errors
from morpho.results.store import ElementResults
from morpho.shape.symmetry.sides import mirror
from morpho.steps.prepare.averaged import digitisation_arrays
from morpho.steps.streams import generator
from morpho.steps.trouble import Trouble
from morpho.study.element import read_element
from morpho.study.scheme.points import layout_of

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _digitisations(config: StudyConfig, element: str, results: ElementResults) -> Any:
    """Digitisations on the landmarks analysed, and which are complete ones of known specimens."""
    scheme, specimens, rows = read_element(config, element)
    table = results.table("specimens").set_index("specimen")
    landmarks = results.table("landmarks")
    names = landmarks.loc[landmarks["used"], "landmark"].tolist()
    keys, X = digitisation_arrays(rows, names)
    turn = table["mirrored"].reindex(keys["specimen"]).to_numpy(bool)
    X = np.where(turn[:, None, None], mirror(X), X)
    taxa = specimens.loc[keys["specimen"], "taxon"].to_numpy(str)
    known = (specimens.loc[keys["specimen"], "role"] == "known").to_numpy()
    # who made it and, where the specimen table tells, with what
    scanner = specimens.get("scanner", pd.Series("", index=specimens.index))
    keys["group"] = keys["observer"] + " " + scanner.loc[keys["specimen"]].to_numpy(str)
    return scheme, names, keys, X, taxa, ~np.isnan(X).any(axis=(1, 2)) & known


def _error_notes(error: DigitisingError | None) -> dict[str, Any]:
    if error is None:
        return {"repeatability": None, "error_distance": None}
    rows = {row["source"]: row for row in error.anova.to_dict("records")}
    found = error.repeatability
    within = rows["total"]["sum_of_squares"] - rows["specimen"]["sum_of_squares"]
    return {
        "repeatability": found.value,
        "repeatability_low": found.low,
        "repeatability_high": found.high,
        # how far two digitisations of one bone lie apart, in root mean square
        "error_distance": float(np.sqrt(2 * within / (found.digitisations - found.specimens))),
        "observer_p_value": rows["observer"]["p_value"] if "observer" in rows else None,
    }


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the Procrustes ANOVAs of digitisation and of side, and the error of each landmark."""
    scheme, names, keys, X, taxa, kept = _digitisations(config, element, results)
    errors = specimen_errors(X, keys["specimen"].to_numpy(str), keys["group"].to_numpy(str))
    keys, X, taxa = keys[kept].reset_index(drop=True), X[kept], taxa[kept]
    tests, seed = config.settings.tests, config.settings.seed
    trouble = Trouble()
    counts = keys["specimen"].value_counts()
    repeated = keys["specimen"].isin(counts[counts > 1].index).to_numpy()
    error = None
    if repeated.any():
        observers = keys["observer"].to_numpy(str)
        with trouble.met("digitising_error"):
            error = digitising_error(
                X,
                keys["specimen"].to_numpy(str),
                observers=observers if len(set(observers[repeated])) > 1 else None,
                taxa=taxa,
                names=names,
                permutations=tests.permutations,
                random_state=generator(seed, element, "measure", "error"),
            )
    else:
        trouble.note("", "not_repeated")
    for code in () if error is None else error.notes:
        trouble.note("", code)
    results.write_table("digitising_error", [] if error is None else error.anova)
    results.write_table("landmark_error", [] if error is None else error.landmarks)
    results.write_table("specimen_error", errors)

    sides = pd.DataFrame()
    if scheme.symmetry == "object":
        layout = layout_of(scheme, curves=False, patches={})
        layout = layout.without([name for name in layout.names if name not in names])
        with trouble.met("asymmetry"):
            sides = side_anova(
                X,
                keys["specimen"].to_numpy(str),
                layout.partners,
                permutations=tests.permutations,
                random_state=generator(seed, element, "measure", "sides"),
            )
    results.write_table("asymmetry", sides)
    results.write_notes("measure", _error_notes(error) | {"trouble": trouble.rows})
