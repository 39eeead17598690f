"""Carrying template points to a large scan, against distances to every face of it."""

from __future__ import annotations

import statistics

import numpy as np
import trimesh
from measuring import Array, Row, median_ratio, seconds_in_turn

from morpho.shape.surfaces.nearest import Surface
from morpho.shape.surfaces.patches import carry_points, closest_on_surface

__all__ = ["by_all_faces", "make_scan", "run"]


def make_scan(rings: int, sides: int) -> trimesh.Trimesh:
    """A closed, bent, knobbly rod of 2 * rings * sides faces.

    Parameters
    ----------
    rings, sides : int
        How finely the rod is cut along and around.

    Returns
    -------
    trimesh.Trimesh
    """
    along = np.linspace(0, np.pi, rings + 2)[1:-1, None]
    around = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    thick = np.sin(along) * (3 + 0.4 * np.sin(5 * along) * np.cos(2 * around))
    x = np.broadcast_to(-20 * np.cos(along), thick.shape)
    y, z = thick * np.cos(around), thick * np.sin(around) + 0.01 * x**2
    tips = [[-20, 0, 4], [20, 0, 4]]
    vertices = np.concatenate([np.stack([x, y, z], axis=2).reshape(-1, 3), tips])
    here = np.arange(rings * sides).reshape(rings, sides)
    there = np.roll(here, -1, axis=1)
    a, b, c, d = here[:-1], there[:-1], here[1:], there[1:]
    first, last = np.full(sides, rings * sides), np.full(sides, rings * sides + 1)
    faces = np.concatenate(
        [
            np.stack([a, c, b], axis=2).reshape(-1, 3),
            np.stack([b, c, d], axis=2).reshape(-1, 3),
            np.stack([first, here[0], there[0]], axis=1),
            np.stack([last, there[-1], here[-1]], axis=1),
        ]
    )
    return trimesh.Trimesh(vertices, faces, process=False)


def by_all_faces(mesh: trimesh.Trimesh, points: Array) -> Array:
    """Distances from each point to its closest face, by measuring every face."""
    corners = mesh.triangles
    distances = []
    for point in points:
        feet = trimesh.triangles.closest_point(corners, np.broadcast_to(point, (len(corners), 3)))
        distances.append(np.linalg.norm(feet - point, axis=1).min())
    return np.array(distances)


def run(
    rings: int = 250, sides: int = 200, points: int = 200, measured: int = 5, repeats: int = 3
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    rings, sides : int
        Fineness of the scan.
    points : int
        Points carried.
    measured : int
        Points measured against all faces; their time is multiplied up to all points.
    repeats : int

    Returns
    -------
    list of Row
    """
    rng = np.random.default_rng(0)
    template = make_scan(60, 40)
    on = rng.permutation(len(template.vertices))
    places = template.vertices[on[:points]]
    normals = template.vertex_normals[on[:points]]
    scan = make_scan(rings, sides)
    anchors = template.vertices[on[-60:]]
    target = closest_on_surface(scan, anchors * [1.05, 1.1, 0.95])[0]

    def carry() -> Array:
        return carry_points(places, anchors, target, scan, normals).distance

    near = places[:measured] * 1.05
    apart = np.abs(closest_on_surface(scan, near)[1] - by_all_faces(scan, near)).max()
    if not apart < 1e-9:
        raise AssertionError(f"The two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {
            "carry": carry,
            "prepare": lambda: Surface(scan),
            "closest": lambda: closest_on_surface(scan, places * 1.05),
            "all": lambda: by_all_faces(scan, near),
        },
        repeats,
    )
    seconds["all"] = [s * points / measured for s in seconds["all"]]
    middle = {name: statistics.median(s) for name, s in seconds.items()}
    faces = f"{points} points, {len(scan.faces):,} faces"
    ratio = median_ratio(seconds["all"], seconds["closest"])
    return [
        Row(f"carry to a scan, {faces}", f"{middle['carry']:.2f} s",
            f"of it {middle['prepare']:.2f} s search trees", middle["carry"], "s", "< 2",
            middle["carry"] < 2),
        Row(f"closest points, {faces}, vs all faces", f"{middle['closest']:.2f} s",
            f"{middle['all']:.1f} s (from {measured} points)", ratio, "times", ">= 5", ratio >= 5),
    ]  # fmt: skip
