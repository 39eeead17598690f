"""Pictures of a surface: light, heat with contours, hatching, outlines."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.colors import to_rgb
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.bone.heat import BONE, HEAT, WITHIN, heat_steps
from morpho.drawing.style import INK

__all__ = [
    "CONTOUR", "DPI", "HATCH", "HATCHED", "ZERO", "ShownSurface", "View", "paint",
]  # fmt: skip

Array = NDArray[np.float64]
Whole = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Dots to the inch of a picture, and how many are drawn for each, a side, to smooth the edges.
DPI, _FINER = 300, 2
# To the right, up, and towards the viewer: where the light comes from.
_LIGHT = np.array([-0.45, 0.55, 0.70]) / np.linalg.norm([-0.45, 0.55, 0.70])
# Light that comes from everywhere; with heat more, so that shade is not taken for colour.
_AMBIENT, _AMBIENT_HEAT = 0.45, 0.62
_INSIDE, HATCH, HATCHED = "#8b8378", "#8e8a94", "#f3f1f4"
# Distance of hatching lines, and width of contours, that of zero, and outlines, in points.
_HATCHING, CONTOUR, ZERO, _OUTLINE = 3.2, 0.35, 0.7, 0.5

# Dots tried against triangles at a time.
_BLOCK = 500_000
# Share of a triangle's height by which a dot may lie outside.
_SLIP = 1e-9


@dataclass(frozen=True)
class _Seen:
    """What is seen at each dot."""

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


def _see(points: Array, faces: Whole, shape: tuple[int, int]) -> _Seen:
    """See a surface along the third coordinate, the nearest triangle at each dot."""
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
    return _Seen(
        face.reshape(shape), weights.reshape(*shape, 3), depth.reshape(shape), np.asarray(faces)
    )


@dataclass(frozen=True)
class ShownSurface:
    """A surface and what is to be shown on it.

    Attributes
    ----------
    vertices : ndarray of shape (n_vertices, 3)
    faces : ndarray of int, of shape (n_faces, 3)
    normals : ndarray of shape (n_vertices, 3)
        Outward.
    values : ndarray of shape (n_vertices,) or None
        Heat; NaN stays the colour of bone.
    filled : ndarray of shape (n_vertices,) or None
        1 where the surface is hypothesis, else 0.
    limit : float
        End of the scale of heat.
    within : ndarray of shape (n_vertices,) or None
        1 where the heat is no more than members' variation, else 0: hatched, without heat.
    """

    vertices: Array
    faces: Whole
    normals: Array
    values: Array | None
    filled: Array | None
    limit: float
    within: Array | None = None


def _grown(mask: Mask, dots: int) -> Mask:
    """A mask and the dots about it, so that a line gets a width."""
    for _ in range(max(dots - 1, 0)):
        wider = mask.copy()
        wider[1:] |= mask[:-1]
        wider[:, 1:] |= mask[:, :-1]
        mask = wider
    return mask


def _steps_between(number: Array) -> Mask:
    """Dots that differ from the one above or to the right; NaN differs from nothing."""
    lines = np.zeros(number.shape, dtype=bool)
    for axis in (0, 1):
        step = np.diff(number, axis=axis)
        found = np.isfinite(step) & (step != 0)
        lines[(slice(None, -1), slice(None))[:: 1 if axis == 0 else -1]] |= found
    return lines


def _dots_wide(points: float) -> int:
    """Points as finer dots, one at least."""
    return max(1, round(points / 72 * DPI * _FINER))


def _painted(bone: ShownSurface, seen: _Seen, axes: Array, jump: float) -> Array:
    """Picture of a surface with red, green, blue and opacity, before it is made coarser."""
    covered = seen.covered
    normals = seen.of_vertices(bone.normals @ axes.T)
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    lit = np.clip(normals @ _LIGHT / np.maximum(length, 1e-300), 0, 1)
    colour = np.tile(to_rgb(BONE), (len(lit), 1))
    lines = np.zeros_like(covered)

    def spread(values: ArrayLike) -> Array:
        whole = np.full(covered.shape, np.nan)
        whole[covered] = values
        return whole

    row, column = np.nonzero(covered)
    period = _dots_wide(_HATCHING)
    if bone.values is not None:
        values = seen.of_vertices(bone.values)
        known = np.isfinite(values)
        if bone.within is not None:
            within = seen.of_vertices(bone.within) > 0.5
            known &= ~within
            values = np.where(within, np.nan, values)
            stripe = (row + column) % period < period / 4
            colour[within & stripe] = to_rgb(WITHIN)
            lines |= _grown(_steps_between(spread(within)), _dots_wide(_OUTLINE))
        colour[known] = HEAT((values[known] / bone.limit + 1) / 2)[:, :3]
        steps = heat_steps(bone.limit)
        band = np.full(len(values), np.nan)
        band[known] = np.searchsorted(steps, values[known], side="right")
        lines |= _grown(_steps_between(spread(band)), _dots_wide(CONTOUR))
        beyond = np.where(known, band > len(steps) // 2, np.nan)
        lines |= _grown(_steps_between(spread(beyond)), _dots_wide(ZERO))
    if bone.filled is not None:
        filled = seen.of_vertices(bone.filled) > 0.5
        stripe = (row - column) % period < period / 3
        there = covered.copy()
        there[covered] = filled
        lines[there] = False
        colour[filled] = to_rgb(HATCHED)
        colour[filled & stripe] = to_rgb(HATCH)
        lines |= _grown(_steps_between(spread(filled)), _dots_wide(_OUTLINE))
    turned = normals[:, 2] < 0
    colour[turned] = to_rgb(_INSIDE)
    ambient = _AMBIENT if bone.values is None else _AMBIENT_HEAT
    colour *= (ambient + (1 - ambient) * lit)[:, None]
    colour[lines[covered] & ~turned] *= 0.45
    depth = np.where(covered, seen.depth, -1e9)
    edge = np.abs(np.diff(depth, axis=0, append=-1e9)) > jump
    edge |= np.abs(np.diff(depth, axis=1, append=-1e9)) > jump
    edge = _grown(edge, _dots_wide(_OUTLINE))
    picture = np.zeros((*covered.shape, 4))
    picture[covered, :3], picture[covered, 3] = colour, 1
    picture[edge] = (*to_rgb(INK), 1)
    return picture


def _coarser(picture: Array) -> Array:
    """Means of squares of dots, colours weighted by opacity."""
    h, w = (n // _FINER for n in picture.shape[:2])
    mean = picture.reshape(h, _FINER, w, _FINER, 4).mean(axis=(1, 3))
    opacity = mean[..., 3:]
    colour = np.divide(mean[..., :3], opacity, out=np.zeros_like(mean[..., :3]), where=opacity > 0)
    return np.clip(np.concatenate([colour, opacity], axis=2), 0, 1)


class View:
    """One view: what is to the right, up and towards the viewer, and the dots about the bone.

    Parameters
    ----------
    vertices : ndarray of shape (n_vertices, 3)
        What the picture is to hold.
    view : tuple of int
        Axes that run across and up.
    per_mm : float
        Dots of the picture to a mm.
    opposite : bool
        Whether to look from the other side, so that the axis across runs to the left.
    """

    def __init__(
        self, vertices: Array, view: tuple[int, int], per_mm: float, opposite: bool
    ) -> None:
        right, up = np.eye(3)[view[0]], np.eye(3)[view[1]]
        self.axes = np.stack([-right if opposite else right, up])
        self.axes = np.vstack([self.axes, np.cross(*self.axes)])
        self.per_mm = _FINER * per_mm
        points = vertices @ self.axes.T
        room = 3 * _dots_wide(_OUTLINE) / self.per_mm
        self.low = points.min(axis=0) - room
        dots = np.ceil((points.max(axis=0) + room - self.low)[:2] * per_mm).astype(int)
        self.shape = (_FINER * int(dots[1]), _FINER * int(dots[0]))
        left, bottom = self.low[:2]
        across, tall = dots / per_mm
        ends = (-left, -left - across) if opposite else (left, left + across)
        self.extent = (*ends, bottom, bottom + tall)

    def dots(self, points: Array) -> Array:
        """Points to the right and up in dots, finer ones, and towards the viewer in mm.

        Parameters
        ----------
        points : ndarray of shape (n_points, 3)

        Returns
        -------
        ndarray of shape (n_points, 3)
        """
        seen = points @ self.axes.T - self.low
        seen[:, :2] *= self.per_mm
        return seen


def paint(bone: ShownSurface, view: View, jump: float) -> Array:
    """Picture of a surface, lit by Lambert's law, with contours and outlines.

    Parameters
    ----------
    bone : ShownSurface
    view : View
    jump : float
        An outline is drawn where the surface falls back by more than this, in mm.

    Returns
    -------
    ndarray of shape (height, width, 4)
        Red, green, blue and opacity; the first row is the lowest.
    """
    seen = _see(view.dots(bone.vertices), bone.faces, view.shape)
    return _coarser(_painted(bone, seen, view.axes, jump))
