"""Screening: digitisations that do not look like their taxon, and the slip that would explain it.

It names slips. It never changes data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from morpho.inference.data.medians import References
from morpho.inference.models.design import InferenceError
from morpho.shape.checks import ShapeError
from morpho.shape.missing import landmarks_present
from morpho.shape.symmetry.partners import check_partners
from morpho.shape.symmetry.sides import mirror

__all__ = ["COLUMNS", "screen"]

Array = NDArray[np.float64]
Judgement = tuple[float, Array, Array]

COLUMNS = (
    "digitisation",
    "kind",
    "landmarks",
    "distance_before",
    "distance_after",
    "threshold",
    "side",
    "true_names",
    "deviations",
    "times_usual",
    "factor",
)

# What only some kinds of suspicion have.
_BLANK: dict[str, Any] = {
    "landmarks": "",
    "side": "",
    "true_names": "",
    "deviations": "",
    "times_usual": np.nan,
    "factor": np.nan,
}

# The mirror image must be this much nearer, as a share of the distance.
_MIRRORED = 0.5
# A mended digitisation must come down to this share of its distance at least.
_MENDED = 0.6
# Twice the gain in log likelihood that an exchange of names must bring.
_GAIN = 50.0
# Landmarks off by this many of their usual deviations are displaced, if the rest is not.
_DISPLACED = 8.0
# Most landmarks that are called displaced: more of them, and it is the whole that is unusual.
# One where the whole is within the threshold, or the taxon is not known: neighbours vary
# together, and a new form may well differ in two.
_MOST_DISPLACED = 2
# Landmarks named for an unusual digitisation.
_NAMED = 3
# Fewest landmarks that a digitisation can be judged by.
FEWEST_LANDMARKS = 4

# Sizes within this factor of a slip's (tens, inches) are taken for that slip.
_NEAR = 1.6
# Factors between mm and cm, inches and m; 100 for a shifted decimal mark.
_SLIPS = (10.0, 25.4, 100.0, 1000.0)
# Smallest ratio to the taxon's median that is suspected, and robust deviations beyond it.
_LEAST_RATIO = 2.0
_DEVIATIONS = 6.0
_TO_SD = 1.4826


def _size_slips(sizes: Array, taxa: NDArray, own: NDArray[np.bool_]) -> list[dict[str, Any]]:
    """Digitisations that are far too large or too small for their taxon."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(sizes > 0, np.log(sizes), np.nan)
    basis = (own if own.any() else np.ones(len(sizes), dtype=bool)) & ~np.isnan(logs)
    medians = {t: float(np.median(logs[basis & (taxa == t)])) for t in np.unique(taxa[basis])}
    if not medians:
        return []
    off = np.array([x - medians.get(t, np.nan) for x, t in zip(logs, taxa, strict=True)])
    scale = _TO_SD * float(np.median(np.abs(off[basis])))
    limit = max(np.log(_LEAST_RATIO), _DEVIATIONS * scale)
    everywhere = np.array(list(medians.values()))
    rows = []
    for i in np.flatnonzero(~np.isnan(logs)):
        gap = off[i]
        if not own[i]:
            gaps = logs[i] - everywhere
            gap = gaps[np.abs(gaps).argmin()]
        if not abs(gap) > limit:
            continue
        factor = min(_SLIPS, key=lambda f: abs(abs(gap) - np.log(f)))
        after = float(abs(abs(gap) - np.log(factor)))
        near = after < np.log(_NEAR)
        rows.append(
            {
                "digitisation": int(i),
                "kind": "size",
                "distance_before": float(abs(gap)),
                "distance_after": after if near else float(abs(gap)),
                "threshold": float(limit),
                "times_usual": float(np.exp(gap)),
                "factor": factor if near else np.nan,
            }
        )
    return rows


@dataclass
class _Screen:
    references: References
    names: Sequence[str]
    sides: NDArray
    known: NDArray[np.bool_]
    partners: NDArray[np.intp] | None
    rows: list[dict[str, Any]] = field(default_factory=list)

    def add(
        self, i: int, kind: str, marks: Sequence[int], d: Sequence[float], **facts: Any
    ) -> None:
        before, after, limit = map(float, d)
        self.rows.append(
            {
                "digitisation": i,
                "kind": kind,
                "landmarks": self.joined(marks),
                "distance_before": before,
                "distance_after": after,
                "threshold": limit,
                **facts,
            }
        )

    def joined(self, marks: Sequence[int]) -> str:
        return ";".join(self.names[j] for j in marks)

    def other_side(self, X: Array) -> Array:
        """Mirror images, or left and right exchanged throughout: where there is a plane of
        symmetry the two look alike.
        """
        return mirror(X) if self.partners is None else X[:, self.partners]

    def whole(self, i: int, after: float) -> bool:
        """Whether a digitisation is of the other side, `after` being its distance as that."""
        limit, before = self.references.limit, self.references.distance[i]
        if not after <= min(limit, _MIRRORED * before):
            return False
        limits = before, after, limit
        if self.partners is None:
            self.add(i, "mirror", [], limits, side=self.sides[i])
        else:
            moved = self.partners != np.arange(len(self.partners))
            self.add(i, "swapped", np.flatnonzero(moved).tolist(), limits)
        return True

    def exchanges(self, i: int, X: Array, judgement: Judgement) -> tuple[Array, Judgement]:
        """Names exchanged between two or more landmarks; returns X with them put back."""
        before, aligned, target = judgement
        spread = self.references.spread
        there = np.flatnonzero(landmarks_present(aligned[None])[0] & ~np.isnan(target).any(axis=1))
        gaps = target[there][:, None] - aligned[there][None]
        cost = (gaps**2).sum(axis=2) / spread[there][:, None] ** 2
        order = linear_sum_assignment(cost)[1]
        mended = X
        for cycle in _cycles(order):
            gain = float(sum(cost[j, j] - cost[j, order[j]] for j in cycle))
            trial = mended.copy()
            trial[there[cycle]] = mended[there[order[cycle]]]
            verdict = self.references.judge(i, trial)
            after = verdict[0]
            u = self.references.deviations(*verdict[1:])
            if gain < _GAIN or not after < before or (u[there[cycle]] > _DISPLACED).any():
                continue
            # what is called by the name of the one is the other
            true = dict(zip(there[order[cycle]].tolist(), there[cycle].tolist(), strict=True))
            marks = sorted(true)
            limits = before, after, self.references.limit
            names = self.joined([true[j] for j in marks])
            self.add(i, "swapped", marks, limits, true_names=names)
            mended, before, judgement = trial, after, verdict
        return mended, judgement

    def displaced(self, i: int, X: Array, judgement: Judgement) -> bool:
        """One or two landmarks out of place, the rest as usual."""
        before, aligned, target = judgement
        limit = self.references.limit
        u = self.references.deviations(aligned, target)
        off = np.flatnonzero(u > _DISPLACED)
        most = _MOST_DISPLACED if self.known[i] and before > limit else 1
        if not 0 < len(off) <= most:
            return False
        without = X.copy()
        without[off] = np.nan
        if landmarks_present(without[None]).sum() < FEWEST_LANDMARKS:
            return False
        after = self.references.judge(i, without)[0]
        if not (after <= limit and after <= _MENDED * before):
            return False
        ordered = off[np.argsort(-u[off])]
        told = ";".join(f"{u[j]:.9g}" for j in ordered)
        self.add(i, "displaced", ordered.tolist(), (before, after, limit), deviations=told)
        return True

    def unusual(self, i: int, judgement: Judgement) -> None:
        """Beyond the threshold, without a slip that explains it."""
        before, aligned, target = judgement
        limit = self.references.limit
        if not (before > limit and self.known[i]):
            return
        u = np.nan_to_num(self.references.deviations(aligned, target))
        marks = np.argsort(-u)[:_NAMED]
        times = before / self.references.middle
        self.add(i, "unusual", marks.tolist(), (before, before, limit), times_usual=times)


def _cycles(order: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Cycles of a permutation that are longer than one."""
    seen, found = np.zeros(len(order), dtype=bool), []
    for start in range(len(order)):
        cycle = []
        while not seen[start]:
            seen[start] = True
            cycle.append(start)
            start = int(order[start])
        if len(cycle) > 1:
            found.append(np.array(cycle))
    return found


def _labels(values: ArrayLike | None, n: int, what: str) -> NDArray:
    if values is None:
        return np.full(n, "", dtype=object)
    array = np.asarray(values, dtype=object)
    if array.shape != (n,):
        raise InferenceError(f"There are {what} of shape {array.shape} for {n} digitisations.")
    return np.array(["" if v is None or v != v else str(v) for v in array], dtype=object)


def screen(
    X: ArrayLike,
    taxa: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    sides: ArrayLike | None = None,
    partners: ArrayLike | None = None,
    sizes: ArrayLike | None = None,
) -> pd.DataFrame:
    r"""Tell which digitisations do not look like their taxon, and what slip would explain it.

    Parameters
    ----------
    X : array-like of shape (n_digitisations, n_landmarks, n_dimensions)
        Single digitisations as they came, not mirrored; missing landmarks are NaN.
    taxa : array-like of str, of shape (n_digitisations,)
        Blank where it is not known (queries): these are held against the taxon that they are
        nearest to, and are never called unusual, which is for the study to find out.
    names : sequence of str, optional
        Names of the landmarks; their numbers from 0 by default.
    sides : array-like of str, of shape (n_digitisations,), optional
        'left', 'right' or blank, where the bone exists as left and right: left ones are
        mirrored for the comparison.
    partners : array-like of int, of shape (n_landmarks,), optional
        Index of the partner of each landmark, where the bone has a plane of symmetry.
    sizes : array-like of shape (n_digitisations,), optional
        Centroid sizes; by default those that the superimposition finds, which do not suffer
        from missing or misplaced landmarks.

    Returns
    -------
    DataFrame
        A row for each suspicion, with the columns `digitisation` (index into `X`), `kind`,
        `landmarks` (names, joined by ';'), `distance_before`, `distance_after` (once the slip
        is mended) and `threshold`. Kinds: `mirror`, the mirror image of what a bone of its `side`
        should be; `swapped`, names of landmarks exchanged, with their `true_names` in the same
        order (blank where it is left and right throughout); `displaced`, one or two landmarks
        elsewhere, by so many usual `deviations`; `unusual`, none of these, so many `times_usual`
        from its taxon; `size`, so many `times_usual` the size of its taxon, near a `factor` that
        a unit or a decimal mark would explain, or NaN.

    Raises
    ------
    ShapeError
        If `X` is no array of configurations, or the partners do not fit.
    InferenceError
        If labels do not fit, or there are too few digitisations to compare
        (`morpho.inference.data.medians.FEWEST`).

    Notes
    -----
    *Reference.* The spatial median of each taxon's digitisations, superimposed so that the sum
    of distances is least (`morpho.shape.resistant`), so that slips do not drag it.

    *Distance.* Root mean square over landmarks of their deviation from the reference, in
    usual deviations of the landmark (median within taxa, over that of a chi distribution).
    Its logarithms, pooled over taxa, have median and median absolute deviation; the threshold
    lies four scaled deviations above the median (the scaled deviation held between 0.2 and
    0.5, as small samples tell it poorly). For `size` rows, distances are absolute
    differences of log size from the taxon's median.

    *Exchanges.* The names that fit best are found for all landmarks at once, as a linear
    assignment (Kuhn 1955, Naval Research Logistics Quarterly 2(1-2), 83-97), so that every pair and
    every longer cycle is tried. A cycle is proposed if the squared deviations fall by more
    than 50 and its landmarks then lie where they should.

    *Displaced.* A landmark over eight usual deviations off (or two of a digitisation beyond the
    threshold), without which the digitisation is within the threshold and much nearer.
    *Mirror.* At most half as far once mirrored, and within the threshold.
    """
    X = np.asarray(X, dtype=float)
    if X.ndim != 3 or X.shape[2] not in (2, 3) or np.isinf(X).any():
        raise ShapeError(
            "`X` must have shape (n_digitisations, n_landmarks, n_dimensions) with finite or "
            f"missing coordinates, but has shape {X.shape}."
        )
    n, k, _ = X.shape
    if names is not None and len(names) != k:
        raise InferenceError(f"There are {len(names)} names for {k} landmarks.")
    if partners is not None:
        partners = check_partners(partners, k)
    taxon, side = _labels(taxa, n, "taxa"), _labels(sides, n, "sides")
    X = np.where((side == "left")[:, None, None], mirror(X), X)
    judged = landmarks_present(X).sum(axis=1) >= FEWEST_LANDMARKS
    references = References(X, taxon, judged)
    work = _Screen(
        references,
        list(map(str, range(k))) if names is None else list(map(str, names)),
        side,
        references.own,
        None if partners is None else np.asarray(partners, dtype=np.intp),
    )
    each = np.flatnonzero(judged)
    sides_changed = references.judge_each(each, work.other_side(X[each]))
    as_they_are = references.judge_each(each, X[each])
    for i, changed, judgement in zip(each.tolist(), sides_changed, as_they_are, strict=True):
        if work.whole(i, changed[0]):
            continue
        before = len(work.rows)
        mended, judgement = work.exchanges(i, X[i], judgement)
        if not work.displaced(i, mended, judgement) and len(work.rows) == before:
            work.unusual(i, judgement)
    found = references.sizes if sizes is None else np.asarray(sizes, dtype=float)
    if found.shape != (n,):
        raise InferenceError(f"There are sizes of shape {found.shape} for {n} digitisations.")
    rows = [*work.rows, *_size_slips(found, references.taxon_used, references.own)]
    rows.sort(key=lambda row: row["digitisation"])
    return pd.DataFrame([_BLANK | row for row in rows], columns=list(COLUMNS))
