"""A bone's surface in three anatomical views, with heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize, to_rgb
from matplotlib.figure import Figure, SubFigure
from matplotlib.patches import Patch
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.bone.heat import BONE, HEAT, WITHIN, heat_steps, shown_limit
from morpho.drawing.bone.views import (
    VIEWS,
    axis_names,
    bone_frame,
    bone_height,
    bone_views,
    scale_bar,
)
from morpho.drawing.style import DOUBLE, INK
from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import check_triangles, vertex_normals

__all__ = ["surface_view"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Heights in inches: colour bar and key; the scale bar, as a share of the largest extent.
_BAR, _KEY, _SCALE_ROOM = 0.62, 0.22, 0.09
_WITHIN_LABEL = (
    "within members' variation: the nearest landmark does not pass false-discovery control"
)
# Dots to the inch of a picture, and how many are drawn for each, a side, to smooth the edges.
_DPI, _FINER = 300, 2
# To the right, up, and towards the viewer: where the light comes from.
_LIGHT = np.array([-0.45, 0.55, 0.70]) / np.linalg.norm([-0.45, 0.55, 0.70])
# Light that comes from everywhere; with heat more, so that shade is not taken for colour.
_AMBIENT, _AMBIENT_HEAT = 0.45, 0.62
_INSIDE = "#8b8378"
# Distance of hatching lines, and width of contours, that of zero, and outlines, in points.
_HATCHING, _CONTOUR, _ZERO, _OUTLINE = 3.2, 0.35, 0.7, 0.5
# Dots tried against triangles at a time.
_BLOCK = 500_000
# Share of a triangle's height by which a dot may lie outside.
_SLIP = 1e-9


@dataclass(frozen=True)
class _Seen:
    """What is seen at each dot."""

    face: Whole  # number of the nearest triangle, -1 where there is none; the lowest row first
    weights: Array  # share of each of its corners
    depth: Array  # towards the viewer; minus infinity where there is nothing
    faces: Whole

    @property
    def covered(self) -> Mask:
        """Dots where there is a surface."""
        return np.asarray(self.face >= 0)

    def of_vertices(self, values: Array) -> Array:
        """Values of the vertices as seen at the dots covered, between corners by their shares."""
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
class _ShownSurface:
    """A surface and what is to be shown on it."""

    vertices: Array
    faces: Whole
    normals: Array  # outward
    values: Array | None  # heat; NaN stays the colour of bone
    limit: float  # end of the scale of heat
    # 1 where the heat is no more than members' variation, else 0: hatched, without heat
    within: Array | None = None

    @property
    def hidden(self) -> Mask:
        """Vertices that take no colour of the scale of heat."""
        within = np.zeros(len(self.vertices)) if self.within is None else self.within
        return np.asarray(within > 0.5)


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
    return max(1, round(points / 72 * _DPI * _FINER))


def _painted(bone: _ShownSurface, seen: _Seen, axes: Array, jump: float) -> Array:
    """Picture with red, green, blue and opacity, lit by Lambert's law, before it is coarser."""
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

    if bone.values is not None:
        values = seen.of_vertices(bone.values)
        known = np.isfinite(values)
        if bone.within is not None:
            within = seen.of_vertices(bone.within) > 0.5
            known &= ~within
            values = np.where(within, np.nan, values)
            period = _dots_wide(_HATCHING)
            stripe = np.add(*np.nonzero(covered)) % period < period / 4
            colour[within & stripe] = to_rgb(WITHIN)
            lines |= _grown(_steps_between(spread(within)), _dots_wide(_OUTLINE))
        colour[known] = HEAT((values[known] / bone.limit + 1) / 2)[:, :3]
        steps = heat_steps(bone.limit)
        band = np.full(len(values), np.nan)
        band[known] = np.searchsorted(steps, values[known], side="right")
        lines |= _grown(_steps_between(spread(band)), _dots_wide(_CONTOUR))
        beyond = np.where(known, band > len(steps) // 2, np.nan)
        lines |= _grown(_steps_between(spread(beyond)), _dots_wide(_ZERO))
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


class _View:
    """One view: what is to the right, up and towards the viewer, and the dots about the bone."""

    def __init__(self, vertices: Array, view: list[int], per_mm: float) -> None:
        self.axes = np.eye(3)[view]
        self.axes = np.vstack([self.axes, np.cross(*self.axes)])
        self.per_mm = _FINER * per_mm
        points = vertices @ self.axes.T
        room = 3 * _dots_wide(_OUTLINE) / self.per_mm
        self.low = points.min(axis=0) - room
        dots = np.ceil((points.max(axis=0) + room - self.low)[:2] * per_mm).astype(int)
        self.shape = (_FINER * int(dots[1]), _FINER * int(dots[0]))
        left, bottom = self.low[:2]
        across, tall = dots / per_mm
        self.extent = (left, left + across, bottom, bottom + tall)

    def dots(self, points: Array) -> Array:
        """Points to the right and up in dots, finer ones, and towards the viewer in mm."""
        seen = points @ self.axes.T - self.low
        seen[:, :2] *= self.per_mm
        return seen


def _signed(number: float) -> str:
    return "0" if abs(number) < 1e-12 else f"{number:+.3g}".replace("-", "−")


def _key(strip: SubFigure, bone: _ShownSurface, label: str) -> None:
    """Colour bar and legend below the views."""
    if bone.values is not None:
        grid = strip.add_gridspec(1, 3, width_ratios=[0.2, 0.6, 0.2])
        axes = strip.add_subplot(grid[0, 1])
        over = np.abs(bone.values[np.isfinite(bone.values) & ~bone.hidden])
        bar = strip.colorbar(
            ScalarMappable(Normalize(-bone.limit, bone.limit), HEAT), cax=axes,
            orientation="horizontal", label=label,
            extend="both" if (over > bone.limit * (1 + 1e-9)).any() else "neither",
        )  # fmt: skip
        steps = heat_steps(bone.limit)
        # as many numbers as there is room for, zero in any case
        needed = 0.05 * max(len(_signed(step)) for step in steps) + 0.1
        sparse = int(np.ceil(needed * len(steps) / (0.6 * strip.bbox.width / strip.dpi)))
        ticks = steps[len(steps) // 2 % sparse :: sparse].tolist()
        bar.set_ticks(ticks, labels=[_signed(tick) for tick in ticks])
        bar.outline.set_linewidth(0.6)  # type: ignore[operator]
        for step in steps:
            line = _CONTOUR if step else _ZERO
            bar.ax.axvline(step, color="black", linewidth=line, alpha=0.55)
    if bone.within is not None:
        patch = Patch(facecolor=BONE, edgecolor=WITHIN, hatch="\\\\\\\\", label=_WITHIN_LABEL)
        strip.legend(handles=[patch], loc="outside lower center")


def _checked(values: ArrayLike | None, name: str, n: int, kind: type) -> Array | None:
    if values is None:
        return None
    array = np.asarray(values, dtype=kind).astype(float)
    if array.shape != (n,):
        raise ShapeError(
            f"`{name}` must have one entry for each of the {n} vertices, but has shape "
            f"{array.shape}."
        )
    return array


def surface_view(
    vertices: ArrayLike,
    faces: ArrayLike,
    towards: Sequence[str],
    *,
    values: ArrayLike | None = None,
    limit: float | None = None,
    label: str = "Stands out beyond the mean (+) or stays behind it (−), in mm",
    within: ArrayLike | None = None,
    width: float = DOUBLE,
) -> Figure:
    """Draw a surface in three anatomical views on one scale, with a scale bar.

    Vertices are in mm, turned to the anatomical axes, which point `towards`; faces are wound so
    that they look outwards: where their inner sides show, they are dark. At each vertex may be
    given the heat in mm, NaN where it stays the colour of bone, and whether it is `within`
    members' variation, hatched in that colour. `limit` ends the scale on both sides, and is to be
    given where several figures are to be compared.

    Orthographic, by comparing depths at each dot; lit by Lambert's law with normals between the
    vertices'. The picture is an image within the figure, so that files stay small whatever the
    number of faces; all words are text.
    """
    V, F = check_triangles(vertices, faces)
    heat = _checked(values, "values", len(V), float)
    usual = _checked(within, "within", len(V), bool)
    if limit is not None and not limit > 0:
        raise ValueError(f"`limit` must be above 0, but is {limit}.")
    bone = _ShownSurface(V, F, vertex_normals(V, F), heat, limit or 1.0, usual)
    if heat is not None and limit is None:
        bone = replace(bone, limit=shown_limit(heat, bone.hidden))
    shape = V[np.unique(F)]
    low, high = bone_frame([shape])
    low[1] -= _SCALE_ROOM * float((high - low).max())
    frame = (low, high)
    key = (_BAR if heat is not None else 0) + (_KEY if usual is not None else 0)
    tall = bone_height(frame, 0.9 * width) + 0.6
    figure = plt.figure(figsize=(width, tall + key))
    names = axis_names(figure, towards)
    upper: Any = figure
    if key:
        upper, lower = figure.subfigures(2, 1, height_ratios=[tall, key], squeeze=False)[:, 0]
        _key(lower, bone, label)
    spans = high - low
    per_mm = _DPI * min(0.9 * width / float(spans[0] + spans[2]), tall / float(spans[1] + spans[2]))
    for axes, place in bone_views(upper, frame, names):
        view = _View(shape, place, per_mm)
        seen = _see(view.dots(V), F, view.shape)
        picture = _coarser(_painted(bone, seen, view.axes, 0.02 * float(spans.max())))
        axes.imshow(picture, extent=view.extent, origin="lower", zorder=2,
                    interpolation="antialiased", aspect="equal")  # fmt: skip
        axes.set_xlim(frame[0][place[0]], frame[1][place[0]])
        axes.set_ylim(frame[0][place[1]], frame[1][place[1]])
        depth = int(np.abs(view.axes[2]).argmax())
        side = "towards" if view.axes[2][depth] > 0 else "away from"
        title = f"{names[depth]}\n{side} you"
        axes.set_title(title, fontsize=7, loc="right" if place == VIEWS[2] else "left")
        if place == VIEWS[0]:
            scale_bar(axes, frame, 0.25 * _SCALE_ROOM)
    return figure
