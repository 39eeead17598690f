"""Surfaces as files: PLY and GLB with colours, STL for printing; the same bytes each time.

PLY and STL are trimesh's. GLB is written here: trimesh keeps eight bits of a colour, and as it is
seen, where the format asks for linear light, of which eight bits are too few.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from trimesh.exchange.ply import export_ply
from trimesh.exchange.stl import export_stl

from morpho.results.whole import write_whole
from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import check_triangles, vertex_normals

__all__ = ["write_glb", "write_ply", "write_stl"]

Bytes = NDArray[np.uint8]

# Colour of bone where a surface has no colours, as in the figures.
_BONE = (222, 214, 198)
# Numbers of glTF 2.0: component types, buffer targets, mode of triangles.
_FLOAT, _UNSIGNED_INT, _UNSIGNED_SHORT = 5126, 5125, 5123
_FOR_VERTICES, _FOR_FACES, _TRIANGLES = 34962, 34963, 4


def _colours(colours: ArrayLike | None, n: int) -> Bytes:
    if colours is None:
        return np.tile(np.array(_BONE, dtype=np.uint8), (n, 1))
    C = np.asarray(colours)
    if C.shape != (n, 3) or C.dtype != np.uint8:
        raise ShapeError(
            f"`colours` must be whole numbers from 0 to 255 (uint8) of shape ({n}, 3), but are "
            f"{C.dtype.name} of shape {C.shape}."
        )
    return C


def write_ply(
    path: Path,
    vertices: ArrayLike,
    faces: ArrayLike,
    colours: ArrayLike | None = None,
    values: Mapping[str, ArrayLike] | None = None,
) -> None:
    """Write a surface in mm as binary PLY with a colour, and any numbers, at each vertex."""
    V, F = check_triangles(vertices, faces)
    C = _colours(colours, len(V))
    mesh = trimesh.Trimesh(V, F, process=False, vertex_colors=C)
    for name, each in (values or {}).items():
        numbers = np.asarray(each, dtype=np.float32)
        if numbers.shape != (len(V),) or not name.isidentifier():
            raise ShapeError(
                f"`values` must have a number for each of the {len(V)} vertices under a plain "
                f"name, but {name!r} has shape {numbers.shape}."
            )
        mesh.vertex_attributes[name] = numbers
    data = export_ply(mesh, vertex_normal=False)
    write_whole(path, re.sub(rb"\ncomment .*", b"\ncomment unit: mm", data, count=1))


def write_stl(path: Path, vertices: ArrayLike, faces: ArrayLike) -> None:
    """Write a surface as binary STL in mm, which programs for printing take its numbers to be."""
    V, F = check_triangles(vertices, faces)
    data = export_stl(trimesh.Trimesh(V, F, process=False))
    write_whole(path, b"unit: mm".ljust(80) + data[80:])


def _linear(colours: Bytes) -> NDArray[np.uint16]:
    """Linear light of sRGB colours (IEC 61966-2-1), as glTF wants it at vertices, and opacity."""
    c = colours / 255
    light = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    whole_numbers = np.round(65535 * light).astype("<u2")
    return np.column_stack([whole_numbers, np.full(len(c), 65535, dtype="<u2")])


def write_glb(
    path: Path, vertices: ArrayLike, faces: ArrayLike, colours: ArrayLike | None = None
) -> None:
    """Write a surface as GLB (binary glTF 2.0) with a colour at each vertex.

    glTF's unit is the metre. Coordinates are kept in mm, and the node that holds the surface
    scales them by 0.001, so that programs show the bone in its true size; the unit is also noted
    under `extras`. Colours are stored as linear light of 16 bits, as the format demands.

    References
    ----------
    ISO/IEC 12113:2022, Runtime 3D asset delivery format: Khronos glTF 2.0.
    """
    V, F = check_triangles(vertices, faces)
    C = _linear(_colours(colours, len(V)))
    P, N = V.astype("<f4"), vertex_normals(V, F).astype("<f4")
    N[~N.any(axis=1)] = (0, 0, 1)  # normals must have a length, also where no face is
    used: dict[str, tuple[NDArray[Any], int, str, int, dict[str, Any]]] = {
        "POSITION": (P, _FLOAT, "VEC3", _FOR_VERTICES,
                     {"min": P.min(axis=0).tolist(), "max": P.max(axis=0).tolist()}),
        "NORMAL": (N, _FLOAT, "VEC3", _FOR_VERTICES, {}),
        "COLOR_0": (C, _UNSIGNED_SHORT, "VEC4", _FOR_VERTICES, {"normalized": True}),
        "faces": (F.astype("<u4").ravel(), _UNSIGNED_INT, "SCALAR", _FOR_FACES, {}),
    }  # fmt: skip
    views, accessors, data = [], [], b""
    for place, (array, component, kind, target, more) in enumerate(used.values()):
        content = array.tobytes()
        views.append(
            {"buffer": 0, "byteOffset": len(data), "byteLength": len(content), "target": target}
        )
        accessors.append(
            {"bufferView": place, "componentType": component, "count": len(array), "type": kind}
            | more
        )
        data += content  # every part is a multiple of four bytes
    unit = {"unit_of_coordinates": "mm", "scale_to_metres": 0.001}
    primitive = {
        "attributes": {name: i for i, name in enumerate(used) if name != "faces"},
        "indices": len(used) - 1, "material": 0, "mode": _TRIANGLES,
    }  # fmt: skip
    scene = {
        "asset": {"version": "2.0", "extras": unit},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"name": path.stem, "mesh": 0, "scale": [0.001, 0.001, 0.001]}],
        "meshes": [{"name": path.stem, "primitives": [primitive], "extras": unit}],
        "materials": [{
            "doubleSided": True,
            "pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.9},
        }],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(data)}],
    }  # fmt: skip
    text = json.dumps(scene, separators=(",", ":"), allow_nan=False).encode("ascii")
    text += b" " * (-len(text) % 4)
    write_whole(
        path,
        struct.pack("<4sII", b"glTF", 2, 12 + 8 + len(text) + 8 + len(data))
        + struct.pack("<I4s", len(text), b"JSON") + text
        + struct.pack("<I4s", len(data), b"BIN\0") + data,
    )  # fmt: skip
