"""Hide and seek: how well known landmarks are found again when they are hidden."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.estimation.estimator import FEWEST, LandmarkEstimator
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size

__all__ = ["HideAndSeek", "hide_and_seek"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HideAndSeek:
    """How well each landmark is estimated when it is hidden; arrays of shape (n_landmarks,).

    Attributes
    ----------
    error_mm
        Root mean square distance of the estimate from the true place, in the unit of the
        configurations (mm).
    error_in_spread
        Root mean square distance, both at unit centroid size, over the standard deviation of
        the landmark within taxa after superimposition: near 1 or above, the taxon's mean would
        serve as well.
    coverage
        Share of the hidden landmarks that lie inside the region that holds the share
        `region` of the imputations drawn; near `region` if the draws tell the truth.
    estimated : ndarray of str
        'mirror side', 'regression' or 'spline'.
    region : float
    specimens : int
        Specimens in which each landmark was hidden.
    """

    error_mm: Array
    error_in_spread: Array
    coverage: Array
    estimated: NDArray[np.str_]
    region: float
    specimens: int


def _within_spread(X: Array, taxa: NDArray) -> Array:
    aligned = GeneralizedProcrustes().fit_transform(X)
    groups, codes = np.unique(taxa, return_inverse=True)
    means = np.stack([aligned[codes == g].mean(axis=0) for g in range(len(groups))])
    squares = ((aligned - means[codes]) ** 2).sum(axis=(0, 2))
    return np.sqrt(squares / (len(X) - len(groups)))


def _inside(true: Array, estimate: Array, drawn: Array, region: float) -> bool:
    errors = drawn - estimate
    inverse = np.linalg.pinv(errors.T @ errors / len(errors), hermitian=True)
    far = np.einsum("mi,ij,mj->m", errors, inverse, errors)
    miss = true - estimate
    return bool(miss @ inverse @ miss <= np.quantile(far, region))


def hide_and_seek(
    X: ArrayLike,
    *,
    taxa: ArrayLike | None = None,
    method: str = "regression",
    partners: ArrayLike | None = None,
    ridge: str | float = "leave_one_out",
    n_neighbours: int = 3,
    n_imputations: int = 200,
    region: float = 0.9,
    random_state: int | np.random.Generator | None = None,
) -> HideAndSeek:
    """Hide each landmark of each complete specimen and estimate it from all that is left.

    The specimen itself is left out of everything that is learned.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Complete configurations, in mm.
    taxa : array-like of shape (n_specimens,), optional
        All of one taxon by default; they set only what the error is compared with.
    method, partners, ridge, n_neighbours
        See `LandmarkEstimator`.
    n_imputations : int
        Imputations drawn of each hidden landmark.
    region : float
        Share of the imputations in the region whose coverage is told.
    random_state : int, Generator or None

    Returns
    -------
    HideAndSeek

    Raises
    ------
    ShapeError
        If there are too few complete specimens, or not a taxon for each or no variation
        within taxa.
    ValueError
        If a parameter is out of range.
    """
    X = check_configurations(X, least=FEWEST + 1)
    if not 0 < region < 1:
        raise ValueError(f"`region` must lie between 0 and 1, but is {region}.")
    n, k, _ = X.shape
    labels = np.zeros(n) if taxa is None else np.asarray(taxa)
    if labels.shape != (n,):
        raise ShapeError(f"There are taxa of shape {labels.shape} for {n} specimens.")
    if len(np.unique(labels)) == n:
        raise ShapeError("Each specimen is alone in its taxon: there is no spread to compare with.")
    rng = np.random.default_rng(random_state)
    errors = np.empty((n, k))
    inside = np.empty((n, k), dtype=bool)
    estimated = np.empty(k, dtype=object)
    for i in range(n):
        model = LandmarkEstimator(
            method=method, partners=partners, ridge=ridge, n_neighbours=n_neighbours
        ).fit(np.delete(X, i, axis=0))
        hidden = np.repeat(X[i][None], k, axis=0)
        hidden[np.arange(k), np.arange(k)] = np.nan
        estimates = model.transform(hidden)
        drawn = model.draw(hidden, n_imputations, rng)
        if i == 0:
            estimated = np.diag(model.estimated(hidden))
        for j in range(k):
            errors[i, j] = np.linalg.norm(X[i, j] - estimates[j, j])
            inside[i, j] = _inside(X[i, j], estimates[j, j], drawn[:, j, j], region)
    relative = errors / centroid_size(X)[:, None]
    return HideAndSeek(
        error_mm=np.sqrt((errors**2).mean(axis=0)),
        error_in_spread=np.sqrt((relative**2).mean(axis=0)) / _within_spread(X, labels),
        coverage=inside.mean(axis=0),
        estimated=estimated,
        region=region,
        specimens=n,
    )
