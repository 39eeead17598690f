"""What the 3D part of the report shows: what goes in, and how it is written into a page."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
    """Landmarks and semilandmarks of the mean bone."""

    names: Sequence[str]
    definitions: Sequence[str]
    kinds: Sequence[str]  # 'landmark'; for semilandmarks any other word
    positions: ArrayLike  # (n_points, 3)
    outline: Sequence[Sequence[str]] = ()  # pairs of points to be joined by lines


@dataclass(frozen=True, eq=False)
class Surface:
    """The mean bone's surface, already as coarse as the page should carry it."""

    vertices: ArrayLike  # (n_vertices, 3), in the frame of the points
    faces: ArrayLike  # (n_faces, 3)


@dataclass(frozen=True, eq=False)
class Heat:
    """A value in millimetres at each vertex, drawn as colour."""

    values_mm: ArrayLike  # (n_vertices,); the colours run both ways from zero
    label: str
    limit: float  # end of the scale on both sides; values beyond it take the colour there
    # where a value is no more than members' variation: hatched in the colour of bone
    within: ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class Warp:
    """A way along which a slider moves the bone.

    At the slider's value v a point lies at mean + offset + (v - start) * direction.
    Where displacements of the vertices are not given, the surface follows the points by
    the thin-plate spline.
    """

    label: str
    low: float
    high: float
    start: float  # where the bone is the reference
    direction: ArrayLike  # (n_points, 3), for one unit of the slider
    offset: ArrayLike | None = None  # from the mean to the reference, if that is another
    vertex_direction: ArrayLike | None = None
    vertex_offset: ArrayLike | None = None
    unit: str = ""
    logarithmic: bool = False  # the values are natural logarithms of what is to be read off
    reference: str = "the mean"  # what the bone is at `start`
    # the values are natural logarithms of the millimetres of one unit: the scale bar follows
    sized: bool = False
    mm_per_unit: float | None = None  # of this way, where it has a size of its own
    size_note: str = ""  # whose size that is
    note: str = ""  # a sentence on how to read it
    marks: Sequence[tuple[float, str]] = ()  # values worth going to, and what the bone is there
    heat: Heat | None = None
    arrows: ArrayLike | None = None  # from the points of the reference; rows of NaN have none
    scores_at_start: ArrayLike | None = None  # where the bone lies among the specimens
    scores_direction: ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class Specimens:
    """Specimens in shape space."""

    names: Sequence[str]
    taxa: Sequence[str]
    roles: Sequence[str]  # 'known' or 'query'; the taxon of a query may be blank
    scores: ArrayLike  # (n_specimens, n_axes), on two axes or more
    axis_labels: Sequence[str]
    # (n_specimens, n_points, 3), superimposed on the mean; missing points are NaN
    configurations: ArrayLike | None = None
    mm_per_unit: ArrayLike | None = None  # of each specimen, at its own size


@dataclass(frozen=True, eq=False)
class ViewerData:
    """All that one viewer shows."""

    title: str
    points: Points
    surface: Surface | None = None  # without it the outline stands for the bone
    warps: Sequence[Warp] = ()
    specimens: Specimens | None = None
    towards: Sequence[str] = ("x", "y", "z")  # ends of the three coordinates
    mm_per_unit: float | None = None  # for the scale bar and distances
    size_note: str = ""  # whose size that is, as 'at the mean size of the known specimens'


def packed(values: ArrayLike, kind: str = "float32") -> dict[str, Any]:
    """An array as base64 of its little-endian bytes."""
    array = np.ascontiguousarray(values, dtype=np.dtype(kind).newbyteorder("<"))
    text = base64.b64encode(array.tobytes()).decode("ascii")
    return {"type": kind, "shape": list(array.shape), "base64": text}


def embedded_json(payload: Mapping[str, Any]) -> Markup:
    """JSON that may stand between script tags, whatever its strings hold.

    <, >, &, U+2028 and U+2029 become escapes of JSON, which mean the same.
    """
    text = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # a lone half of a surrogate pair cannot be written to a page in UTF-8
    text = text.encode("utf-8", "replace").decode("utf-8")
    return Markup(text.translate(_ESCAPES))
