"""Which triangle of a surface is seen at each dot of a picture."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Seen", "see"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Dots tried against triangles at a time.
_BLOCK = 500_000
# Share of a triangle's height by which a dot may lie outside.
_SLIP = 1e-9


@dataclass(frozen=True)
class Seen:
    """What is seen at each dot.

    Attributes
    ----------
    face : ndarray of int, of shape (height, width)
        Number of the nearest triangle; -1 where there is none. The first row is the lowest.
    weights : ndarray of shape (height, width, 3)
        Share of each of its corners.
    depth : ndarray of shape (height, width)
        Towards the viewer; minus infinity where there is nothing.
    faces : ndarray of int, of shape (n_faces, 3)
        Corners of the triangles.
    """

    face: Whole
    weights: Array
    depth: Array
    faces: Whole

    @property
    def covered(self) -> Mask:
        """Dots where there is a surface."""
        return np.asarray(self.face >= 0)

    def of_vertices(self, values: Array) -> Array:
        """Values of the vertices as seen at the dots covered, between corners by their shares.

        Parameters
        ----------
        values : ndarray of shape (n_vertices,) or (n_vertices, n_columns)

        Returns
        -------
        ndarray of shape (n_covered,) or (n_covered, n_columns)
            Row by row, as ``array[covered]`` has them.
        """
        dots = self.covered
        corners, shares = self.faces[self.face[dots]].T, self.weights[dots].T
        shares = shares.reshape(*shares.shape, *[1] * (values.ndim - 1))
        first, second, third = (s * values[c] for s, c in zip(shares, corners, strict=True))
        return np.asarray(first + second + third)


def _bounds(x: Array, size: int) -> tuple[Whole, Whole]:
    """First dot and number of dots whose middles lie between the corners of each triangle."""
    first = np.clip(np.ceil(x.min(axis=1) - 0.5), 0, size).astype(np.intp)
    last = np.clip(np.floor(x.max(axis=1) - 0.5), -1, size - 1).astype(np.intp)
    return first, np.maximum(last - first + 1, 0)


def see(points: Array, faces: Whole, shape: tuple[int, int]) -> Seen:
    """See a surface along the third coordinate, the nearest triangle at each dot.

    Parameters
    ----------
    points : ndarray of shape (n_vertices, 3)
        To the right and up, in dots, and towards the viewer, in any unit.
    faces : ndarray of int, of shape (n_faces, 3)
    shape : tuple of int
        Height and width of the picture.

    Returns
    -------
    Seen
    """
    height, width = shape
    corners = points[faces]
    x0, across = _bounds(corners[..., 0], width)
    y0, up = _bounds(corners[..., 1], height)
    a, b, c = (corners[:, i, :2] for i in range(3))
    double = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    counts = np.where(double != 0, across * up, 0)
    able = np.flatnonzero(counts)
    a, b, c, double = a[able], b[able], c[able], double[able]
    x0, y0, across = x0[able], y0[able], across[able]
    # the shares of the second and third corner are linear in the place of the dot
    slopes = np.stack([c[:, 1] - a[:, 1], a[:, 0] - c[:, 0], a[:, 1] - b[:, 1], b[:, 0] - a[:, 0]])
    slopes /= double
    z, rise = corners[able, 0, 2], (corners[able, 1:, 2] - corners[able, :1, 2]).T
    face = np.full(height * width, -1, dtype=np.intp)
    depth = np.full(height * width, -np.inf)
    weights = np.zeros((height * width, 3))
    block = counts[able].cumsum() // _BLOCK
    cuts = [0, *(np.flatnonzero(np.diff(block)) + 1), len(able)]
    for start, stop in pairwise(cuts):
        n = counts[able[start:stop]]
        owner = np.repeat(np.arange(start, stop), n)
        place = np.arange(len(owner)) - np.repeat(n.cumsum() - n, n)
        up_, across_ = np.divmod(place, across[owner])
        column, row = x0[owner] + across_, y0[owner] + up_
        x, y = column + 0.5 - a[owner, 0], row + 0.5 - a[owner, 1]
        second = slopes[0][owner] * x + slopes[1][owner] * y
        third = slopes[2][owner] * x + slopes[3][owner] * y
        # a dot on an edge must not slip between two triangles
        inside = (second >= -_SLIP) & (third >= -_SLIP) & (second + third <= 1 + _SLIP)
        owner, second, third = owner[inside], second[inside], third[inside]
        dot = (row * width + column)[inside]
        near = z[owner] + rise[0][owner] * second + rise[1][owner] * third
        np.maximum.at(depth, dot, near)
        nearest = np.flatnonzero(near == depth[dot])[::-1]  # of equals the first face stays
        at = dot[nearest]
        face[at] = able[owner[nearest]]
        weights[at, 1], weights[at, 2] = second[nearest], third[nearest]
    weights[:, 0] = 1 - weights[:, 1] - weights[:, 2]
    return Seen(
        face.reshape(shape), weights.reshape(*shape, 3), depth.reshape(shape), np.asarray(faces)
    )
