"""Warp: scans of mean, extreme and predicted forms, the queries' heat, and files for printing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.design import InferenceError
from morpho.results.store import ElementResults
from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import procrustes_distance
from morpho.shape.surfaces.completed import completed_surface
from morpho.shape.surfaces.triangles import mirrored_surface, vertex_normals
from morpho.shape.surfaces.warped import (
    WarpedSurface,
    displacement_field,
    lay_onto,
    nearest_landmarks,
    normal_displacement,
    warp_surface,
)
from morpho.shape.surfaces.watertight import close_surface
from morpho.shape.thin_plate import ThinPlateSpline
from morpho.steps.show.mesh_files import write_glb, write_ply, write_stl
from morpho.steps.show.superimposed import Goal, estimated_points, goals, superimposed_shapes
from morpho.steps.trouble import Trouble
from morpho.study.reading.paths import free_name
from morpho.study.scans.reading import scan_of
from morpho.study.scheme.reading import read_scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

# Faces of the surface that the report turns and warps.
_LIGHT = 10_000


class _Element:
    """What surfaces of an element are made from, and what was made."""

    def __init__(self, config: StudyConfig, results: ElementResults) -> None:
        self.config, self.results, self.folder = config, results, results.folder / "meshes"
        self.given, self.placed = results.arrays("configurations"), results.arrays("superimposed")
        self.prepared = results.arrays("prepared")
        self.estimated = estimated_points(results, self.given)
        self.names: list[str] = self.given["specimen"].tolist()
        self.shapes = superimposed_shapes(self.placed)
        self.rows: list[dict[str, Any]] = []
        self.files: list[Path] = []
        self.trouble = Trouble()

    def scan(self, i: int) -> tuple[Array, Whole] | None:
        """Scan of specimen i on the common side, its distortion removed if its landmarks' was."""
        mesh = scan_of(self.config, self.results.element, self.names[i])
        if mesh is None:
            return None
        vertices, faces = np.asarray(mesh.vertices, dtype=float), np.asarray(mesh.faces)
        if self.prepared["mirrored"][i]:
            vertices, faces = mirrored_surface(vertices, faces)
        if self.prepared["undistorted"][i]:
            before, after = self.prepared["distorted"][i], self.prepared["coordinates"][i]
            both = ~np.isnan(before).any(axis=1) & ~np.isnan(after).any(axis=1)
            vertices = ThinPlateSpline().fit(before[both], after[both]).transform(vertices)
        return vertices, faces


def _template(element: _Element) -> int | None:
    """The specimen whose scan is warped: the scheme's choice, or the known one nearest the mean."""
    scheme = read_scheme(
        element.config.scheme_path(element.results.element), element.results.element
    )
    chosen = [patch.template for patch in scheme.patches if patch.template]
    able = [
        i
        for i, name in enumerate(element.names)
        if element.given["known"][i]
        and not element.prepared["undistorted"][i]
        and not element.estimated[i].any()
        and element.config.scan_file(element.results.element, name) is not None
    ]
    named = [i for name in chosen for i in able if element.names[i] == name]
    if named or not able:
        return named[0] if named else None
    far = procrustes_distance(element.shapes[able], element.placed["mean"][None])
    return able[int(np.argmin(far))]


def _forms(element: _Element) -> Iterator[tuple[str, dict[str, Any], Array, float]]:
    """Forms that the template's scan is warped to: name, facts, shape and centroid size."""
    placed = element.placed
    known, log_size = placed["known"], placed["log_size"]
    taxon = placed["taxon"]
    middle = float(np.exp(log_size[known].mean()))
    yield "mean", {"form": "mean of the known specimens"}, placed["mean"], middle
    for name in np.unique(taxon[known]).astype(str).tolist():
        members = known & (taxon == name)
        shape = element.shapes[members].mean(axis=0)
        size = float(np.exp(log_size[members].mean()))
        yield f"mean_{name}", {"form": "mean of a taxon", "taxon": name}, shape, size
    ends = element.results.table("axis_shapes")
    points = element.given["point"].tolist()
    for (axis, end), part in ends.groupby(["axis", "end"], sort=True):
        shape = part.set_index("landmark").loc[points, ["x", "y", "z"]].to_numpy(dtype=float)
        yield f"axis_{axis}_{end}", {"form": f"{end} end of axis {axis}"}, shape, middle
    try:
        line = CommonSlope().fit(placed["tangent"][known], log_size[known], taxon[known])
    except InferenceError:
        return
    for name, at in zip(("small", "larg"), line.size_range_, strict=True):
        grown = line.group_means_.mean(axis=0) + (at - line.mean_size_) * line.slope_
        shape = placed["mean"] + grown.reshape(placed["mean"].shape)
        words = f"size of the {name}est known specimen, by growth within taxa"
        yield f"{name}est_form", {"form": words}, shape, float(np.exp(at))


def _write(
    element: _Element,
    name: str,
    facts: dict[str, Any],
    vertices: Array,
    faces: Whole,
    *,
    warped: WarpedSurface | None = None,
    colours: NDArray[np.uint8] | None = None,
    values: dict[str, Array] | None = None,
) -> None:
    """Write a surface as PLY, GLB and STL, and note what became of it."""
    name = free_name(name, [row["file"] for row in element.rows])
    ply, glb, stl = (element.folder / f"{name}.{ending}" for ending in ("ply", "glb", "stl"))
    element.files += [ply, glb, stl]
    write_ply(ply, vertices, faces, colours, values)
    write_glb(glb, vertices, faces, colours)
    # with vertices as the file holds them: those that fall together there are one
    closed = close_surface(vertices.astype(np.float32), faces)
    write_stl(stl, closed.vertices, closed.faces)
    left = [hole for hole in closed.holes if not hole.filled]
    row: dict[str, Any] = dict.fromkeys(element.results.columns("meshes"), "")
    row["centroid_size_mm"] = np.nan
    element.rows.append(
        row
        | facts
        | {
            "file": name,
            "faces": len(faces),
            "share_folded": np.nan if warped is None else warped.share_folded,
            "watertight": closed.watertight,
            "holes_closed": sum(hole.filled for hole in closed.holes),
            "holes_left": len(left),
            "volume_mm3": closed.volume,
            "hole_lengths_mm": ";".join(f"{hole.length:.9g}" for hole in left),
            "hole_reasons": ";".join(hole.reason for hole in left),
            "folds": "" if warped is None else not warped.sound,
            "crowded_edges": closed.crowded_edges,
        }
    )


def _warped_forms(element: _Element, at: int, scan: tuple[Array, Whole]) -> None:
    source = element.given["coordinates"][at]
    for name, facts, shape, size in _forms(element):
        try:
            warped = warp_surface(*scan, source, shape, size=size)
        except ShapeError as error:
            element.trouble.refused("form", error, form=facts["form"])
            continue
        facts |= {"template": element.names[at], "centroid_size_mm": size}
        _write(element, name, facts, warped.vertices, warped.faces, warped=warped)


@dataclass(frozen=True)
class _Scan:
    vertices: Array
    faces: Whole


def _heat(
    element: _Element, facts: dict[str, Any], scan: _Scan, laid: Array, goal: Goal
) -> tuple[Array, NDArray[np.bool_], float]:
    """How far a query's own scan stands out beyond its goal, in mm, written in colours.

    Also where that is within members' variation, which takes the colour of bone, and the end of
    the scale.
    """
    from morpho.drawing.bone.heat import heat_colours, shown_limit

    beyond = normal_displacement(
        vertex_normals(scan.vertices, scan.faces),
        displacement_field(scan.vertices, laid, goal.shape),
    )
    within = ~goal.off[nearest_landmarks(scan.vertices, laid)]
    limit = shown_limit(beyond, within)
    _write(
        element, f"{goal.specimen}_heat", facts, scan.vertices, scan.faces,
        colours=heat_colours(np.where(within, np.nan, beyond), limit),
        values={"beyond_mean_mm": beyond, "within_members_variation": within.astype(float)},
    )  # fmt: skip
    return beyond, within, limit


def _completed(
    element: _Element, i: int, facts: dict[str, Any], at: int,
    template: tuple[Array, Whole], laid: Array, scan: _Scan | None,
) -> None:  # fmt: skip
    """A query's bone with what is missing filled by the template, warped to its landmarks."""
    from morpho.drawing.bone.heat import heat_colours

    name = element.names[i]
    done = completed_surface(
        *template, element.given["coordinates"][at], laid, scan=scan,
        estimated=element.estimated[i],
    )  # fmt: skip
    surface = done.surface
    facts = facts | {
        "form": f"{name}, completed: coloured parts are hypothesis", "template": element.names[at]
    }  # fmt: skip
    _write(
        element, f"{name}_completed", facts, surface.vertices, surface.faces,
        warped=surface, values={"filled": done.filled.astype(float)},
        colours=heat_colours(np.full(len(surface.vertices), np.nan), 1.0, done.filled),
    )  # fmt: skip


def _query_surfaces(
    element: _Element, at: int | None, template: tuple[Array, Whole] | None
) -> dict[str, Any]:
    """Heat on the queries' own scans, and completed bones."""
    kept: dict[str, Any] = {"query": [], "taxon": [], "size_heeded": [], "limit": []}
    alpha, points = element.config.settings.tests.alpha, element.given["point"].tolist()
    held = (
        goals(element.results, points, alpha) if element.config.settings.scans is not None else ()
    )
    for goal in sorted(held, key=attrgetter("specimen")):
        name, taxon, i = goal.specimen, goal.taxon, element.names.index(goal.specimen)
        given, landmarks = element.scan(i), element.given["coordinates"][i]
        facts: dict[str, Any] = {"specimen": name, "taxon": taxon}
        facts["centroid_size_mm"] = float(np.exp(element.placed["log_size"][i]))
        laid = lay_onto(landmarks, goal.shape)
        scan = None if given is None else _Scan(lay_onto(landmarks, goal.shape, given[0]), given[1])
        if scan is not None:
            own = " at its own size" if goal.size_heeded else ""
            words = (
                f"{name}, heat: beyond the mean of {taxon}{own}; colour of bone: within members'"
            )
            told = facts | {"form": f"{words} variation"}
            try:
                beyond, within, limit = _heat(element, told, scan, laid, goal)
            except ShapeError as error:
                element.trouble.refused("heat", error, specimen=name)
            else:
                place = len(kept["query"])
                row = {"query": name, "taxon": taxon, "size_heeded": goal.size_heeded}
                for key, value in (row | {"limit": limit}).items():
                    kept[key].append(value)
                kept |= {
                    f"vertices_{place}": scan.vertices.astype(np.float32),
                    f"faces_{place}": scan.faces.astype(np.int32),
                    f"beyond_{place}": beyond.astype(np.float32),
                    f"within_{place}": within,
                }
        if template is None or at is None or not element.estimated[i].any():
            continue
        with element.trouble.met("completed", specimen=name):
            _completed(element, i, facts, at, template, laid, scan)
    return kept


def _light(vertices: Array, faces: Whole) -> tuple[Array, Whole]:
    """The surface with few faces, for the report."""
    if len(faces) <= _LIGHT:
        return vertices, faces
    import fast_simplification

    return fast_simplification.simplify(
        vertices.astype(np.float32), faces.astype(np.int32), target_count=_LIGHT
    )


def run(config: StudyConfig, element: str, results: ElementResults) -> list[Path]:
    """Write warped scans, heat and their list; the surfaces written are told."""
    made = _Element(config, results)
    light = np.empty((0, 3)), np.empty((0, 3), dtype=int)
    at = _template(made) if config.settings.scans is not None else None
    scan = None if at is None else made.scan(at)
    kept = _query_surfaces(made, at, scan)
    if at is not None and scan is not None:
        _warped_forms(made, at, scan)
        with made.trouble.met("turning"):
            mean = warp_surface(*scan, made.given["coordinates"][at], made.placed["mean"])
            light = _light(mean.vertices, mean.faces)
    results.write_table("meshes", made.rows)
    results.write_notes("warp", {"trouble": made.trouble.rows})
    results.write_arrays(
        "surfaces",
        mean_vertices=light[0].astype(np.float32),
        mean_faces=light[1].astype(np.int32),
        **{key: np.array(value) for key, value in kept.items()},
    )
    return made.files
