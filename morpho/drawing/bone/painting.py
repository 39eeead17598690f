"""Pictures of a surface: light, heat with contours, hatching, outlines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.colors import to_rgb
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.bone.heat import BONE, HEAT, WITHIN, heat_steps
from morpho.drawing.bone.rendering import Seen, see
from morpho.drawing.style import INK

__all__ = [
    "CONTOUR", "DPI", "HATCH", "HATCHED", "ZERO", "ShownSurface", "View", "dots_wide", "paint",
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


def dots_wide(points: float) -> int:
    """Points as finer dots, one at least.

    Parameters
    ----------
    points : float

    Returns
    -------
    int
    """
    return max(1, round(points / 72 * DPI * _FINER))


def _painted(bone: ShownSurface, seen: Seen, axes: Array, jump: float) -> Array:
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
    period = dots_wide(_HATCHING)
    if bone.values is not None:
        values = seen.of_vertices(bone.values)
        known = np.isfinite(values)
        if bone.within is not None:
            within = seen.of_vertices(bone.within) > 0.5
            known &= ~within
            values = np.where(within, np.nan, values)
            stripe = (row + column) % period < period / 4
            colour[within & stripe] = to_rgb(WITHIN)
            lines |= _grown(_steps_between(spread(within)), dots_wide(_OUTLINE))
        colour[known] = HEAT((values[known] / bone.limit + 1) / 2)[:, :3]
        steps = heat_steps(bone.limit)
        band = np.full(len(values), np.nan)
        band[known] = np.searchsorted(steps, values[known], side="right")
        lines |= _grown(_steps_between(spread(band)), dots_wide(CONTOUR))
        beyond = np.where(known, band > len(steps) // 2, np.nan)
        lines |= _grown(_steps_between(spread(beyond)), dots_wide(ZERO))
    if bone.filled is not None:
        filled = seen.of_vertices(bone.filled) > 0.5
        stripe = (row - column) % period < period / 3
        there = covered.copy()
        there[covered] = filled
        lines[there] = False
        colour[filled] = to_rgb(HATCHED)
        colour[filled & stripe] = to_rgb(HATCH)
        lines |= _grown(_steps_between(spread(filled)), dots_wide(_OUTLINE))
    turned = normals[:, 2] < 0
    colour[turned] = to_rgb(_INSIDE)
    ambient = _AMBIENT if bone.values is None else _AMBIENT_HEAT
    colour *= (ambient + (1 - ambient) * lit)[:, None]
    colour[lines[covered] & ~turned] *= 0.45
    depth = np.where(covered, seen.depth, -1e9)
    edge = np.abs(np.diff(depth, axis=0, append=-1e9)) > jump
    edge |= np.abs(np.diff(depth, axis=1, append=-1e9)) > jump
    edge = _grown(edge, dots_wide(_OUTLINE))
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
        room = 3 * dots_wide(_OUTLINE) / self.per_mm
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
    seen = see(view.dots(bone.vertices), bone.faces, view.shape)
    return _coarser(_painted(bone, seen, view.axes, jump))
