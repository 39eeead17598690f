"""Check what the 3D part of the report is to show, and pack it for the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.distance import cdist

from morpho.drawing.bone.heat import BONE, WITHIN, heat_stops
from morpho.drawing.style import query_marks, taxon_marks
from morpho.shape.checks import ShapeError
from morpho.shape.thin_plate import bending_energy_matrix
from morpho.viewer.scene import (
    Heat,
    Points,
    Specimens,
    Surface,
    ViewerData,
    ViewerDataError,
    Warp,
    packed,
)

__all__ = ["viewer_payload"]

Array = NDArray[np.float64]


def _checked(values: ArrayLike, shape: tuple[int, ...], what: str, missing: bool = False) -> Array:
    """An array of the shape wanted, finite but for what may be missing."""
    array = np.asarray(values, dtype=float)
    if array.shape != shape:
        raise ViewerDataError(f"{what} must have shape {shape}, but has shape {array.shape}.")
    if np.isinf(array).any() or (np.isnan(array).any() and not missing):
        raise ViewerDataError(f"{what} has missing or infinite values.")
    return array


def _all_different(what: str, names: Sequence[str]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ViewerDataError(f"{what} must have different names, but {twice[0]!r} stands twice.")


def _same_length(what: str, count: int, **lists: Sequence[Any]) -> None:
    for name, values in lists.items():
        if len(values) != count:
            raise ViewerDataError(f"{what}: {count} names, but {len(values)} {name}.")


class _Follower:
    """Coefficients by which the surface follows the points: linear in displacements.

    For displacements D of the points, W = B D with the bending energy matrix B and A the
    affine part: a vertex x moves by (1, x) A - sum_j |x - x_j| w_j. The page does the sum.
    """

    def __init__(self, positions: Array) -> None:
        try:
            self.B = bending_energy_matrix(positions)
        except ShapeError as error:
            raise ViewerDataError(
                f"The surface cannot follow the points: {error} Or show the bone without it."
            ) from error
        P = np.column_stack([np.ones(len(positions)), positions])
        self.A = np.linalg.pinv(P) @ (np.eye(len(P)) + cdist(positions, positions) @ self.B)

    def __call__(self, displacement: Array) -> Array:
        return np.concatenate([self.B @ displacement, self.A @ displacement], axis=-2)


# What a warp hands on to the page unchanged.
_AS_GIVEN = ("label", "unit", "logarithmic", "sized", "size_note", "reference", "note")


def _length(mm: float, what: str) -> float:
    if not 0 < mm < np.inf:
        raise ViewerDataError(f"{what}: a unit must have a length in mm, not {mm}.")
    return float(mm)


def _heat(heat: Heat, n_vertices: int, what: str) -> dict[str, Any]:
    if not n_vertices:
        raise ViewerDataError(f"{what} has heat, but there is no surface to draw it on.")
    values = _checked(heat.values_mm, (n_vertices,), f"{what}: heat")
    if not 0 < heat.limit < np.inf:
        raise ViewerDataError(f"{what}: the scale of heat must end above 0, not at {heat.limit}.")
    entry = {
        "values": packed(values),
        "label": heat.label,
        "limit": float(heat.limit),
        "colours": heat_stops(),
    }
    if heat.within is not None:
        within = _checked(heat.within, (n_vertices,), f"{what}: heat within variation")
        entry |= {"within": packed(within), "within_colour": BONE, "within_lines": WITHIN}
    return entry


def _warp(
    warp: Warp, positions: Array, n_vertices: int, n_axes: int, follow: _Follower | None
) -> dict[str, Any]:
    k, what = len(positions), f"Warp {warp.label!r}"
    if not (np.isfinite([warp.low, warp.high]).all() and warp.low < warp.high):
        raise ViewerDataError(f"{what} must run from low to high, not {warp.low} to {warp.high}.")
    for value, name in [(warp.start, "start"), *warp.marks]:
        if not warp.low <= value <= warp.high:
            raise ViewerDataError(
                f"{what}: {name} is at {value}, beyond the ends {warp.low} and {warp.high}."
            )
    entry: dict[str, Any] = {name: getattr(warp, name) for name in _AS_GIVEN}
    if warp.mm_per_unit is not None:
        entry["mm_per_unit"] = _length(warp.mm_per_unit, what)
    entry |= {name: float(getattr(warp, name)) for name in ("low", "high", "start")}
    entry["marks"] = [[float(value), label] for value, label in warp.marks]
    for name in ("direction", "offset"):
        given, vertices = getattr(warp, name), getattr(warp, f"vertex_{name}")
        if given is None:
            if vertices is not None:
                raise ViewerDataError(f"{what}: vertices have an {name}, but points have none.")
            continue
        moved = _checked(given, (k, 3), f"{what}: {name}")
        entry[name] = packed(moved)
        if vertices is not None:
            entry[f"vertex_{name}"] = packed(
                _checked(vertices, (n_vertices, 3), f"{what}: {name} of the vertices")
            )
        elif follow is not None:
            entry[f"spline_{name}"] = packed(follow(moved))
    if warp.heat is not None:
        entry["heat"] = _heat(warp.heat, n_vertices, what)
    if warp.arrows is not None:
        entry["arrows"] = packed(_checked(warp.arrows, (k, 3), f"{what}: arrows", missing=True))
    if warp.scores_direction is not None:
        start = np.zeros(n_axes) if warp.scores_at_start is None else warp.scores_at_start
        for name, values in (("start", start), ("direction", warp.scores_direction)):
            entry[f"scores_{name}"] = packed(_checked(values, (n_axes,), f"{what}: scores"))
    return entry


def _specimens(specimens: Specimens, positions: Array, follow: _Follower | None) -> dict[str, Any]:
    names = [str(name) for name in specimens.names]
    n, n_axes = len(names), len(specimens.axis_labels)
    _all_different("Specimens", names)
    _same_length("Specimens", n, taxa=specimens.taxa, roles=specimens.roles)
    for name, role in zip(names, specimens.roles, strict=True):
        if role not in ("known", "query"):
            raise ViewerDataError(f"Specimen {name!r} must be known or query, not {role!r}.")
    if n_axes < 2:
        raise ViewerDataError(f"Specimens need scores on two axes or more, but have {n_axes}.")
    scores = _checked(specimens.scores, (n, n_axes), "Scores of the specimens")
    known = [str(t) for t, r in zip(specimens.taxa, specimens.roles, strict=True) if r == "known"]
    queries = [name for name, role in zip(names, specimens.roles, strict=True) if role == "query"]
    entry: dict[str, Any] = {
        "names": names,
        "taxa": [str(taxon) for taxon in specimens.taxa],
        "roles": list(specimens.roles),
        "axis_labels": list(specimens.axis_labels),
        "scores": packed(scores),
        "taxon_marks": [
            {"taxon": taxon, "colour": mark["color"], "marker": mark["marker"]}
            for taxon, mark in taxon_marks(known).items()
        ],
        "query_marks": [
            {"specimen": name, "colour": mark["edgecolor"], "marker": mark["marker"]}
            for name, mark in query_marks(queries).items()
        ],
    }
    if specimens.mm_per_unit is not None:
        lengths = _checked(specimens.mm_per_unit, (n,), "Sizes of the specimens")
        entry["mm_per_unit"] = [
            _length(mm, f"Specimen {name!r}") for name, mm in zip(names, lengths, strict=True)
        ]
    if specimens.configurations is None:
        return entry
    shape = (n, len(positions), 3)
    shapes = _checked(specimens.configurations, shape, "Configurations", missing=True)
    entry["configurations"] = packed(shapes)
    if follow is not None:
        # a specimen with missing points is shown without the surface
        whole = np.isfinite(shapes.reshape(n, -1).sum(axis=1))
        moved = np.where(whole[:, None, None], shapes, positions) - positions
        entry["splines"] = packed(follow(moved))
    return entry


def _points(points: Points) -> tuple[dict[str, Any], Array]:
    names = [str(name) for name in points.names]
    k = len(names)
    _same_length("Points", k, definitions=points.definitions, kinds=points.kinds)
    _all_different("Points", names)
    positions = _checked(points.positions, (k, 3), "Positions of the points")
    number = {name: i for i, name in enumerate(names)}
    outline = []
    for line in points.outline:
        for name in line:
            if name not in number:
                raise ViewerDataError(f"A line names {name!r}, which is none of the points.")
        if len(line) != 2:
            raise ViewerDataError(f"A line joins two points, not {len(line)}: {list(line)}.")
        outline.append([number[name] for name in line])
    entry = {
        "names": names,
        "definitions": [str(words) for words in points.definitions],
        "kinds": [str(kind) for kind in points.kinds],
        "positions": packed(positions),
        "outline": outline,
    }
    return entry, positions


def _surface(surface: Surface) -> tuple[dict[str, Any], int]:
    n_vertices = len(np.asarray(surface.vertices))
    vertices = _checked(surface.vertices, (n_vertices, 3), "Vertices of the surface")
    faces = np.asarray(surface.faces)
    if faces.ndim != 2 or faces.shape[1] != 3 or not np.issubdtype(faces.dtype, np.integer):
        raise ViewerDataError("Faces of the surface must be triples of vertex numbers.")
    if not faces.size or faces.min() < 0 or faces.max() >= n_vertices:
        raise ViewerDataError(
            f"The surface must have faces, and these name vertices 0 to {n_vertices - 1}."
        )
    return {"vertices": packed(vertices), "faces": packed(faces, "uint32")}, n_vertices


def viewer_payload(data: ViewerData) -> dict[str, Any]:
    """Check what is to be shown and pack it for the page.

    A `ViewerDataError` is raised if sizes do not fit together, values are missing, a face names a
    vertex that is not there, a slider has no length, or the surface cannot follow the points.
    """
    _same_length("Coordinates", 3, towards=data.towards)
    mm = None if data.mm_per_unit is None else _length(data.mm_per_unit, "The bone")
    points, positions = _points(data.points)
    payload: dict[str, Any] = {
        "title": data.title,
        "towards": list(data.towards),
        "mm_per_unit": mm,
        "size_note": data.size_note,
        "points": points,
    }
    n_vertices, follow = 0, None
    if data.surface is not None:
        payload["surface"], n_vertices = _surface(data.surface)
        follow = _Follower(positions)
    n_axes = 0
    if data.specimens is not None:
        payload["specimens"] = _specimens(data.specimens, positions, follow)
        n_axes = len(data.specimens.axis_labels)
    payload["warps"] = [_warp(w, positions, n_vertices, n_axes, follow) for w in data.warps]
    return payload
