"""Surfaces closed for printing, where they can be, and told of where they cannot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import check_triangles, face_crosses, signed_volume

__all__ = ["ClosedSurface", "Hole", "close_surface"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Whole = NDArray[np.intp]

# By default holes are filled up to this length around, as a share of the diagonal of the box
# about the bone: a break right through it is shorter, the border of a flat bone that was scanned
# from one side only is not.
_LONGEST = 2.5
# and if they leave their plane by no more than this share of their length.
_FLAT = 0.1

# Rings of more corners are filled by a fan about their middle: the smallest surface would take
# time by the cube of their number.
MOST_CORNERS = 300


def _ring_length(ring: Array) -> float:
    """Length of a ring, once around."""
    return float(np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum())


def _flatness(ring: Array) -> float:
    """How far a ring leaves its plane of best fit, as a share of its length."""
    centred = ring - ring.mean(axis=0)
    height = centred @ np.linalg.svd(centred, full_matrices=False)[2][-1]
    return float(np.ptp(height)) / max(_ring_length(ring), 1e-300)


def _smallest(ring: Array, taken: Callable[[int, int], bool]) -> list[tuple[int, int, int]] | None:
    """Triangles of the smallest total area, or none if all ways pass an edge that is taken."""
    n = len(ring)
    blocked = np.zeros((n, n), dtype=bool)
    for i in range(n):
        for j in range(i + 2, n):
            blocked[i, j] = (i, j) != (0, n - 1) and taken(i, j)
    area = np.zeros((n, n))
    cut = np.zeros((n, n), dtype=np.intp)
    for gap in range(2, n):
        first = np.arange(n - gap)
        last = first + gap
        k = first[:, None] + np.arange(1, gap)
        a, b, c = ring[first][:, None], ring[k], ring[last][:, None]
        own = np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=2))
        total = np.asarray(area[first[:, None], k] + area[k, last[:, None]] + own)
        best = total.argmin(axis=1)
        area[first, last] = np.where(blocked[first, last], np.inf, total[first, best])
        cut[first, last] = k[first, best]
    if not np.isfinite(area[0, n - 1]):
        return None
    triangles, open_ = [], [(0, n - 1)]
    while open_:
        i, j = open_.pop()
        if j - i < 2:
            continue
        middle = int(cut[i, j])
        triangles.append((i, middle, j))
        open_ += [(i, middle), (middle, j)]
    return triangles


def _fill_ring(ring: Array, taken: Callable[[int, int], bool]) -> tuple[Whole, Array | None]:
    r"""Fill a ring with triangles.

    Of all triangulations that add no corner the one of smallest area is taken, by dynamic
    programming: with :math:`A_{ij}` the least area on the corners from i to j, :math:`A_{ij} =
    \min_{i<k<j} A_{ik} + A_{kj} + \lvert ikj \rvert`. Where every one would pass an edge that the
    surface has already, or the ring has more than 300 corners, it is a fan about a new corner in
    the middle.

    References
    ----------
    Barequet, G. & Sharir, M. (1995). Filling gaps in the boundary of a polyhedron. Computer
    Aided Geometric Design 12(2), 207-229.
    """
    n = len(ring)
    if n < 3:
        raise ShapeError(f"A ring to fill needs at least 3 corners, but has {n}.")
    found = _smallest(ring, taken) if n <= MOST_CORNERS else None
    if found is not None:
        return np.array(found, dtype=np.intp), None
    here = np.arange(n)
    triangles = np.column_stack([here, np.roll(here, -1), np.full(n, n)])
    steps = np.linalg.norm(ring - np.roll(ring, -1, axis=0), axis=1)
    weight = steps + np.roll(steps, 1)
    return triangles, weight @ ring / weight.sum()


@dataclass(frozen=True)
class Hole:
    """A hole of a surface.

    Attributes
    ----------
    length : float
        Around it, in the unit of the surface.
    middle : ndarray of shape (3,)
    edges : int
    filled : bool
    reason : str
        Why it was not filled: 'no_area', its edges lie upon each other; 'long', it is too long
        around; 'bent', it leaves its plane too far for its length. Empty where it was.
    """

    length: float
    middle: Array
    edges: int
    filled: bool
    reason: str


@dataclass(frozen=True)
class ClosedSurface:
    """A surface made ready for printing.

    Attributes
    ----------
    vertices : ndarray of shape (n_vertices, 3)
        Those at one place are one, those without a face are left out.
    faces : ndarray of int, of shape (n_faces, 3)
        Neighbours wound alike, normals outward: of closed pieces by their volume.
    filled : ndarray of bool, of shape (n_faces,)
        Faces that were put into holes.
    holes : tuple of Hole
        All that there were, the longest first.
    watertight_before, watertight : bool
        Whether every edge joined two faces, and joins them now.
    open_edges_before, open_edges : int
        Edges with one face.
    crowded_edges : int
        Edges where more than two faces meet, which are left as they are.
    two_sided : bool
        False where faces cannot be wound alike, as on a Moebius strip.
    volume : float
        In the unit cubed; NaN unless watertight.
    """

    vertices: Array
    faces: Whole
    filled: Mask
    holes: tuple[Hole, ...]
    watertight_before: bool
    watertight: bool
    open_edges_before: int
    open_edges: int
    crowded_edges: int
    two_sided: bool
    volume: float


def _edges(faces: Whole) -> tuple[Whole, Whole, Whole]:
    """Half-edges of all faces, the number of the edge of each, and how many each edge has.

    The half-edge from corner i to the next of face f stands at i * n_faces + f.
    """
    half = np.concatenate([faces[:, [i, (i + 1) % 3]] for i in range(3)])
    low, high = half.min(axis=1), half.max(axis=1)
    _, edge, counts = np.unique(
        low * (int(faces.max()) + 1) + high, return_inverse=True, return_counts=True
    )
    return half, edge.reshape(-1), counts


def _edge_counts(faces: Whole) -> tuple[int, int]:
    counts = _edges(faces)[2]
    return int((counts == 1).sum()), int((counts > 2).sum())


def _merged(V: Array, F: Whole) -> tuple[Array, Whole]:
    """Vertices at one place made one; faces with a corner twice, or that stand twice, left out."""
    same = np.unique(V, axis=0, return_index=True, return_inverse=True)
    F = same[1][same[2].reshape(-1)][F]
    corners = np.sort(F, axis=1)
    first = np.zeros(len(F), dtype=bool)
    first[np.unique(corners, axis=0, return_index=True)[1]] = True
    first &= (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2])
    if not first.any():
        raise ShapeError("No face of the surface has three corners at different places.", "no_area")
    used, F = np.unique(F[first], return_inverse=True)
    return V[used], F.reshape(-1, 3)


def _wound_alike(F: Whole) -> tuple[Whole, Whole, bool]:
    """Faces wound as their neighbours are, the piece of each, and whether all can be.

    Each face stands twice in a graph, as it is and turned over; neighbours that agree are joined
    like with like, others crosswise. The halves of a piece fall apart if it has two sides.
    """
    n = len(F)
    half, edge, counts = _edges(F)
    order = np.argsort(edge, kind="stable")
    shared = order[(counts == 2)[edge[order]]].reshape(-1, 2)
    first, second = (shared % n).T
    across = np.where((half[shared[:, 0]] != half[shared[:, 1]]).any(axis=1), 0, n)
    ends = (
        np.concatenate([first, first + n]),
        np.concatenate([second + across, second + n - across]),
    )
    graph = coo_array((np.ones(len(ends[0]), dtype=bool), ends), shape=(2 * n, 2 * n))
    label = connected_components(graph, directed=False)[1]
    plain, turned = label[:n], label[n:]
    if (plain == turned).any():
        return F, np.zeros(n, dtype=np.intp), False
    piece = np.unique(np.minimum(plain, turned), return_inverse=True)[1].reshape(-1)
    flip = plain > turned
    # as few faces as possible are turned over
    more = np.bincount(piece, flip) > np.bincount(piece) / 2
    return np.where((flip ^ more[piece])[:, None], F[:, ::-1], F), piece, True


def _turned_outward(V: Array, F: Whole, piece: Whole) -> Whole:
    """Pieces turned by their volume; one within the box of a larger as that one (a cavity)."""
    corners = V[F]
    crosses = face_crosses(V, F)
    middles, areas = corners.mean(axis=1), np.linalg.norm(crosses, axis=1)
    weighted = np.column_stack([np.bincount(piece, areas * m) for m in middles.T])
    centres = weighted / np.maximum(np.bincount(piece, areas), 1e-300)[:, None]
    # from its own middle, so that the volume of an open piece is near right
    volume = np.bincount(piece, np.einsum("ij,ij->i", middles - centres[piece], crosses))
    order = np.argsort(piece, kind="stable")
    starts = np.flatnonzero(np.diff(piece[order], prepend=-1))
    low = np.minimum.reduceat(corners.min(axis=1)[order], starts)
    high = np.maximum.reduceat(corners.max(axis=1)[order], starts)
    inward = np.zeros(len(volume), dtype=bool)
    placed: list[int] = []
    for one in np.argsort(-np.abs(volume), kind="stable"):
        holds = (low[placed] <= low[one]).all(axis=1) & (high[placed] >= high[one]).all(axis=1)
        if holds.any():
            inward[one] = inward[placed[int(holds.argmax())]]
        else:
            inward[one] = volume[one] < 0
            placed.append(int(one))
    return np.where(inward[piece][:, None], F[:, ::-1], F)


def _rings(F: Whole) -> list[list[int]]:
    """Open edges joined to rings that pass no vertex twice.

    Rings run against their faces, as the faces that are to fill them must.
    """
    half, edge, counts = _edges(F)
    border = half[(counts == 1)[edge]]
    following: dict[int, list[int]] = {}
    for start, end in border[np.lexsort(border.T)].tolist():
        following.setdefault(end, []).append(start)
    rings: list[list[int]] = []
    for begin in sorted(following):
        while following[begin]:
            trail, place = [begin], {begin: 0}
            while following.get(trail[-1]):
                step = following[trail[-1]].pop()
                if step in place:  # closed: what lies since then is a ring
                    at = place[step]
                    rings.append(trail[at:])
                    for left in trail[at + 1 :]:
                        del place[left]
                    del trail[at + 1 :]
                else:
                    place[step] = len(trail)
                    trail.append(step)
    return rings


def _reason(ring: Array, longest: float, flat: float) -> str:
    length = _ring_length(ring)
    if len(ring) < 3:
        return "no_area"
    if length > longest:
        return "long"
    if _flatness(ring) > flat:
        return "bent"
    return ""


def _filled(V: Array, F: Whole, longest: float, flat: float) -> tuple[Array, Whole, list[Hole]]:
    rings = _rings(F)
    pairs = {(a, b) for ring in rings for a, b in _edges_between(F, ring).tolist()}
    parts: list[Whole] = [F]
    middles: list[Array] = []
    holes: list[Hole] = []
    for ring in rings:
        corners = V[ring]
        reason = _reason(corners, longest, flat)
        holes.append(
            Hole(_ring_length(corners), corners.mean(axis=0), len(ring), not reason, reason)
        )
        if reason:
            continue

        def taken(i: int, j: int, ring: list[int] = ring) -> bool:
            return (min(ring[i], ring[j]), max(ring[i], ring[j])) in pairs

        triangles, middle = _fill_ring(corners, taken)
        numbers = np.array([*ring, len(V) + len(middles)], dtype=np.intp)
        if middle is not None:
            middles.append(middle)
        parts.append(numbers[triangles])
        for a, b, c in parts[-1].tolist():
            pairs.update((min(p, q), max(p, q)) for p, q in ((a, b), (b, c), (c, a)))
    holes.sort(key=lambda hole: (-hole.length, *hole.middle))
    vertices = np.vstack([V, *middles]) if middles else V
    return vertices, np.concatenate(parts), holes


def _edges_between(F: Whole, ring: list[int]) -> Whole:
    """Edges of the faces that join two corners of a ring."""
    on = np.zeros(int(F.max()) + 1, dtype=bool)
    on[ring] = True
    near = F[on[F].sum(axis=1) >= 2]
    half = np.concatenate([near[:, [i, (i + 1) % 3]] for i in range(3)])
    return np.sort(half[on[half].all(axis=1)], axis=1)


def close_surface(
    vertices: ArrayLike,
    faces: ArrayLike,
    *,
    longest: float = _LONGEST,
    flat: float = _FLAT,
) -> ClosedSurface:
    """Close a surface for printing where that can be done in good faith.

    Vertices at one place are made one, useless faces left out, neighbours wound alike; holes
    that are short and flat enough are filled (see `fill_ring`); at last the pieces are turned
    outwards. Surfaces that pass through themselves are neither noticed nor mended.

    Parameters
    ----------
    vertices : array-like of shape (n_vertices, 3)
    faces : array-like of int, of shape (n_faces, 3)
    longest : float
        Holes are filled up to this length around, as a share of the diagonal of the box about
        the surface.
    flat : float
        Holes are filled if their corners lie within a slab of this thickness, as a share of
        their length.

    Returns
    -------
    ClosedSurface

    Raises
    ------
    ShapeError
        If there is no face, or none with three corners at different places.
    ValueError
        If `longest` or `flat` is negative or no number.

    Examples
    --------
    >>> corner = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> closed = close_surface(corner, [[0, 2, 1], [0, 1, 3], [0, 3, 2]])
    >>> closed.watertight_before, closed.watertight, round(6 * closed.volume, 6)
    (False, True, 1.0)
    """
    for name, value in (("longest", longest), ("flat", flat)):
        if not value >= 0:
            raise ValueError(f"`{name}` must be a share of 0 or more, but is {value}.")
    V, F = _merged(*check_triangles(vertices, faces))
    open_before, crowded = _edge_counts(F)
    F, piece, two_sided = _wound_alike(F)
    limit = longest * float(np.linalg.norm(np.ptp(V, axis=0)))
    given = len(F)
    holes: list[Hole] = []
    if two_sided:
        V, F, holes = _filled(V, F, limit, flat)
        piece = _wound_alike(F)[1] if len(F) > given else piece
        F = _turned_outward(V, F, piece)
    open_after, _ = _edge_counts(F)
    tight = open_after == 0 and crowded == 0
    return ClosedSurface(
        vertices=V,
        faces=F,
        filled=np.arange(len(F)) >= given,
        holes=tuple(holes),
        watertight_before=open_before == 0 and crowded == 0,
        watertight=tight,
        open_edges_before=open_before,
        open_edges=open_after,
        crowded_edges=crowded,
        two_sided=two_sided,
        volume=signed_volume(V, F) if tight and two_sided else float("nan"),
    )
