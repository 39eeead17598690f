"""Discriminate: canonical axes of the known taxa, and how well they tell specimens apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.taxa.discriminant import CrossValidation, ShapeDiscriminant, cross_validate
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import known_sample
from morpho.steps.streams import seed_of
from morpho.steps.trouble import Trouble

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

_TABLES = ("canonical_scores", "canonical_axes", "confusion", "accuracy")


def _scores(values: np.ndarray, kind: str, who: pd.DataFrame) -> pd.DataFrame:
    table = who.copy()
    table["kind"] = kind
    table["canonical_1"] = values[:, 0]
    table["canonical_2"] = values[:, 1] if values.shape[1] > 1 else 0.0
    return table


def _one(
    model: ShapeDiscriminant, folds: Any, given: dict, chosen: np.ndarray
) -> tuple[list[pd.DataFrame], CrossValidation]:
    """Tables of scores, axes, confusion and accuracy with size left or removed."""
    from sklearn.metrics import cohen_kappa_score, confusion_matrix

    X, size, taxon = given["coordinates"], given["log_size"], given["taxon"]
    y = taxon[chosen]
    model.fit(X[chosen], y, size[chosen])
    held = cross_validate(
        model, X[chosen], y, size[chosen], folds=folds, random_state=model.random_state
    )
    shown = chosen | ~given["known"]
    who = pd.DataFrame({"specimen": given["specimen"], "taxon": taxon})
    who["role"] = np.where(given["known"], "known", "query")
    fitted = model.canonical_.transform(model.scores(X[shown], size[shown]))
    scores = pd.concat(
        [_scores(fitted, "fitted", who[shown]), _scores(held.scores, "left out", who[chosen])]
    )
    axes = pd.DataFrame(
        {
            "canonical_axis": np.arange(1, len(model.canonical_.ratios_) + 1),
            "between_by_within": model.canonical_.ratios_,
            "share_between_taxa": model.canonical_.share_between_taxa_,
        }
    )
    groups = np.unique(y)
    confusion = pd.DataFrame(
        confusion_matrix(y, held.predicted, labels=groups), index=groups, columns=groups
    ).melt(ignore_index=False, var_name="assigned_to", value_name="specimens")
    confusion = confusion.rename_axis("taxon").reset_index().sort_values(["taxon", "assigned_to"])
    correct = int((held.predicted == y).sum())
    accuracy = pd.DataFrame(
        {
            "specimens": [len(y)],
            "correct": correct,
            "share_correct": correct / len(y),
            "chance_corrected": cohen_kappa_score(y, held.predicted),
        }
    )
    return [scores, axes, confusion, accuracy], held


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write canonical scores, axes, the confusion table and the accuracy."""
    sample = known_sample(config, results)
    space, tests = config.settings.shape_space, config.settings.tests
    given = results.arrays("superimposed")
    chosen = np.isin(given["specimen"], sample.specimen)
    trouble = Trouble()
    notes: dict[str, Any] = {"left_out": sample.small, "trouble": trouble.rows, "axes_in_folds": {}}
    collected: dict[str, list[pd.DataFrame]] = {name: [] for name in _TABLES}
    for heeded in (False, True):
        name = "size heeded" if heeded else "as it is"
        model = ShapeDiscriminant(
            axes=space.axes,
            share=space.share,
            most=space.most,
            remove_size=heeded,
            covariance=tests.covariance,
            random_state=seed_of(config.settings.seed, element, "discriminate"),
        )
        with trouble.met("discrimination", size_heeded=heeded):
            sample.require_specimens()
            tables, held = _one(model, tests.folds, given, chosen)
            notes["axes_in_folds"][name] = [int(held.n_axes.min()), int(held.n_axes.max())]
            for table, place in zip(tables, collected.values(), strict=True):
                place.append(table.assign(size_heeded=heeded))
    for name, place in collected.items():
        results.write_table(name, place)
    results.write_notes("discriminate", notes)
