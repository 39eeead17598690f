"""A bone's surface in three anatomical views: heat, and filled parts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure, SubFigure
from matplotlib.patches import Patch
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.bone import painting
from morpho.drawing.bone.heat import BONE, HEAT, WITHIN, heat_limit, heat_steps
from morpho.drawing.bone.painting import (
    CONTOUR,
    HATCH,
    HATCHED,
    ZERO,
    ShownSurface,
    View,
    paint,
)
from morpho.drawing.bone.views import (
    VIEWS,
    axis_names,
    bone_frame,
    bone_height,
    bone_views,
    scale_bar,
)
from morpho.drawing.style import DOUBLE
from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import check_triangles, vertex_normals

__all__ = ["surface_view"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Heights in inches: colour bar and key; the scale bar, as a share of the largest extent.
_BAR, _KEY, _SCALE_ROOM = 0.62, 0.22, 0.09
_WITHIN_LABEL = (
    "within members' variation: the nearest landmark does not pass false-discovery control"
)


def _signed(number: float) -> str:
    return "0" if abs(number) < 1e-12 else f"{number:+.3g}".replace("-", "−")


def _key(strip: SubFigure, bone: ShownSurface, label: str, filled_label: str) -> None:
    """Colour bar and legend below the views."""
    handles: list[Any] = []
    if bone.filled is not None:
        handles.append(Patch(facecolor=HATCHED, edgecolor=HATCH, hatch="/////", label=filled_label))
    if bone.within is not None:
        handles.append(
            Patch(facecolor=BONE, edgecolor=WITHIN, hatch="\\\\\\\\", label=_WITHIN_LABEL)
        )
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
        If the surface has no faces, or values, within or filled do not fit.
    ValueError
        If `limit` is not positive.

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
    if limit is not None and not limit > 0:
        raise ValueError(f"`limit` must be above 0, but is {limit}.")
    if heat is not None and limit is None:
        coloured = np.ones(len(V), dtype=bool)
        for hatched in (usual, unsure):
            coloured &= True if hatched is None else hatched < 0.5
        limit = heat_limit(heat[coloured] if coloured.any() else heat)
    bone = ShownSurface(V, F, vertex_normals(V, F), heat, unsure, limit or 1.0, usual)
    shape = V[np.unique(F)]
    low, high = bone_frame([shape])
    low[1] -= _SCALE_ROOM * float((high - low).max())
    frame = (low, high)
    entries = (unsure is not None) + (usual is not None)
    key = (_BAR if heat is not None else 0) + _KEY * entries
    tall = bone_height(frame, 0.9 * width) + 0.6
    figure = plt.figure(figsize=(width, tall + key))
    names = axis_names(figure, towards)
    upper: Any = figure
    if key:
        upper, lower = figure.subfigures(2, 1, height_ratios=[tall, key], squeeze=False)[:, 0]
        _key(lower, bone, label, filled_label)
    spans = high - low
    per_mm = painting.DPI * min(
        0.9 * width / float(spans[0] + spans[2]), tall / float(spans[1] + spans[2])
    )
    for axes, place in zip(bone_views(upper, frame, names), VIEWS, strict=True):
        view = View(shape, place, per_mm, opposite)
        picture = paint(bone, view, 0.02 * float(spans.max()))
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
        if place == VIEWS[0]:
            scale_bar(axes, frame, 0.25 * _SCALE_ROOM, opposite=opposite)
    return figure
