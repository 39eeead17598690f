"""What the 3D part of the report shows: what goes in, and how it is written into a page."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import ArrayLike

__all__ = [
    "Heat", "Points", "Specimens", "Surface", "ViewerData", "ViewerDataError", "Warp",
    "embedded_json", "packed",
]  # fmt: skip

# Characters that end a script, or a line of one, wherever they stand.
_ESCAPES = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}


class ViewerDataError(ValueError):
    """What was given cannot be shown in 3D."""


@dataclass(frozen=True, eq=False)
class Points:
    """Landmarks and semilandmarks of the mean bone.

    Attributes
    ----------
    names, definitions, kinds : sequence of str
        Kinds are 'landmark' and, for semilandmarks, any other word ('curve', 'patch').
    positions : array-like of shape (n_points, 3)
    links : sequence of pairs of str
        Points to be joined by lines.
    """

    names: Sequence[str]
    definitions: Sequence[str]
    kinds: Sequence[str]
    positions: ArrayLike
    links: Sequence[Sequence[str]] = ()


@dataclass(frozen=True, eq=False)
class Surface:
    """The mean bone's surface, already as coarse as the page should carry it.

    Attributes
    ----------
    vertices : array-like of shape (n_vertices, 3)
        In the frame of the points.
    faces : array-like of shape (n_faces, 3)
        Numbers of vertices, from 0.
    """

    vertices: ArrayLike
    faces: ArrayLike


@dataclass(frozen=True, eq=False)
class Heat:
    """A value in millimetres at each vertex, drawn as colour.

    Attributes
    ----------
    values_mm : array-like of shape (n_vertices,)
        The colours run both ways from zero.
    label : str
        What the values are.
    limit : float
        End of the scale on both sides; values beyond it take the colour there.
    within : array-like of bool, of shape (n_vertices,) or None
        Where a value is no more than members' variation: hatched in the colour of bone.
    """

    values_mm: ArrayLike
    label: str
    limit: float
    within: ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class Warp:
    """A way along which a slider moves the bone.

    At the slider's value v a point lies at mean + offset + (v - start) * direction.
    Where displacements of the vertices are not given, the surface follows the points by
    the thin-plate spline.

    Attributes
    ----------
    label : str
        Name of the way, as 'Axis 1 (66.6 % of variance)'.
    low, high, start : float
        Ends of the slider, and the value at which the bone is the reference.
    direction : array-like of shape (n_points, 3)
        Displacement for one unit of the slider.
    offset : array-like of shape (n_points, 3) or None
        From the mean to the reference; none where the mean is the reference.
    vertex_direction, vertex_offset : array-like of shape (n_vertices, 3) or None
    unit : str
        Unit of the values.
    logarithmic : bool
        Whether the values are natural logarithms of what is to be read off.
    reference : str
        What the bone is at `start`.
    sized : bool
        Whether the values are natural logarithms of the millimetres of one unit, so that
        the scale bar follows the slider.
    mm_per_unit : float or None
        Of this way, where it has a size of its own; `size_note` says whose.
    size_note : str
    note : str
        A sentence on how to read it.
    marks : sequence of (float, str)
        Values worth going to, and what the bone is there.
    heat : Heat or None
    arrows : array-like of shape (n_points, 3) or None
        Vectors from the points of the reference; rows of NaN have none.
    scores_at_start, scores_direction : array-like of shape (n_axes,) or None
        Where the bone lies among the specimens.
    """

    label: str
    low: float
    high: float
    start: float
    direction: ArrayLike
    offset: ArrayLike | None = None
    vertex_direction: ArrayLike | None = None
    vertex_offset: ArrayLike | None = None
    unit: str = ""
    logarithmic: bool = False
    reference: str = "the mean"
    sized: bool = False
    mm_per_unit: float | None = None
    size_note: str = ""
    note: str = ""
    marks: Sequence[tuple[float, str]] = ()
    heat: Heat | None = None
    arrows: ArrayLike | None = None
    scores_at_start: ArrayLike | None = None
    scores_direction: ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class Specimens:
    """Specimens in shape space.

    Attributes
    ----------
    names, taxa, roles : sequence of str
        Roles are 'known' and 'query'; the taxon of a query may be blank.
    scores : array-like of shape (n_specimens, n_axes)
        On two axes or more.
    axis_labels : sequence of str
    configurations : array-like of shape (n_specimens, n_points, 3) or None
        Superimposed on the mean; missing points are NaN.
    mm_per_unit : array-like of shape (n_specimens,) or None
        Of each specimen, at its own size.
    """

    names: Sequence[str]
    taxa: Sequence[str]
    roles: Sequence[str]
    scores: ArrayLike
    axis_labels: Sequence[str]
    configurations: ArrayLike | None = None
    mm_per_unit: ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class ViewerData:
    """All that one viewer shows.

    Attributes
    ----------
    title : str
        Name of the bone.
    points : Points
    surface : Surface or None
        Without it the links stand for the bone.
    warps : sequence of Warp
    specimens : Specimens or None
    towards : sequence of str
        What the positive ends of the three coordinates point to.
    mm_per_unit : float or None
        Millimetres of one unit of the coordinates, for the scale bar and distances.
    size_note : str
        Whose size that is, as 'at the mean size of the known specimens'.
    """

    title: str
    points: Points
    surface: Surface | None = None
    warps: Sequence[Warp] = ()
    specimens: Specimens | None = None
    towards: Sequence[str] = field(default=("x", "y", "z"))
    mm_per_unit: float | None = None
    size_note: str = ""


def packed(values: ArrayLike, kind: str = "float32") -> dict[str, Any]:
    """An array as base64 of its little-endian bytes.

    Parameters
    ----------
    values : array-like
    kind : {'float32', 'uint32'}

    Returns
    -------
    dict
        `type`, `shape` and `base64`.
    """
    array = np.ascontiguousarray(values, dtype=np.dtype(kind).newbyteorder("<"))
    text = base64.b64encode(array.tobytes()).decode("ascii")
    return {"type": kind, "shape": list(array.shape), "base64": text}


def embedded_json(payload: Mapping[str, Any]) -> Markup:
    """JSON that may stand between script tags, whatever its strings hold.

    Returns
    -------
    Markup
        With <, >, &, U+2028 and U+2029 as escapes of JSON, which mean the same.
    """
    text = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # a lone half of a surrogate pair cannot be written to a page in UTF-8
    text = text.encode("utf-8", "replace").decode("utf-8")
    return Markup(text.translate(_ESCAPES))
