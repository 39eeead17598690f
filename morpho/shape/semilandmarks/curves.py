"""Curves digitised as polylines: points along them, tangents, the way back onto them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError

__all__ = ["curve_tangents", "project_to_polyline", "resample", "resample_between"]

Array = NDArray[np.float64]

# Pairs of point and segment looked at together.
_BLOCK = 500_000


def _check_polyline(polyline: ArrayLike) -> Array:
    """The points of the polyline without repeats, or the reason why it is no curve."""
    line = np.asarray(polyline, dtype=float)
    if line.ndim != 2 or line.shape[1] not in (2, 3):
        raise ShapeError(
            "A curve must have shape (n_points, n_dimensions) with 2 or 3 dimensions, "
            f"but has shape {line.shape}."
        )
    bad = np.flatnonzero(~np.isfinite(line).all(axis=1))
    if bad.size:
        raise ShapeError(
            f"Points {bad[:10].tolist()} (counted from 0) of the curve are missing or infinite: "
            "leave them out, or set the curve aside."
        )
    # Points nearer than rounding count as one: a step of no length has no direction.
    extent = float(np.ptp(line, axis=0).max()) if len(line) else 0.0
    kept = np.ones(len(line), dtype=bool)
    kept[1:] = np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-12 * extent
    line = line[kept]
    if len(line) < 2:
        raise ShapeError(
            f"The curve has {len(kept)} points, but only {len(line)} at different places: "
            "it takes at least 2 to make a curve. Digitise it again, or set it aside."
        )
    return line


def resample(polyline: ArrayLike, n: int) -> Array:
    r"""Points equally spaced by arc length between the ends of a polyline.

    Point :math:`j` of :math:`n` lies at the arc length :math:`j L / (n + 1)`, with
    :math:`L` the length of the polyline; its ends are landmarks and not among them.

    Parameters
    ----------
    polyline : array-like of shape (n_points, n_dimensions)
        Digitised points in order, from one end landmark to the other. Repeated points
        are passed over.
    n : int
        How many points, at least 1.

    Returns
    -------
    ndarray of shape (n, n_dimensions)

    Raises
    ------
    ShapeError
        If fewer than two points of the polyline are distinct, or some are missing.
    ValueError
        If `n` is less than 1.

    References
    ----------
    Bookstein, F. L. (1997). Landmark methods for forms without landmarks: morphometrics
    of group differences in outline shape. Medical Image Analysis 1, 225-243.

    Examples
    --------
    >>> resample([[0, 0], [1, 0], [1, 0], [4, 0]], 3).tolist()
    [[1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]
    """
    if n < 1:
        raise ValueError(f"`n` must be 1 or more, but is {n}.")
    line = _check_polyline(polyline)
    length = np.concatenate([[0.0], np.linalg.norm(np.diff(line, axis=0), axis=1).cumsum()])
    at = length[-1] * np.arange(1, n + 1) / (n + 1)
    return np.column_stack([np.interp(at, length, line[:, a]) for a in range(line.shape[1])])


def project_to_polyline(points: ArrayLike, polyline: ArrayLike) -> tuple[Array, Array]:
    """Nearest points of a polyline.

    Parameters
    ----------
    points : array-like of shape (n, n_dimensions)
    polyline : array-like of shape (n_points, n_dimensions)
        Repeated points are passed over.

    Returns
    -------
    on_polyline : ndarray of shape (n, n_dimensions)
        For each point the nearest of all points of the segments; of several equally
        near ones, that on the earliest segment.
    distance : ndarray of shape (n,)
        How far off the points were, in the unit of the data.

    Raises
    ------
    ShapeError
        If fewer than two points of the polyline are distinct, or coordinates are missing.

    Examples
    --------
    >>> on, distance = project_to_polyline([[1, 2]], [[0, 0], [4, 0]])
    >>> on.tolist(), distance.tolist()
    ([[1.0, 0.0]], [2.0])
    """
    line = _check_polyline(polyline)
    P = np.asarray(points, dtype=float)
    if P.ndim != 2 or P.shape[1] != line.shape[1]:
        raise ShapeError(
            f"`points` must have shape (n, {line.shape[1]}) like the curve, but has "
            f"shape {P.shape}."
        )
    if not np.isfinite(P).all():
        bad = np.flatnonzero(~np.isfinite(P).all(axis=1))
        raise ShapeError(
            f"`points` {bad[:10].tolist()} (counted from 0) are missing or infinite: "
            "they cannot be brought onto the curve."
        )
    start, step = line[:-1], np.diff(line, axis=0)
    squared = (step**2).sum(axis=1)
    on = np.empty_like(P)
    size = max(1, _BLOCK // len(start))
    for i in range(0, len(P), size):
        block = P[i : i + size]
        share = ((block[:, None] - start) * step).sum(axis=2) / squared
        feet = start + np.clip(share, 0, 1)[..., None] * step
        nearest = ((block[:, None] - feet) ** 2).sum(axis=2).argmin(axis=1)
        on[i : i + size] = feet[np.arange(len(block)), nearest]
    return on, np.linalg.norm(P - on, axis=1)


def resample_between(points: ArrayLike, start: ArrayLike, end: ArrayLike, n: int) -> Array:
    """Points equally spaced along a curve that was digitised between two landmarks.

    Parameters
    ----------
    points : array-like of shape (n_points, 3)
        Digitised points in order, without the ends; those that are NaN are passed over.
    start, end : array-like of shape (3,)
        The landmarks at its ends.
    n : int
        How many points, at least 1.

    Returns
    -------
    ndarray of shape (n, 3)
        NaN where no point is there, an end is missing, or all lie at one place.
    """
    points = np.asarray(points, dtype=float)
    line = np.vstack([start, points[~np.isnan(points).any(axis=1)], end])
    if len(line) < 3 or np.isnan(line).any():
        return np.full((n, 3), np.nan)
    try:
        return resample(line, n)
    except ShapeError:
        return np.full((n, 3), np.nan)


def curve_tangents(points: ArrayLike) -> Array:
    r"""Unit tangents at the inner points of a curve: the chord between both neighbours.

    :math:`\tau_i = (x_{i+1} - x_{i-1}) / \lVert x_{i+1} - x_{i-1} \rVert`. Where the two
    neighbours lie at one place (the curve turns back on itself), the direction to the
    next point is taken.

    Parameters
    ----------
    points : array-like of shape (..., n_points, n_dimensions)
        One curve, or many with as many points: each from its end landmark through its
        points to the other end landmark.

    Returns
    -------
    ndarray of shape (..., n_points - 2, n_dimensions)

    Raises
    ------
    ShapeError
        If there are fewer than three points, or three in a row lie at one place.

    References
    ----------
    Bookstein, F. L. (1997). Landmark methods for forms without landmarks: morphometrics
    of group differences in outline shape. Medical Image Analysis 1, 225-243.
    Gunz, P. & Mitteroecker, P. (2013). Semilandmarks: a method for quantifying curves and
    surfaces. Hystrix 24, 103-109.

    Examples
    --------
    >>> curve_tangents([[0, 0], [1, 1], [2, 0]]).tolist()
    [[1.0, 0.0]]
    """
    P = np.asarray(points, dtype=float)
    if P.ndim < 2 or P.shape[-2] < 3:
        raise ShapeError(
            "A curve needs at least one point between its end landmarks to have a tangent, "
            f"but `points` has shape {P.shape}."
        )
    chord = P[..., 2:, :] - P[..., :-2, :]
    length = np.linalg.norm(chord, axis=-1, keepdims=True)
    if not (length > 0).all():
        chord = np.where(length > 0, chord, P[..., 2:, :] - P[..., 1:-1, :])
        length = np.linalg.norm(chord, axis=-1, keepdims=True)
        bad = np.argwhere(~(length[..., 0] > 0))
        if len(bad):
            raise ShapeError(
                f"Point {bad[0][-1] + 1} of a curve (counted from its first end, which is 0) and "
                "both its neighbours lie at one place or are missing: the curve has no direction "
                "there. Digitise it with points apart, or ask for fewer points on it."
            )
    return chord / length
