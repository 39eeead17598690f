"""Which semilandmarks slide, in which directions, and how far at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.distance import cdist

from morpho.shape.checks import ShapeError
from morpho.shape.semilandmarks.curves import curve_tangents

__all__ = ["SlidingPlan"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

# Steps along a curve close a gap between two neighbours by this share at most, so that
# points never change places; the steps of the whole curve are shortened alike.
_CLOSING = 0.8

# A step on a surface is at most this many times the usual distance of its points: the
# tangent plane is no guide further out.
_LONGEST = 2.0


def _as_indices(indices: ArrayLike, k: int, what: str) -> Whole:
    array = np.asarray(indices)
    if array.ndim != 1 or (len(array) and not np.issubdtype(array.dtype, np.integer)):
        raise ShapeError(f"{what} must be a list of whole numbers, the places of its points.")
    wrong = array[(array < 0) | (array >= k)]
    if len(wrong):
        raise ShapeError(f"{what} names point {wrong[0]}, but there are points 0 to {k - 1}.")
    return array.astype(np.intp)


class SlidingPlan:
    """Which points slide, along what, and how far they may go at once.

    Parameters
    ----------
    k, d : int
        Numbers of points and of dimensions.
    curves : sequence of array-like of int
        Points of each curve, with its end landmarks.
    surfaces : array-like of int, optional
        Surface points.

    Attributes
    ----------
    curves : list of ndarray of int
    surface : ndarray of int
    points : ndarray of int of shape (n_columns,)
        The point of each column of the equations: one column for each point that slides
        on a curve, then two for each on a surface.
    sliding : ndarray of bool of shape (k,)

    Raises
    ------
    ShapeError
        If a point does not exist or would slide twice, a curve is too short, surfaces are
        not in three dimensions, or nothing slides at all.
    """

    def __init__(
        self, k: int, d: int, curves: Sequence[ArrayLike], surfaces: ArrayLike | None
    ) -> None:
        self.curves = [_as_indices(c, k, f"Curve {i}") for i, c in enumerate(curves)]
        for i, curve in enumerate(self.curves):
            if len(curve) < 3:
                raise ShapeError(
                    f"Curve {i} (counted from 0) has {len(curve)} points: it needs both end "
                    "landmarks and at least one semilandmark between them."
                )
        no_points = np.empty(0, dtype=np.intp)
        self.surface = no_points if surfaces is None else _as_indices(surfaces, k, "`surfaces`")
        if len(self.surface) and d != 3:
            raise ShapeError("Surface semilandmarks slide in three dimensions only.")
        on_curves = np.concatenate([no_points, *(c[1:-1] for c in self.curves)])
        self.points = np.concatenate([on_curves, np.repeat(self.surface, 2)])
        sliding = np.concatenate([on_curves, self.surface])
        places, counts = np.unique(sliding, return_counts=True)
        if not len(places):
            raise ShapeError("No curve or surface was given: there is nothing to slide.")
        if (counts > 1).any():
            raise ShapeError(
                f"Points {places[counts > 1][:10].tolist()} (counted from 0) slide on more than "
                "one curve or surface, or stand twice on one: each can slide on one only."
            )
        self.sliding = np.zeros(k, dtype=bool)
        self.sliding[sliding] = True

    def directions(self, x: Array, normals: Array, frames: Array) -> Array:
        """Unit tangents of one specimen, one row for each column of the equations.

        Parameters
        ----------
        x : ndarray of shape (k, d)
        normals : ndarray of shape (n_surface_points, d)
            Unit normals.
        frames : ndarray of shape (n_surface_points, 2, d)
            Two directions for each surface point, square to each other; the tangents lie
            as near to them as they can, so that they are comparable between specimens.

        Returns
        -------
        ndarray of shape (n_columns, d)
        """
        T = np.empty((len(self.points), x.shape[1]))
        start = 0
        for curve in self.curves:
            T[start : start + len(curve) - 2] = curve_tangents(x[curve])
            start += len(curve) - 2
        if len(self.surface):
            first, second = frames[:, 0], frames[:, 1]
            share = (first * normals).sum(axis=1, keepdims=True)
            steep = np.abs(share) > 0.9  # the first direction says little there
            first = np.where(steep, np.cross(second, normals), first - share * normals)
            first /= np.linalg.norm(first, axis=1, keepdims=True)
            across = np.cross(normals, first)
            turned = (across * second).sum(axis=1, keepdims=True) < 0
            T[start::2], T[start + 1 :: 2] = first, np.where(turned, -across, across)
        return T

    def spacing(self, reference: Array) -> float:
        """Median distance of the reference's surface points from the point next to them.

        Parameters
        ----------
        reference : ndarray of shape (k, d)

        Returns
        -------
        float
            Zero if there are none.
        """
        if not len(self.surface):
            return 0.0
        apart = cdist(reference[self.surface], reference)
        apart[np.arange(len(self.surface)), self.surface] = np.inf
        return float(np.median(apart.min(axis=1)))

    def limit(self, t: Array, x: Array, spacing: float) -> Array:
        """Steps cut short where they would overshoot.

        Parameters
        ----------
        t : ndarray of shape (n_columns,)
            Steps along the tangents.
        x : ndarray of shape (k, d)
        spacing : float
            Usual distance of surface points.

        Returns
        -------
        ndarray of shape (n_columns,)
        """
        t, start = t.copy(), 0
        for curve in self.curves:
            steps = t[start : start + len(curve) - 2]
            start += len(steps)
            along, tangents = np.diff(x[curve], axis=0), curve_tangents(x[curve])
            moved = np.pad(steps[:, None] * tangents, ((1, 1), (0, 0)))
            # How much of each gap would be closed; points out of order must be let pass.
            gap, closing = (along**2).sum(axis=1), -(np.diff(moved, axis=0) * along).sum(axis=1)
            after = np.append(True, (along[1:] * tangents).sum(axis=1) > 0)
            before = np.append((along[:-1] * tangents).sum(axis=1) > 0, True)
            over = before & after & (closing > _CLOSING * gap)
            if over.any():
                steps *= (_CLOSING * gap[over] / closing[over]).min()
        pairs = t[start:].reshape(-1, 2)
        length = np.maximum(np.linalg.norm(pairs, axis=1), 1e-300)
        pairs *= np.minimum(_LONGEST * spacing / length, 1.0)[:, None]
        return t
