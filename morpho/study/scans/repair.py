"""What is put right in a scan before it is used, and what is told of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from trimesh.grouping import group_rows, unique_rows

from morpho.study.reading.problems import Problems
from morpho.study.scans.surface_distance import distance_to_surface

__all__ = ["FEWEST_FACES", "MOST_FACES", "repair_scan"]

# A scan of more triangles is reduced to this many: enough for a bone at a hundredth of a percent.
MOST_FACES = 500_000
# A scan of fewer triangles is too coarse for points on it to mean much.
FEWEST_FACES = 500
# The largest piece is kept alone if it has this share of the surface.
NEARLY_ALL = 0.95
# Middles of triangles that are held against the reduced surface.
SAMPLED = 2000
# A surface whose volume is a smaller share of its area to the power of 1.5 is a sheet, without an
# outside (a sphere's share is 0.094).
SHEET = 1e-4

Faces = NDArray[np.int64]


def _percent(share: float) -> str:
    return "more than 99%" if share > 0.99 else f"{share:.0%}"


def _number(count: int, singular: str, plural: str = "") -> str:
    return f"{count:,} {singular if count == 1 else plural or singular + 's'}"


def _merged(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The bare surface: corners in one place are one, colours and the like are left out."""
    bare = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    bare.merge_vertices(merge_tex=True, merge_norm=True)
    return bare


def _reduce(mesh: trimesh.Trimesh, told: Problems) -> trimesh.Trimesh:
    before = len(mesh.faces)
    if before <= MOST_FACES:
        return mesh
    smaller = mesh.simplify_quadric_decimation(face_count=MOST_FACES)
    chosen = np.random.default_rng(0).choice(before, SAMPLED, replace=False)
    sample = mesh.triangles[chosen].mean(axis=1)
    moved = distance_to_surface(sample, smaller.vertices, smaller.faces).max()
    told.note(
        f"The scan has {before:,} triangles; it was reduced to {len(smaller.faces):,}, which moves "
        f"its surface by no more than {moved:.2g} mm at {SAMPLED:,} places.",
        "Nothing need be done; reduce it yourself for full control.",
    )
    return smaller


def _drop_useless(mesh: trimesh.Trimesh, told: Problems) -> None:
    """Leave out triangles with one corner twice, and those that stand twice."""
    corners = np.sort(mesh.faces, axis=1)
    whole = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2])
    first = np.zeros(len(corners), dtype=bool)
    first[unique_rows(corners)[0]] = True
    twice = int((whole & ~first).sum())
    if (whole & first).all() or not (whole & first).any():
        return
    mesh.update_faces(whole & first)
    mesh.remove_unreferenced_vertices()
    if twice:
        told.note(
            f"{_number(twice, 'triangle')} of the scan stood twice and "
            f"{'was' if twice == 1 else 'were'} left out.",
            "Nothing need be done.",
        )


def _largest_piece(mesh: trimesh.Trimesh, told: Problems) -> None:
    """Keep the largest piece alone if it has nearly all of the surface."""
    edges = mesh.edges
    graph = coo_array(
        (np.ones(len(edges), dtype=bool), (edges[:, 0], edges[:, 1])),
        shape=(len(mesh.vertices), len(mesh.vertices)),
    )
    piece = connected_components(graph, directed=False)[1][mesh.faces[:, 0]]
    areas = np.bincount(piece, weights=mesh.area_faces)
    n_pieces = len(np.unique(piece))
    if n_pieces == 1:
        return
    largest, share = int(areas.argmax()), float(areas.max() / areas.sum())
    if share < NEARLY_ALL:
        told.warning(
            f"The scan is in {n_pieces:,} pieces that do not hang together; the largest has only "
            f"{_percent(share)} of the surface, so all were kept.",
            "Delete what is no bone, such as stands and inner walls, and join the rest.",
        )
        return
    mesh.update_faces(piece == largest)
    mesh.remove_unreferenced_vertices()
    told.note(
        f"The scan is in {n_pieces:,} pieces that do not hang together; the largest, with "
        f"{_percent(share)} of the surface, was kept and the others were left out.",
        "Check that they are dust; join them to the bone if they belong to it.",
    )


def _sides(mesh: trimesh.Trimesh) -> tuple[NDArray[np.bool_], NDArray[np.int64], bool]:
    """Which triangles to turn over so that neighbours agree.

    Each triangle stands twice in a graph, as it is and turned over; neighbours that agree are
    joined like with like, others crosswise. The two halves of each piece fall apart, unless the
    surface has one side only.

    Returns the triangles to turn, the piece of each, and whether all pieces have two sides.
    """
    n = len(mesh.faces)
    rows = group_rows(mesh.edges_sorted, require_count=2)
    first, second = mesh.edges_face[rows].T
    agree = (mesh.edges[rows[:, 0]] != mesh.edges[rows[:, 1]]).any(axis=1)
    across = np.where(agree, 0, n)
    ends = (
        np.concatenate([first, first + n]),
        np.concatenate([second + across, second + n - across]),
    )
    graph = coo_array((np.ones(2 * len(first), dtype=bool), ends), shape=(2 * n, 2 * n))
    label = connected_components(graph, directed=False)[1]
    plain, turned = label[:n], label[n:]
    return plain > turned, np.minimum(plain, turned), bool((plain != turned).all())


def _volumes(triangles: NDArray[np.float64], piece: NDArray[np.int64]) -> NDArray[np.float64]:
    """Signed volume of each piece, from its own centre, so that it is near right with holes."""
    crosses = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    areas = np.linalg.norm(crosses, axis=1) / 2
    middles = triangles.mean(axis=1)
    weighted = np.column_stack([np.bincount(piece, weights=areas * m) for m in middles.T])
    centres = weighted / np.maximum(np.bincount(piece, weights=areas), 1e-300)[:, None]
    each = np.einsum("ij,ij->i", middles - centres[piece], crosses) / 6
    return np.bincount(piece, weights=each).astype(np.float64)


def _turn_outwards(mesh: trimesh.Trimesh, told: Problems) -> None:
    flip, piece, two_sided = _sides(mesh)
    if not two_sided:
        told.warning(
            "The scan's surface has no inside and outside: it passes into itself.",
            "Repair it in the program that made it.",
        )
        return
    if not flip.any():
        piece = np.zeros_like(piece)  # all together: an inner wall rightly faces the hollow
    piece = np.unique(piece, return_inverse=True)[1].reshape(-1)
    faces = np.where(flip[:, None], mesh.faces[:, ::-1], mesh.faces)
    volumes = _volumes(mesh.vertices[faces], piece)
    sheet = np.abs(volumes) < SHEET * float(mesh.area) ** 1.5
    more_turned = np.bincount(piece, weights=flip) > np.bincount(piece) / 2
    inwards = np.where(sheet, more_turned, volumes < 0)[piece]
    wrong = flip ^ inwards
    if not wrong.any():
        return
    mesh.faces = np.where(wrong[:, None], mesh.faces[:, ::-1], mesh.faces)
    told.note(
        "The scan was inside out, its triangles facing inwards; they were turned over."
        if wrong.all()
        else f"{_number(int(wrong.sum()), 'triangle')} of the scan faced inwards and "
        f"{'was' if wrong.sum() == 1 else 'were'} turned over.",
        "Nothing need be done.",
    )


def _tell_edges(mesh: trimesh.Trimesh, told: Problems) -> None:
    """Tell of holes, and of edges where more than two triangles meet."""
    _, place, counts = np.unique(
        mesh.edges_sorted @ [len(mesh.vertices), 1], return_index=True, return_counts=True
    )
    open_edges = mesh.edges_sorted[place[counts == 1]]
    if len(open_edges):
        ends, around = np.unique(open_edges, return_inverse=True)
        around = around.reshape(open_edges.shape)
        graph = coo_array(
            (np.ones(len(around), dtype=bool), (around[:, 0], around[:, 1])),
            shape=(len(ends), len(ends)),
        )
        n_holes, hole = connected_components(graph, directed=False)
        steps = np.linalg.norm(np.diff(mesh.vertices[open_edges], axis=1)[:, 0], axis=1)
        longest = np.bincount(hole[around[:, 0]], weights=steps).max()
        holes = _number(n_holes, "hole or border", "holes or borders")
        told.note(
            f"The scan is not closed: it has {holes} ({_number(len(open_edges), 'open edge')}), "
            f"the longest {longest:.3g} mm around.",
            "That is no harm unless points of a patch fall into them.",
        )
    crowded = int((counts > 2).sum())
    if crowded:
        told.note(
            f"More than two triangles meet at {_number(crowded, 'edge')} of the scan.",
            "That is no harm unless points of a patch lie there.",
        )


def repair_scan(
    mesh: trimesh.Trimesh, path: Path | None = None
) -> tuple[trimesh.Trimesh, Problems]:
    """Put a scan right where that can be done without asking.

    Corners in one place are made one; triangles with one corner twice or that stand twice are left
    out; a scan of more than `MOST_FACES` triangles is reduced to that many; the largest piece is
    kept alone if it has 95 % of the surface; triangles are turned so that neighbours agree and the
    surface faces outwards. Holes stay open.

    What is told, is each repair, each hole and each edge of more than two triangles, and a surface
    in several large pieces or of fewer than `FEWEST_FACES` triangles.
    """
    told = Problems().at(file=path)
    mesh = _reduce(_merged(mesh), told)
    _drop_useless(mesh, told)
    _largest_piece(mesh, told)
    _turn_outwards(mesh, told)
    _tell_edges(mesh, told)
    if len(mesh.faces) < FEWEST_FACES:
        told.warning(
            f"The scan has {_number(len(mesh.faces), 'triangle')} only: too coarse to place points "
            "on, or to show differences on.",
            f"Export it with more, if you have it: at least {FEWEST_FACES:,}.",
        )
    return mesh, told
