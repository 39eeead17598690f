"""Broken bones completed by a template, and what of them is filled."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.nearest import Surface
from morpho.shape.surfaces.triangles import check_triangles
from morpho.shape.surfaces.warped import WarpedSurface, warp_surface

__all__ = ["CompletedSurface", "completed_surface"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# By default a place further from the query's own scan than this share of the diagonal of the
# box about its landmarks counts as filled.
_TOLERANCE = 0.04
# Landmarks that vote, by their nearness, on whether a place is filled where there is no scan.
_VOTES = 3
# Points looked at together.
_BLOCK = 50_000


def _surface(mesh: Any) -> Surface:
    return mesh if isinstance(mesh, Surface) else Surface(mesh)


def _far_from_surface(points: ArrayLike, mesh: Any, tolerance: float) -> Mask:
    """Whether points lie further than a tolerance from a scan's surface; exact, and fast."""
    P, surface = np.asarray(points, dtype=float), _surface(mesh)
    corners = surface.corners.reshape(-1, 3)
    # within the tolerance of a corner: near; no centre within tolerance and radius: far
    far = ~np.isfinite(cKDTree(corners).query(P, distance_upper_bound=tolerance)[0])
    asked = np.flatnonzero(far)
    for start in range(0, len(asked), _BLOCK):
        some = asked[start : start + _BLOCK]
        rows, faces = surface.near(P[some], np.full(len(some), tolerance))
        found, closest, _ = surface.nearest(P[some], rows, faces)
        reached = np.linalg.norm(P[some][found] - closest, axis=1) <= tolerance
        far[some[found[reached]]] = False
    return far


@dataclass(frozen=True)
class CompletedSurface:
    """A broken bone made whole: a hypothesis where it is filled.

    Attributes
    ----------
    surface : WarpedSurface
        The template's scan, warped onto the landmarks of the bone.
    filled : ndarray of bool, of shape (n_vertices,)
        Vertices that the bone itself says nothing of.
    tolerance : float
        How near the bone's own scan had to be, in mm; NaN where there was no scan.
    """

    surface: WarpedSurface
    filled: Mask
    tolerance: float


def _votes(vertices: Array, landmarks: Array, estimated: Mask) -> Mask:
    """Places whose nearest landmarks were estimated, the nearer weighing more."""
    distance, which = cKDTree(landmarks).query(vertices, k=min(_VOTES, len(landmarks)))
    weight = 1 / np.maximum(distance, 1e-12 * float(np.ptp(landmarks, axis=0).max()))
    return np.asarray((weight * estimated[which]).sum(axis=1) > weight.sum(axis=1) / 2)


def completed_surface(
    vertices: ArrayLike,
    faces: ArrayLike,
    template_landmarks: ArrayLike,
    landmarks: ArrayLike,
    *,
    scan: Any = None,
    estimated: ArrayLike | None = None,
    tolerance: float | None = None,
) -> CompletedSurface:
    """Complete a broken bone by warping a template's scan onto its completed landmarks.

    Parameters
    ----------
    vertices : array-like of shape (n_vertices, 3)
        Vertices of the template's scan, in mm.
    faces : array-like of int, of shape (n_faces, 3)
    template_landmarks : array-like of shape (n_landmarks, 3)
        Landmarks of the template, in the frame of its scan.
    landmarks : array-like of shape (n_landmarks, 3)
        The same landmarks of the broken bone in mm, those missing estimated.
    scan : trimesh.Trimesh, Surface, or anything with `vertices` and `faces`, optional
        The bone's own scan, in the frame of `landmarks`: places further from it than the
        tolerance count as filled.
    estimated : array-like of bool, of shape (n_landmarks,), optional
        Which landmarks were estimated. Used where there is no scan: a place counts as filled
        if, of the three landmarks nearest to it, those estimated weigh more than those found,
        by the inverse of their distance.
    tolerance : float, optional
        In mm; by default a twenty-fifth of the diagonal of the box about the landmarks. It must be
        larger than the difference between warped template and bone where nothing is missing.

    Returns
    -------
    CompletedSurface

    Raises
    ------
    ShapeError
        If neither `scan` nor `estimated` is given, `estimated` does not fit the landmarks, or
        the template cannot be warped; see `warp_surface`.
    ValueError
        If `tolerance` is not positive.

    References
    ----------
    Gunz, P. et al. (2009). Principles for the virtual reconstruction of hominin crania. Journal
    of Human Evolution 57, 48-62.
    """
    warped = warp_surface(vertices, faces, template_landmarks, landmarks)
    L = np.asarray(landmarks, dtype=float)
    if scan is None and estimated is None:
        raise ShapeError(
            "Whether a place is filled cannot be told without the bone's own scan (`scan`) or "
            "the landmarks that were estimated (`estimated`)."
        )
    if scan is None:
        chosen = np.asarray(estimated, dtype=bool)
        if chosen.shape != (len(L),):
            raise ShapeError(
                f"`estimated` must say yes or no for each of the {len(L)} landmarks, but has "
                f"shape {chosen.shape}."
            )
        return CompletedSurface(warped, _votes(warped.vertices, L, chosen), float("nan"))
    if tolerance is None:
        tolerance = _TOLERANCE * float(np.linalg.norm(np.ptp(L, axis=0)))
    if not (np.isfinite(tolerance) and tolerance > 0):
        raise ValueError(f"`tolerance` must be a number of mm above 0, but is {tolerance}.")
    if not isinstance(scan, Surface):
        V, F = check_triangles(scan.vertices, scan.faces)
        scan = Surface(SimpleNamespace(vertices=V, faces=F))
    return CompletedSurface(
        warped, _far_from_surface(warped.vertices, scan, tolerance), float(tolerance)
    )
