"""The bone of an element in 3D, from its results, for the page."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from morpho.drawing.bone.heat import shown_limit
from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.design import InferenceError
from morpho.results.store import ElementResults
from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import vertex_normals
from morpho.shape.surfaces.warped import nearest_landmarks
from morpho.shape.thin_plate import ThinPlateSpline
from morpho.steps.show.superimposed import goals, superimposed_shapes
from morpho.study.scheme.reading import read_scheme
from morpho.viewer.markup import viewer_section
from morpho.viewer.scene import (
    Heat,
    Points,
    Specimens,
    Surface,
    ViewerData,
    ViewerDataError,
    Warp,
)

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["element_viewer"]

Array = NDArray[np.float64]

# Axes of shape space that can be chosen, and those that the bone is warped along.
_AXES, _WARPED = 4, 2
# A difference is drawn out to this many times.
_MOST = 3.0


class _Bone:
    """What the warps of one element are made from."""

    def __init__(self, results: ElementResults) -> None:
        self.results = results
        placed, space = results.arrays("superimposed"), results.arrays("shape_space")
        self.known, self.taxon = placed["known"], placed["taxon"].astype(str)
        self.names: list[str] = placed["specimen"].tolist()
        self.points: list[str] = placed["point"].tolist()
        self.kinds: list[str] = placed["kind"].tolist()
        self.mean, self.log_size = placed["mean"], placed["log_size"]
        self.tangent = placed["tangent"]
        self.shapes = superimposed_shapes(placed)
        self.components = space["components"]
        scores = results.table("shape_scores").set_index("specimen").loc[self.names]
        columns = [c for c in scores.columns if c.startswith("axis_")]
        self.columns = columns[: max(2, min(_AXES, len(self.components)))]
        self.scores = scores[self.columns].to_numpy(dtype=float)
        self.used = self.components[: len(self.columns)]
        share = results.table("variance_per_axis")["share_of_variance"]
        self.axes = [f"Axis {j + 1} ({100 * share[j]:.1f} % of variance)"
                     for j in range(len(self.columns))]  # fmt: skip

    def on_axes(self, tangent: Array) -> Array | None:
        """Scores of a direction; None where the axes shown are more than are kept."""
        if len(self.used) < len(self.columns):
            return None
        return self.used @ tangent.ravel()


def _axis_warps(bone: _Bone) -> Iterator[Warp]:
    for j in range(min(_WARPED, len(bone.used))):
        scores = bone.scores[bone.known, j]
        low, high = float(scores.min()), float(scores.max())
        at = None if len(bone.used) < len(bone.columns) else np.eye(len(bone.columns))[j]
        yield Warp(
            bone.axes[j], low, high, 0.0, bone.components[j].reshape(-1, 3),
            marks=[(low, "lowest known specimen"), (0.0, "mean"), (high, "highest known specimen")],
            scores_at_start=None if at is None else 0 * at,
            scores_direction=at,
            note="The direction in which the known specimens differ most"
            + (", after the first." if j else "."),
        )  # fmt: skip


def _growth_warp(bone: _Bone) -> Iterator[Warp]:
    known = bone.known
    try:
        line = CommonSlope().fit(bone.tangent[known], bone.log_size[known], bone.taxon[known])
    except InferenceError:
        return
    low, high = line.size_range_
    start = bone.on_axes(line.slope_)
    yield Warp(
        "Growth within taxa", low, high, line.mean_size_, line.slope_.reshape(-1, 3),
        unit="mm centroid size", logarithmic=True, sized=True, reference="the mean size",
        marks=[(low, "smallest"), (line.mean_size_, "mean size"), (high, "largest")],
        scores_at_start=None if start is None else 0 * start,
        scores_direction=start,
        note="How shape changes with size in the same way within all taxa.",
    )  # fmt: skip


def _query_warps(bone: _Bone, surface: Surface | None, alpha: float) -> Iterator[Warp]:
    scans = bone.results.arrays("surfaces")
    limits = dict(zip(scans["query"].tolist(), scans["limit"].tolist(), strict=True))
    for found in goals(bone.results, bone.points, alpha):
        specimen, taxon = found.specimen, found.taxon
        i = bone.names.index(specimen)
        size = float(np.exp(bone.log_size[i]))
        goal = found.shape / size
        offset, direction = goal - bone.mean, bone.shapes[i] - goal
        at_size = f"{taxon} at the size of {specimen}"
        against = at_size if found.size_heeded else f"the mean of {taxon}"
        yield Warp(
            f"{specimen} against {against}", 0.0, _MOST, 0.0, direction, offset=offset,
            unit="× the difference", reference=against, mm_per_unit=size,
            size_note=f"at the size of {specimen}",
            marks=[(0.0, against), (1.0, specimen), (_MOST, "three times the difference")],
            heat=_heat(bone, surface, goal, bone.shapes[i], size, f"{specimen} lies inward (−) or "
                       f"outward (+) of {against}, in mm", found.off, limits.get(specimen)),
            arrows=direction,
            scores_at_start=bone.on_axes(offset),
            scores_direction=bone.on_axes(direction),
            note="Arrows lead from where the taxon has its landmarks to where the query has them, "
            "also where members lie as far off; colours stand only where they do not.",
        )  # fmt: skip


def _heat(
    bone: _Bone,
    surface: Surface | None,
    goal: Array,
    shape: Array,
    size: float,
    label: str,
    off: NDArray[np.bool_],
    limit: float | None,
) -> Heat | None:
    """How far the query's surface lies beyond that of the taxon, along its normals.

    On the scale of the figure on the query's own scan, where there is one.
    """
    if surface is None:
        return None
    here = ThinPlateSpline().fit(bone.mean, goal).transform(surface.vertices)
    there = ThinPlateSpline().fit(bone.mean, shape).transform(surface.vertices)
    normals = vertex_normals(here, surface.faces)
    beyond = np.nan_to_num(np.einsum("ij,ij->i", there - here, normals) * size)
    within = ~off[nearest_landmarks(here, goal)]
    return Heat(beyond, label, shown_limit(beyond, within) if limit is None else limit, within)


def _surface(results: ElementResults) -> Surface | None:
    found = results.arrays("surfaces")
    if not len(found["mean_faces"]):
        return None
    return Surface(found["mean_vertices"].astype(float), found["mean_faces"].astype(int))


def _data(config: StudyConfig, results: ElementResults, surface: Surface | None) -> ViewerData:
    bone, alpha = _Bone(results), config.settings.tests.alpha
    scheme = read_scheme(config.scheme_path(results.element), results.element)
    definitions = {landmark.name: landmark.definition for landmark in scheme.landmarks}
    words = [
        definitions.get(name) or f"Semilandmark of {name.rpartition('.')[0].replace('_', ' ')}"
        for name in bone.points
    ]
    table = results.table("shape_scores").set_index("specimen").loc[bone.names]
    slid = results.notes("slide")
    specimens = None
    if len(bone.columns) > 1:
        specimens = Specimens(
            bone.names, table["taxon"].tolist(), table["role"].tolist(), bone.scores, bone.axes,
            bone.shapes, np.exp(bone.log_size),
        )  # fmt: skip
    return ViewerData(
        results.element.replace("_", " "),
        Points(bone.points, words, bone.kinds, bone.mean, slid["outline"]),
        surface,
        [*_axis_warps(bone), *_growth_warp(bone), *_query_warps(bone, surface, alpha)],
        specimens,
        results.notes("superimpose")["towards"],
        float(np.exp(bone.log_size[bone.known].mean())),
        "at the mean size of the known specimens",
    )


def element_viewer(config: StudyConfig, results: ElementResults) -> Markup:
    """The viewer of an element, as part of the page; blank where it cannot be shown in 3D."""
    picture = (results.folder / "figures" / "mean_shape.svg").read_bytes()
    look: dict[str, Any] = {
        "identifier": f"viewer-{results.element}",
        "still": "data:image/svg+xml;base64," + base64.b64encode(picture).decode(),
        "alternative": "Mean shape as numbered landmarks joined by lines, in three views, "
        + results.element.replace("_", " "),
    }
    for surface in (_surface(results), None):
        try:
            return viewer_section(_data(config, results, surface), **look)
        except (ViewerDataError, ShapeError) as problem:
            print(f"3D of {results.element}: {problem}")
    return Markup("")
