"""How far points lie from the surface of a scan: exact, and fast enough to check every scan."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from trimesh.triangles import closest_point

__all__ = ["distance_to_surface"]

Points = NDArray[np.float64]

# Pairs of a point and a triangle that are computed at once.
PAIRS_AT_ONCE = 200_000


def _radii(triangles: Points, centres: Points) -> Points:
    return np.sqrt(np.square(triangles - centres[:, None]).sum(axis=2).max(axis=1))


def _nearest_of(points: Points, triangles: Points, pairs: NDArray[np.int64]) -> Points:
    """Distance of each pair of a point (first column) and a triangle (second)."""
    distances = np.empty(len(pairs))
    for start in range(0, len(pairs), PAIRS_AT_ONCE):
        some = pairs[start : start + PAIRS_AT_ONCE]
        with np.errstate(invalid="ignore", divide="ignore"):  # triangles without an area
            nearest = closest_point(triangles[some[:, 1]], points[some[:, 0]])
        distances[start : start + len(some)] = np.linalg.norm(nearest - points[some[:, 0]], axis=1)
    return distances


def distance_to_surface(points: ArrayLike, vertices: ArrayLike, faces: NDArray[np.int64]) -> Points:
    """Compute the distance of each point from the nearest point of a surface of triangles.

    The nearest corner bounds the distance from above. A triangle can be nearer only if its centre
    lies within that bound plus its radius; centres are looked up in trees, one for each class of
    radii within a factor of two, so that a few large triangles do not slow down the many small.

    Examples
    --------
    >>> distance_to_surface([[0, 0, 2]], [[-9, -9, 0], [9, -9, 0], [0, 9, 0]], [[0, 1, 2]])
    array([2.])
    """
    points = np.asarray(points, dtype=np.float64)
    triangles = np.asarray(vertices, dtype=np.float64)[np.asarray(faces)]
    nearest = np.asarray(cKDTree(triangles.reshape(-1, 3)).query(points)[0])
    bound = nearest.copy()
    centres = triangles.mean(axis=1)
    radii = _radii(triangles, centres)
    classes = np.frexp(radii)[1]
    for one in np.unique(classes):
        members = np.flatnonzero(classes == one)
        tree = cKDTree(centres[members])
        found = tree.query_ball_point(points, bound + radii[members].max())
        counts = np.array([len(indices) for indices in found])
        if not counts.any():
            continue
        whose = np.repeat(np.arange(len(points)), counts)
        which = members[np.concatenate([np.asarray(i, dtype=np.int64) for i in found])]
        distances = _nearest_of(points, triangles, np.column_stack([whose, which]))
        np.fmin.at(nearest, whose, distances)
    return nearest
