"""A scan's surface, prepared to be asked for its nearest points."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from morpho.shape.checks import ShapeError

__all__ = ["Surface", "along_lines", "first_of_each"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

# Pairs of point and face looked at together.
_BLOCK = 200_000


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)


def _feet(P: Array, corners: Array, normals: Array) -> Array:
    """Closest point of one triangle to each point.

    The foot on the plane where that lies inside, else the nearest foot on an edge. No
    tolerance hangs on the unit of the scan.
    """
    best, least = np.empty_like(P), np.full(len(P), np.inf)
    inside = np.ones(len(P), dtype=bool)
    for i in range(3):
        start, edge = corners[:, i], corners[:, (i + 1) % 3] - corners[:, i]
        away = P - start
        share = np.clip(_dot(away, edge) / np.maximum(_dot(edge, edge), 1e-300), 0, 1)
        foot = start + share[:, None] * edge
        squared = _dot(P - foot, P - foot)
        nearer = squared < least
        best[nearer], least[nearer] = foot[nearer], squared[nearer]
        inside &= _dot(np.cross(edge, away), normals) >= 0
    height = _dot(P - corners[:, 0], normals)
    best[inside] = (P - height[:, None] * normals)[inside]
    return best


def along_lines(points: Array, directions: Array, corners: Array) -> Array:
    """How far along its direction each point meets its triangle.

    Parameters
    ----------
    points, directions : ndarray of shape (n, 3)
        Directions of unit length.
    corners : ndarray of shape (n, 3, 3)
        A triangle for each point.

    Returns
    -------
    ndarray of shape (n,)
        Negative behind the point, infinite where the line misses the triangle.

    References
    ----------
    Moeller, T. & Trumbore, B. (1997). Fast, minimum storage ray-triangle intersection.
    Journal of Graphics Tools 2, 21-28.
    """
    a = corners[:, 0]
    b, c = corners[:, 1] - a, corners[:, 2] - a
    across = np.cross(directions, c)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        scale = 1 / _dot(b, across)
        u = _dot(points - a, across) * scale
        normal = np.cross(points - a, b)
        v = _dot(directions, normal) * scale
        along = _dot(c, normal) * scale
        # a line through an edge must not slip between two triangles
        met = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & np.isfinite(along)
    return np.where(met, along, np.inf)


def first_of_each(rows: Whole, key: Array) -> Whole:
    """Positions of the smallest key of each row.

    Parameters
    ----------
    rows : ndarray of int of shape (n,)
        Not negative.
    key : ndarray of shape (n,)

    Returns
    -------
    ndarray of int
        One position for each number in `rows`, in the order of these numbers.
    """
    order = np.lexsort((key, rows))
    return order[np.flatnonzero(np.diff(rows[order], prepend=-1))]


class Surface:
    """A scan's surface, prepared once for many questions.

    Parameters
    ----------
    mesh : trimesh.Trimesh, or anything with `vertices` and `faces`
        Corners at one place are joined, and faces without area passed over; the mesh
        itself is not changed.

    Attributes
    ----------
    faces : ndarray of int
        Numbers of the faces in use, as the mesh counts them.
    corners : ndarray of shape (n_faces, 3, 3)
    normals : ndarray of shape (n_faces, 3)
        Unit normals, as the faces are wound.
    at_edge : ndarray of bool
        Whether a face touches an open boundary: a break, a hole, the end of the scan.
    component : ndarray of int
        Which connected piece each face belongs to.
    outward : ndarray of float, one for each component
        1 if normals point out of the bone, -1 if the piece is inside out, 0 if it is open
        or not wound alike throughout, so that its volume does not tell. A piece within a
        larger one (a cavity) is taken to be wound like that one.

    Raises
    ------
    ShapeError
        If the mesh has no face with an area, or coordinates that are no numbers.

    Notes
    -----
    Faces are kept in search trees of their centres, a tree for each class of size (by
    powers of two): no face whose centre is further from a point than a distance plus the
    face's own radius comes within that distance of it. Candidates found so are measured
    exactly.
    """

    at_edge: NDArray[np.bool_]
    component: Whole

    def __init__(self, mesh: Any) -> None:
        vertices = np.asarray(mesh.vertices, dtype=float)
        faces = np.asarray(mesh.faces, dtype=np.intp)
        if not len(faces):
            raise ShapeError(
                "The scan has no faces: it is empty, or holds points only.", "no_faces"
            )
        if not np.isfinite(vertices).all():
            raise ShapeError("The scan has vertices whose coordinates are no numbers.")
        places, same = np.unique(vertices, axis=0, return_inverse=True)
        faces = same.reshape(-1)[faces]
        corners = places[faces]
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        double_area = np.linalg.norm(normals, axis=1)
        extent = float(np.ptp(places, axis=0).max())
        # A face without area still joins its neighbours, or the seam would seem open.
        self._find_pieces(faces, corners)
        kept = np.flatnonzero(double_area > 1e-14 * extent**2)
        if not len(kept):
            raise ShapeError("No face of the scan has an area.", "no_area")
        self.faces, self.corners = kept, corners[kept]
        self.normals = normals[kept] / double_area[kept, None]
        self.at_edge, self.component = self.at_edge[kept], self.component[kept]
        self._centres = self.corners.mean(axis=1)
        self._radii = np.linalg.norm(self.corners - self._centres[:, None], axis=2).max(axis=1)
        sizes = np.ceil(np.log2(self._radii / self._radii.max())).astype(int)
        self._classes = [
            (cKDTree(self._centres[members]), members, float(self._radii[members].max()))
            for members in (np.flatnonzero(sizes == size) for size in np.unique(sizes))
        ]

    def _find_pieces(self, faces: Whole, corners: Array) -> None:
        """Open boundaries, connected pieces, and which way their normals point."""
        n = int(faces.max()) + 1
        a, b = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
        real = a != b
        keys, edge = np.unique(np.minimum(a, b) * n + np.maximum(a, b), return_inverse=True)
        edge = edge.reshape(-1)
        counts = np.bincount(edge[real], minlength=len(keys))
        balance = np.bincount(edge, weights=np.sign(b - a), minlength=len(keys))
        open_edge = counts[edge] == 1
        at_open = np.bincount(np.concatenate([a[open_edge], b[open_edge]]), minlength=n) > 0
        self.at_edge = np.asarray(at_open[faces].any(axis=1))
        links = coo_array((np.ones(len(a)), (a, b)), shape=(n, n))
        _, of_vertex = connected_components(links, directed=False)
        used, self.component = np.unique(of_vertex[faces[:, 0]], return_inverse=True)
        self.component = self.component.reshape(-1)
        # A piece is closed if each edge is passed as often one way as the other; then
        # its signed volume does not hang on the origin.
        lopsided = (balance != 0)[edge].reshape(-1, 3).any(axis=1)
        is_open = np.bincount(self.component, weights=lopsided, minlength=len(used)) > 0
        local = corners - corners.mean(axis=(0, 1))
        six = _dot(local[:, 0], np.cross(local[:, 1], local[:, 2]))
        volume = np.bincount(self.component, weights=six, minlength=len(used))
        self.outward = np.where(is_open, 0.0, np.sign(volume))
        if len(used) > 1:
            self._nest(corners, np.where(is_open, 0.0, np.abs(volume)))

    def _nest(self, corners: Array, volume: Array) -> None:
        order = np.argsort(self.component, kind="stable")
        starts = np.flatnonzero(np.diff(self.component[order], prepend=-1))
        low = np.minimum.reduceat(corners.min(axis=1)[order], starts)
        high = np.maximum.reduceat(corners.max(axis=1)[order], starts)
        placed: list[int] = []  # closed pieces that lie in no other, the largest first
        for piece in np.argsort(-volume, kind="stable"):
            if volume[piece] == 0:
                break
            holds = (low[placed] <= low[piece]).all(axis=1)
            holds &= (high[placed] >= high[piece]).all(axis=1)
            if holds.any():
                self.outward[piece] = self.outward[placed[int(holds.argmax())]]
            else:
                placed.append(int(piece))

    def near(self, points: Array, reach: Array) -> tuple[Whole, Whole]:
        """Pairs of points and faces that may lie within reach of each other.

        Parameters
        ----------
        points : ndarray of shape (n_points, 3)
        reach : ndarray of shape (n_points,)

        Returns
        -------
        rows, faces : ndarray of int
            Numbers of points and of faces (places in `faces`). All pairs within reach
            are among them.
        """
        found = []
        for tree, members, radius in self._classes:
            lists = tree.query_ball_point(points, reach + radius, return_sorted=False)
            counts = np.fromiter(map(len, lists), dtype=np.intp, count=len(lists))
            if counts.any():
                faces = members[np.concatenate([x for x in lists if x]).astype(np.intp)]
                found.append((np.repeat(np.arange(len(points)), counts), faces))
        if not found:
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
        rows, faces = (np.concatenate(part) for part in zip(*found, strict=True))
        gap = np.linalg.norm(points[rows] - self._centres[faces], axis=1) - self._radii[faces]
        kept = gap <= reach[rows]
        return rows[kept], faces[kept]

    def blocks(self, points: Array, reach: Array) -> list[slice]:
        """Cut points into runs that have not too many faces within reach together.

        Parameters
        ----------
        points : ndarray of shape (n_points, 3)
        reach : ndarray of shape (n_points,)

        Returns
        -------
        list of slice
        """
        counts = np.zeros(len(points), dtype=np.intp)
        for tree, _, radius in self._classes:
            counts += tree.query_ball_point(points, reach + radius, return_length=True)
        cuts = np.flatnonzero(np.diff(counts.cumsum() // _BLOCK, prepend=0))
        edges = [0, *(int(i) for i in cuts if i), len(points)]
        return [slice(i, j) for i, j in pairwise(edges) if i < j]

    def nearest(self, points: Array, rows: Whole, faces: Whole) -> tuple[Whole, Array, Whole]:
        """Nearest of the faces that each point is paired with.

        Parameters
        ----------
        points : ndarray of shape (n_points, 3)
        rows, faces : ndarray of int
            The pairs.

        Returns
        -------
        rows : ndarray of int
            Points that have a pair, in order.
        closest : ndarray of shape (n, 3)
        faces : ndarray of int
            Places in `faces` of the surface.
        """
        feet = _feet(points[rows], self.corners[faces], self.normals[faces])
        first = first_of_each(rows, np.linalg.norm(points[rows] - feet, axis=1))
        return rows[first], feet[first], faces[first]

    def closest(self, points: Array) -> tuple[Array, Array, Whole]:
        """Closest points of the surface; see `closest_on_surface`.

        Parameters
        ----------
        points : ndarray of shape (n_points, 3)

        Returns
        -------
        closest : ndarray of shape (n_points, 3)
        distance : ndarray of shape (n_points,)
        place : ndarray of int
            Places in `faces`.
        """
        # No point is further off than it is from the faces with the nearest centres.
        bound = np.full(len(points), np.inf)
        for tree, members, _ in self._classes:
            guess = members[tree.query(points)[1]]
            feet = _feet(points, self.corners[guess], self.normals[guess])
            bound = np.minimum(bound, np.linalg.norm(points - feet, axis=1))
        bound = bound * (1 + 1e-9) + 1e-12 * self._radii.max()
        closest, place = np.empty_like(points), np.empty(len(points), dtype=np.intp)
        for block in self.blocks(points, bound):
            pairs = self.near(points[block], bound[block])
            _, closest[block], place[block] = self.nearest(points[block], *pairs)
        return closest, np.linalg.norm(points - closest, axis=1), place
