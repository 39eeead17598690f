"""Rings of edges filled with triangles: what closes a hole of a surface."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from morpho.shape.checks import ShapeError

__all__ = ["fill_ring", "flatness", "ring_length"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

# Rings of more corners are filled by a fan about their middle: the smallest surface would take
# time by the cube of their number.
MOST_CORNERS = 300


def ring_length(ring: Array) -> float:
    """Length of a ring, once around.

    Parameters
    ----------
    ring : ndarray of shape (n_corners, 3)

    Returns
    -------
    float
    """
    return float(np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum())


def flatness(ring: Array) -> float:
    """How far a ring leaves its plane of best fit, as a share of its length.

    Parameters
    ----------
    ring : ndarray of shape (n_corners, 3)

    Returns
    -------
    float
        Between the outermost corners on both sides; 0 if it is flat.
    """
    centred = ring - ring.mean(axis=0)
    height = centred @ np.linalg.svd(centred, full_matrices=False)[2][-1]
    return float(np.ptp(height)) / max(ring_length(ring), 1e-300)


def _smallest(ring: Array, taken: Callable[[int, int], bool]) -> list[tuple[int, int, int]] | None:
    """Triangles of the smallest total area, or none if all ways pass an edge that is taken."""
    n = len(ring)
    blocked = np.zeros((n, n), dtype=bool)
    for i in range(n):
        for j in range(i + 2, n):
            blocked[i, j] = (i, j) != (0, n - 1) and taken(i, j)
    area = np.zeros((n, n))
    cut = np.zeros((n, n), dtype=np.intp)
    for gap in range(2, n):
        first = np.arange(n - gap)
        last = first + gap
        k = first[:, None] + np.arange(1, gap)
        a, b, c = ring[first][:, None], ring[k], ring[last][:, None]
        own = np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=2))
        total = np.asarray(area[first[:, None], k] + area[k, last[:, None]] + own)
        best = total.argmin(axis=1)
        area[first, last] = np.where(blocked[first, last], np.inf, total[first, best])
        cut[first, last] = k[first, best]
    if not np.isfinite(area[0, n - 1]):
        return None
    triangles, open_ = [], [(0, n - 1)]
    while open_:
        i, j = open_.pop()
        if j - i < 2:
            continue
        middle = int(cut[i, j])
        triangles.append((i, middle, j))
        open_ += [(i, middle), (middle, j)]
    return triangles


def fill_ring(ring: Array, taken: Callable[[int, int], bool]) -> tuple[Whole, Array | None]:
    r"""Fill a ring with triangles.

    Of all triangulations that add no corner the one of smallest area is taken, by dynamic
    programming: with :math:`A_{ij}` the least area on the corners from i to j, :math:`A_{ij} =
    \min_{i<k<j} A_{ik} + A_{kj} + \lvert ikj \rvert`. Where every one would pass an edge that the
    surface has already, or the ring has more than 300 corners, it is a fan about a new corner in
    the middle.

    Parameters
    ----------
    ring : ndarray of shape (n_corners, 3)
        At least three corners, in order.
    taken : callable
        Whether an edge between two corners, given by their numbers, is there already.

    Returns
    -------
    triangles : ndarray of int, of shape (n_triangles, 3)
        Numbers of corners, wound as the ring runs; the number of corners stands for the new one.
    middle : ndarray of shape (3,) or None
        The new corner, where there is one.

    Raises
    ------
    ShapeError
        If the ring has fewer than three corners.

    References
    ----------
    Barequet, G. & Sharir, M. (1995). Filling gaps in the boundary of a polyhedron. Computer
    Aided Geometric Design 12(2), 207-229.
    """
    n = len(ring)
    if n < 3:
        raise ShapeError(f"A ring to fill needs at least 3 corners, but has {n}.")
    found = _smallest(ring, taken) if n <= MOST_CORNERS else None
    if found is not None:
        return np.array(found, dtype=np.intp), None
    here = np.arange(n)
    triangles = np.column_stack([here, np.roll(here, -1), np.full(n, n)])
    steps = np.linalg.norm(ring - np.roll(ring, -1, axis=0), axis=1)
    weight = steps + np.roll(steps, 1)
    return triangles, weight @ ring / weight.sum()
