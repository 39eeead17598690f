"""A bone's surface in three anatomical views: heat, filled parts, vectors at landmarks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure, SubFigure
from matplotlib.patches import FancyArrowPatch, Patch
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.bone import painting
from morpho.drawing.bone.arrows import ARROWS_OF_KEYS
from morpho.drawing.bone.heat import BONE, HEAT, WITHIN, heat_limit, heat_steps
from morpho.drawing.bone.painting import (
    CONTOUR,
    HATCH,
    HATCHED,
    ZERO,
    ShownSurface,
    View,
    dots_wide,
    paint,
)
from morpho.drawing.bone.rendering import hidden
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
Mask = NDArray[np.bool_]

# Landmarks as near to an outline as this, in points, are seen.
_ROUND = 1.5
# Heights in inches: colour bar and key; the scale bar, as a share of the largest extent.
_BAR, _KEY, _SCALE_ROOM = 0.62, 0.22, 0.09
_WITHIN_LABEL = (
    "within members' variation: the nearest landmark does not pass false-discovery control"
)


def _arrows(axes: Axes, view: tuple, at: Array, moved: Array, visible: Mask) -> None:
    for shown, opacity in ((~visible, 0.35), (visible, 1.0)):
        if not shown.any():
            continue
        axes.quiver(
            *at[shown][:, list(view)].T, *moved[shown][:, list(view)].T, angles="xy",
            scale_units="xy", scale=1, width=1.1 / 72, units="inches", color=INK, alpha=opacity,
            edgecolor="white", linewidth=0.35, headwidth=4.5, headlength=5, headaxislength=4.5,
            minlength=0.1, zorder=4,
        )  # fmt: skip


def _signed(number: float) -> str:
    return "0" if abs(number) < 1e-12 else f"{number:+.3g}".replace("-", "−")


def _key(
    strip: SubFigure, bone: ShownSurface, label: str, filled_label: str, vector_label: str
) -> None:
    """Colour bar and legend below the views."""
    handles: list[Any] = []
    if bone.filled is not None:
        handles.append(Patch(facecolor=HATCHED, edgecolor=HATCH, hatch="/////", label=filled_label))
    if bone.within is not None:
        handles.append(
            Patch(facecolor=BONE, edgecolor=WITHIN, hatch="\\\\\\\\", label=_WITHIN_LABEL)
        )
    if vector_label:
        handles.append(FancyArrowPatch((0, 0), (1, 0), color=INK, label=vector_label))
    if bone.values is not None:
        grid = strip.add_gridspec(1, 3, width_ratios=[0.2, 0.6, 0.2])
        axes = strip.add_subplot(grid[0, 1])
        shown = np.isfinite(bone.values)
        for hatched in (bone.filled, bone.within):
            shown &= True if hatched is None else hatched < 0.5
        over = np.abs(bone.values[shown])
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
            line = CONTOUR if step else ZERO
            bar.ax.axvline(step, color="black", linewidth=line, alpha=0.55)
    if handles:
        look: dict[str, Any] = {
            "handles": handles, "loc": "outside lower center",
            "handler_map": ARROWS_OF_KEYS,
        }  # fmt: skip
        box = strip.legend(ncols=len(handles), **look)
        if len(handles) > 1 and box.get_window_extent().width > 0.97 * strip.bbox.width:
            box.remove()
            box = strip.legend(ncols=1, **look)


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


def _vectors(landmarks: ArrayLike | None, vectors: ArrayLike | None) -> tuple[Array, Array] | None:
    if vectors is None:
        return None
    at = np.asarray([] if landmarks is None else landmarks, dtype=float)
    moved = np.asarray(vectors, dtype=float)
    if at.shape != moved.shape or at.ndim != 2 or at.shape[1] != 3:
        raise ShapeError(
            "`landmarks` and `vectors` must both have shape (n_landmarks, 3), but have shapes "
            f"{at.shape} and {moved.shape}."
        )
    return at, moved


def surface_view(
    vertices: ArrayLike,
    faces: ArrayLike,
    towards: Sequence[str],
    *,
    values: ArrayLike | None = None,
    limit: float | None = None,
    label: str = "Stands out beyond the mean (+) or stays behind it (−), in mm",
    within: ArrayLike | None = None,
    filled: ArrayLike | None = None,
    filled_label: str = "filled: a hypothesis",
    landmarks: ArrayLike | None = None,
    vectors: ArrayLike | None = None,
    magnify: float = 1.0,
    vector_label: str = "from the mean to this bone",
    opposite: bool = False,
    width: float = DOUBLE,
) -> Figure:
    """Draw a surface in three anatomical views on one scale, with a scale bar.

    Parameters
    ----------
    vertices : array-like of shape (n_vertices, 3)
        In mm, turned to the anatomical axes.
    faces : array-like of int, of shape (n_faces, 3)
        Wound so that they look outwards; where their inner sides show, they are dark.
    towards : sequence of str
        What the x, y and z axes point towards.
    values : array-like of shape (n_vertices,), optional
        Heat in mm, with contours at the ticks of the scale; NaN stays the colour of bone.
    limit : float, optional
        End of the scale on both sides; by default from `heat_limit`. To be given where several
        figures are to be compared.
    label : str
        What the colours mean.
    within : array-like of bool, of shape (n_vertices,), optional
        Where the heat is no more than members' variation: hatched in the colour of bone.
    filled : array-like of bool, of shape (n_vertices,), optional
        What is hypothesis: hatched, without heat.
    filled_label : str
    landmarks, vectors : array-like of shape (n_landmarks, 3), optional
        Arrows start at the landmarks; those behind the surface are faint.
    magnify : float
        Factor by which arrows are drawn longer; the key says it.
    vector_label : str
    opposite : bool
        Whether to look from the other three sides.
    width : float
        Of the figure, in inches.

    Returns
    -------
    Figure

    Raises
    ------
    ShapeError
        If the surface has no faces, or values, within, filled or vectors do not fit.
    ValueError
        If `limit` or `magnify` is not positive.

    Notes
    -----
    Orthographic, by comparing depths at each dot; lit by Lambert's law with normals between the
    vertices'. The picture is an image within the figure, so that files stay small whatever the
    number of faces; all words are text.
    """
    V, F = check_triangles(vertices, faces)
    heat = _checked(values, "values", len(V), float)
    usual = _checked(within, "within", len(V), bool)
    unsure = _checked(filled, "filled", len(V), bool)
    arrows = _vectors(landmarks, vectors)
    for name, number in (("limit", limit), ("magnify", magnify)):
        if number is not None and not number > 0:
            raise ValueError(f"`{name}` must be above 0, but is {number}.")
    if heat is not None and limit is None:
        coloured = np.ones(len(V), dtype=bool)
        for hatched in (usual, unsure):
            coloured &= True if hatched is None else hatched < 0.5
        limit = heat_limit(heat[coloured] if coloured.any() else heat)
    bone = ShownSurface(V, F, vertex_normals(V, F), heat, unsure, limit or 1.0, usual)
    shapes = [V[np.unique(F)]]
    if arrows is not None:
        shapes += [arrows[0], arrows[0] + magnify * arrows[1]]
    low, high = bone_frame(shapes)
    low[1] -= _SCALE_ROOM * float((high - low).max())
    frame = (low, high)
    entries = (unsure is not None) + (arrows is not None)
    if width > 0.8 * DOUBLE:  # there is room for them beside each other
        entries = min(entries, 1)
    entries += usual is not None
    key = (_BAR if heat is not None else 0) + _KEY * entries
    tall = bone_height(frame, 0.9 * width) + 0.6
    figure = plt.figure(figsize=(width, tall + key))
    names = axis_names(figure, towards)
    upper: Any = figure
    if key:
        upper, lower = figure.subfigures(2, 1, height_ratios=[tall, key], squeeze=False)[:, 0]
        told = "" if arrows is None else vector_label + (
            f", drawn {magnify:g} times as long" if magnify != 1 else ", to scale"
        )  # fmt: skip
        _key(lower, bone, label, filled_label, told)
    spans = high - low
    per_mm = painting.DPI * min(
        0.9 * width / float(spans[0] + spans[2]), tall / float(spans[1] + spans[2])
    )
    for axes, place in zip(bone_views(upper, frame, names), VIEWS, strict=True):
        view = View(shapes[0], place, per_mm, opposite)
        picture, seen = paint(bone, view, 0.02 * float(spans.max()))
        axes.imshow(picture, extent=view.extent, origin="lower", zorder=2,
                    interpolation="antialiased", aspect="equal")  # fmt: skip
        axes.set_xlim(frame[0][place[0]], frame[1][place[0]])
        axes.set_ylim(frame[0][place[1]], frame[1][place[1]])
        depth = int(np.abs(view.axes[2]).argmax())
        side = "towards" if view.axes[2][depth] > 0 else "away from"
        title = f"{names[depth]}\n{side} you"
        axes.set_title(title, fontsize=7, loc="right" if place == VIEWS[2] else "left")
        if opposite:
            axes.invert_xaxis()
            axes.set_xlabel(f"← {names[place[0]]}", loc="left")
        if arrows is not None:
            at = view.dots(arrows[0])
            behind = hidden(seen, at, 0.01 * float(spans.max()), dots_wide(_ROUND))
            _arrows(axes, place, arrows[0], magnify * arrows[1], ~behind)
        if place == VIEWS[0]:
            scale_bar(axes, frame, 0.25 * _SCALE_ROOM, opposite=opposite)
    return figure
