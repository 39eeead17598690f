"""How often the same procedure is wrong on this very sample."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.membership.judging import Judgement, Rules
from morpho.inference.models.design import InferenceError
from morpho.inference.models.proportion import exact_interval
from morpho.inference.robustness.reanalysis import Material, analyse
from morpho.shape.checks import ShapeError

__all__ = ["calibrate", "calibration_summary"]

_VERDICTS = ("outside", "inside", "undecided")
_COLUMNS = [
    "left_out", "specimen", "taxon", "verdict", "verdict_as_it_is", "verdict_size_heeded", "ground",
    "nearest_taxon", "own_taxon_p_value_as_it_is", "own_taxon_p_value_size_heeded", "p_value",
]  # fmt: skip
_SUMMARY = [
    "left_out", "taxon", "specimens", "outside", "inside", "undecided", "share_outside",
    "interval_low", "interval_high", "own_taxon_rejects",
]  # fmt: skip


def _rows(
    left_out: str, names: Sequence[str], taxa: Sequence[str], found: Judgement | None
) -> list[dict]:
    """A row for each query of one fold; undecided where no model could be fitted."""
    rows = []
    for i, (name, taxon) in enumerate(zip(names, taxa, strict=True)):
        row: dict = dict.fromkeys(_COLUMNS, "") | {
            "left_out": left_out,
            "specimen": name,
            "taxon": taxon,
            "verdict": "undecided",
            "ground": "no_model",
            "own_taxon_p_value_as_it_is": np.nan,
            "own_taxon_p_value_size_heeded": np.nan,
            "p_value": np.nan,
        }
        if found is not None and found.verdicts:
            pair, verdict = found.decisions[i], found.verdicts[i]
            last = found.evidence[max(found.evidence)]
            row["verdict"], row["ground"] = verdict.verdict, verdict.ground
            row["verdict_as_it_is"] = pair[False].verdict
            row["verdict_size_heeded"] = pair[True].verdict if True in pair else ""
            row["nearest_taxon"] = str(last.taxa[np.argmin(last.comparable_distance[i])])
            row["p_value"] = max(float(e.p_value[i].max()) for e in found.evidence.values())
            for heeded, evidence in found.evidence.items():
                own = np.flatnonzero(evidence.taxa == taxon)
                if own.size:
                    key = "size_heeded" if heeded else "as_it_is"
                    row[f"own_taxon_p_value_{key}"] = float(evidence.p_value[i, own[0]])
        rows.append(row)
    return rows


def _fold(
    material: Material, names: NDArray, left: NDArray[np.bool_], what: str, rules: Rules
) -> list[dict]:
    """Judge those left out by all the other known specimens."""
    taken = np.flatnonzero(material.known | left)
    part = material.of(taken, queries=left)
    queries = taken[left[taken]]
    try:
        found = analyse(part, rules)
    except (InferenceError, ShapeError):
        found = None
    return _rows(what, names[queries].tolist(), material.taxon[queries].tolist(), found)


def calibrate(
    material: Material,
    names: NDArray,
    rules: Rules,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Leave out each known specimen, then each known taxon, and judge them by the rest.

    Everything is made again without them: superimposition, growth lines and the test of
    whether taxa share one, covariance, and the distances that others are ranked among.
    Semilandmarks keep the places that they have slid to, and estimates of missing points are
    those of the whole sample.

    Specimens of a taxon that stays in the sample and that are told outside are false alarms;
    members of a taxon left out whole that are told outside tell how likely this sample would be
    to notice that taxon, were it new.

    Parameters
    ----------
    material : Material
        Queries are not used.
    names : ndarray of shape (n_specimens,)
        Names of the specimens.
    rules : Rules
    progress : callable, optional
        Called with the number of analyses done and their total.

    Returns
    -------
    DataFrame
        A row for each specimen left out: `left_out` ('specimen' or 'taxon'), its verdict and
        evidence. A specimen that is alone in its taxon is not left out by itself, as nothing of
        its own is left to belong to; where there is one taxon, it is not left out.
    """
    taxa, counts = np.unique(material.taxon[material.known], return_counts=True)
    several = material.known & np.isin(material.taxon, taxa[counts > 1])
    singles = np.flatnonzero(several)
    whole = taxa if len(taxa) > 1 else taxa[:0]
    total, rows = len(singles) + len(whole), []
    for done, place in enumerate(singles):
        left = np.zeros(len(material.known), dtype=bool)
        left[place] = True
        rows += _fold(material, names, left, "specimen", rules)
        if progress:
            progress(done + 1, total)
    for done, taxon in enumerate(whole, start=len(singles)):
        left = material.known & (material.taxon == taxon)
        rows += _fold(material, names, left, "taxon", rules)
        if progress:
            progress(done + 1, total)
    return pd.DataFrame(rows, columns=_COLUMNS)


def calibration_summary(table: pd.DataFrame, alpha: float) -> pd.DataFrame:
    """Shares of verdicts, by taxon and over all, with exact intervals.

    Parameters
    ----------
    table : DataFrame
        From `calibrate`.
    alpha : float
        Level of the tests.

    Returns
    -------
    DataFrame
        `left_out`, `taxon` ('all taxa' for the sum), counts of verdicts, `share_outside` with
        its exact 95 % interval, and `own_taxon_rejects`: how many were rejected by their own
        taxon, as they are or at their own size. The interval of one taxon left out whole is for
        members of that taxon judged by this rest. Over all taxa left out whole there is none
        (NaN): members of one taxon stand or fall together, so that they are a sample of a few
        taxa, however many they are.
    """
    rows = []
    for left_out, part in table.groupby("left_out", sort=True):
        groups = [*part.groupby("taxon", sort=True)]
        for taxon, each in [*groups, ("all taxa", part)]:
            counts = {name: int((each["verdict"] == name).sum()) for name in _VERDICTS}
            clustered = left_out == "taxon" and taxon == "all taxa"
            ends = exact_interval(counts["outside"], len(each))
            low, high = (np.nan, np.nan) if clustered else ends
            own = each[["own_taxon_p_value_as_it_is", "own_taxon_p_value_size_heeded"]]
            rows.append(
                {
                    "left_out": left_out,
                    "taxon": taxon,
                    "specimens": len(each),
                    **counts,
                    "share_outside": counts["outside"] / len(each),
                    "interval_low": low,
                    "interval_high": high,
                    "own_taxon_rejects": int((own <= alpha).any(axis=1).sum()),
                }
            )
    return pd.DataFrame(rows, columns=_SUMMARY)
