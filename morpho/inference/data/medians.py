"""What a digitisation should look like: medians of taxa that slips do not drag along."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from morpho.inference.models.design import InferenceError
from morpho.shape.missing import landmarks_present
from morpho.shape.resistant import resistant_fit, spatial_median

__all__ = ["FEWEST", "References"]

Array = NDArray[np.float64]

# Fewest digitisations that a median of their own is made of.
FEWEST = 4
# Digitisations tried as the first reference.
_CANDIDATES = 25
_PASSES = 4
# Threshold of log distances, in scaled median absolute deviations, and bounds of that scale:
# in small samples it is known poorly.
_DEVIATIONS = 4.0
_SCALES = (0.2, 0.5)
_TO_SD = 1.4826


def _rms(deviations: Array) -> Array:
    return np.sqrt(np.nanmean(deviations**2, axis=-1))


def _median_of_chi(dimension: int) -> float:
    """Median of the chi distribution; `scipy.stats` has it too, and takes a second to import."""
    return float(np.sqrt(2 * gammaincinv(0.5 * dimension, 0.5)))


class References:
    """Median configurations of taxa, and the distances of digitisations from them.

    Parameters
    ----------
    X : ndarray of shape (n_digitisations, n_landmarks, n_dimensions)
        Bones of one side; missing landmarks are NaN.
    taxa : ndarray of str, of shape (n_digitisations,)
        Blank where it is not known.
    judged : ndarray of bool, of shape (n_digitisations,)
        Those with landmarks enough to be judged by.

    Attributes
    ----------
    taxa : list of str
        Taxa with a reference; one blank where there are none.
    medians : ndarray of shape (n_taxa, n_landmarks, n_dimensions)
    own : ndarray of bool, of shape (n_digitisations,)
        Those that are held against their own taxon.
    taxon_used : ndarray of str
        The taxon that each is held against; its own, or the nearest.
    spread : ndarray of shape (n_landmarks,)
        Usual deviation of each landmark in one direction, in units of the references.
    distance : ndarray of shape (n_digitisations,)
        NaN for those not judged.
    sizes : ndarray of shape (n_digitisations,)
        Centroid sizes as the superimposition finds them; NaN for those not judged.
    middle, limit : float
        Usual distance, and the distance beyond which a digitisation is unusual.
    """

    def __init__(self, X: Array, taxa: NDArray, judged: NDArray[np.bool_]) -> None:
        self._judged = judged
        labels, counts = np.unique(taxa[judged & (taxa != "")], return_counts=True)
        self.taxa = labels[counts >= FEWEST].tolist()
        if judged.sum() < FEWEST:
            raise InferenceError(
                f"Screening needs at least {FEWEST} digitisations with four landmarks or more, but "
                f"there are {int(judged.sum())}.",
                "few_digitisations",
                least=FEWEST,
                found=int(judged.sum()),
            )
        start = self._start(X[judged])
        if self.taxa:
            members = [judged & (taxa == name) for name in self.taxa]
        else:
            self.taxa, members = [""], [judged]
        self.own = judged & np.isin(taxa, [name for name in self.taxa if name])
        columns = np.array([self.taxa.index(t) if t in self.taxa else -1 for t in taxa])
        self.medians = np.stack([self._median(X[m], start) for m in members])
        self._others = self._left_out_medians(X, members, self.medians)
        fits = np.full((len(X), len(self.taxa), *X.shape[1:]), np.nan)
        sizes = np.full((len(X), len(self.taxa)), np.nan)
        targets = np.repeat(self.medians[None], len(X), axis=0)
        # where no taxon has a reference all are held against the others of the whole sample
        self._left_out = self.own if self.own.any() else judged
        columns[~self.own] = 0
        for i in np.flatnonzero(self._left_out):
            targets[i, columns[i]] = self._others[i]
        for g in range(len(self.taxa)):
            fits[judged, g], scales = resistant_fit(X[judged], targets[judged, g])
            sizes[judged, g] = 1 / np.maximum(scales, 1e-300)
        gaps = np.linalg.norm(fits - targets, axis=3)
        basis = self._left_out
        own_gaps = gaps[basis, columns[basis]]
        dimension = X.shape[2]
        middle = np.array([np.median(g[~np.isnan(g)]) if (~np.isnan(g)).any() else np.nan
                           for g in own_gaps.T])  # fmt: skip
        least = 1e-3 * np.nanmedian(middle)
        self.spread = np.maximum(middle, least) / _median_of_chi(dimension)
        distances = np.full(gaps.shape[:2], np.nan)
        distances[judged] = _rms(gaps[judged] / self.spread)
        nearest = np.zeros(len(X), dtype=int)
        nearest[judged] = distances[judged].argmin(axis=1)
        self._column = np.where(self.own, columns, nearest)
        rows = np.arange(len(X))
        self.distance = distances[rows, self._column]
        self.sizes = sizes[rows, self._column]
        self.taxon_used = np.array(self.taxa, dtype=object)[self._column]
        logs = np.log(np.maximum(self.distance[basis], 1e-12))
        centre = float(np.median(logs))
        scale = float(np.clip(_TO_SD * np.median(np.abs(logs - centre)), *_SCALES))
        self.middle, self.limit = float(np.exp(centre)), float(np.exp(centre + _DEVIATIONS * scale))

    @staticmethod
    def _start(X: Array) -> Array:
        """The digitisation most like the others, of the most complete ones, at unit size."""
        completeness = landmarks_present(X).sum(axis=1)
        best = np.flatnonzero(completeness == completeness.max())
        tried = best[np.linspace(0, len(best) - 1, min(_CANDIDATES, len(best))).astype(int)]
        scores = []
        for i in tried:
            gaps = np.linalg.norm(resistant_fit(X, X[i][None])[0] - X[i], axis=2)
            size = np.sqrt(np.nansum((X[i] - np.nanmean(X[i], axis=0)) ** 2))
            scores.append(np.median(_rms(gaps)) / size)
        chosen = X[tried[int(np.argmin(scores))]]
        chosen = chosen - np.nanmean(chosen, axis=0)
        return chosen / np.sqrt(np.nansum(chosen**2))

    @staticmethod
    def _median(X: Array, start: Array) -> Array:
        median = start
        for _ in range(_PASSES):
            median = spatial_median(resistant_fit(X, median[None])[0])
            median = median - np.nanmean(median, axis=0)
            median /= np.sqrt(np.nansum(median**2))
        return median

    @staticmethod
    def _left_out_medians(X: Array, members: list[NDArray[np.bool_]], medians: Array) -> Array:
        """For each digitisation of a taxon the median of the taxon's others."""
        result = np.full(X.shape, np.nan)
        for m, median in zip(members, medians, strict=True):
            rows = np.flatnonzero(m)
            aligned = resistant_fit(X[rows], median[None])[0]
            for place, i in enumerate(rows):
                result[i] = spatial_median(np.delete(aligned, place, axis=0))
        return result

    def deviations(self, aligned: Array, target: Array) -> Array:
        """Deviation of each landmark, in its usual deviations.

        Parameters
        ----------
        aligned, target : ndarray of shape (n_landmarks, n_dimensions)

        Returns
        -------
        ndarray of shape (n_landmarks,)
            NaN where the landmark is missing.
        """
        return np.linalg.norm(aligned - target, axis=1) / self.spread

    def judge(self, i: int, X: Array) -> tuple[float, Array, Array]:
        """Hold a changed digitisation against the reference of the one it was made from.

        Parameters
        ----------
        i : int
            Index of the digitisation; one of no known taxon is held against all of them.
        X : ndarray of shape (n_landmarks, n_dimensions)

        Returns
        -------
        distance : float
        aligned : ndarray of shape (n_landmarks, n_dimensions)
        target : ndarray of shape (n_landmarks, n_dimensions)
        """
        return self.judge_each(np.array([i]), X[None])[0]

    def judge_each(self, rows: NDArray[np.intp], X: Array) -> list[tuple[float, Array, Array]]:
        """Hold changed digitisations against their references, all at once: see `judge`.

        Parameters
        ----------
        rows : ndarray of int, of shape (n_changed,)
            Indices of the digitisations that they were made from.
        X : ndarray of shape (n_changed, n_landmarks, n_dimensions)

        Returns
        -------
        list of (float, ndarray, ndarray)
        """
        counts = np.where(self._left_out[rows], 1, len(self.medians))
        place = np.repeat(np.arange(len(rows)), counts)
        targets = np.concatenate(
            [self._others[i][None] if self._left_out[i] else self.medians for i in rows]
            or [np.empty((0, *X.shape[1:]))]
        )
        aligned = resistant_fit(X[place], targets)[0]
        distances = _rms(np.linalg.norm(aligned - targets, axis=2) / self.spread)
        found = []
        for last, count in zip(np.cumsum(counts), counts, strict=True):
            best = last - count + int(np.argmin(distances[last - count : last]))
            found.append((float(distances[best]), aligned[best], targets[best]))
        return found
