"""Closest points on a scan's surface, and points carried there from a template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.nearest import Surface, along_lines, first_of_each
from morpho.shape.thin_plate import ThinPlateSpline

__all__ = ["CarriedPoints", "Surface", "carry_points", "closest_on_surface"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

# By default points may move by this share of the anchors' extent to reach the surface.
_REACH = 0.05

# A hit along the normal is taken up to this multiple of the way to the closest point.
_LONGER = 2.0

_FAR, _EDGE, _OTHER = "far", "edge", "other_side"


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)


def _check_points(points: ArrayLike, name: str) -> Array:
    P = np.asarray(points, dtype=float)
    if P.ndim != 2 or P.shape[1] != 3:
        raise ShapeError(f"`{name}` must have shape (n_points, 3), but has shape {P.shape}.")
    bad = np.flatnonzero(~np.isfinite(P).all(axis=1))
    if bad.size:
        raise ShapeError(
            f"`{name}` has missing or infinite coordinates at points {bad[:10].tolist()} "
            "(counted from 0): leave them out."
        )
    return P


def closest_on_surface(mesh: Any, points: ArrayLike) -> tuple[Array, Array, Whole]:
    """Closest points of a scan's surface.

    Parameters
    ----------
    mesh : trimesh.Trimesh or Surface
        A `Surface` saves the preparation where the same scan is asked again.
    points : array-like of shape (n_points, 3)
        In the unit and frame of the scan.

    Returns
    -------
    closest : ndarray of shape (n_points, 3)
    distance : ndarray of shape (n_points,)
        Never negative, in the unit of the scan.
    face : ndarray of int of shape (n_points,)
        Number of the face; on an edge or corner one of those that meet there.

    Raises
    ------
    ShapeError
        If the mesh has no face with an area, or coordinates are missing.

    Examples
    --------
    >>> import trimesh
    >>> box = trimesh.creation.box(extents=[2, 2, 2])
    >>> closest, distance, face = closest_on_surface(box, [[0.5, 0, 4]])
    >>> closest.tolist(), distance.tolist()
    ([[0.5, 0.0, 1.0]], [3.0])
    """
    P = _check_points(points, "points")
    surface = mesh if isinstance(mesh, Surface) else Surface(mesh)
    closest, distance, place = surface.closest(P)
    return closest, distance, surface.faces[place]


@dataclass(frozen=True)
class CarriedPoints:
    """Template points on a specimen's scan.

    Attributes
    ----------
    points : ndarray of shape (n_points, 3)
        On the surface of the scan.
    distance : ndarray of shape (n_points,)
        How far each was moved from where the spline had put it, in the unit of the scan.
    flag : ndarray of str of shape (n_points,)
        Empty where all is well; 'far': moved further than the reach;
        'other_side': no surface within reach faces as it should, the point went
        to one that faces away; 'edge': the face it lies on touches an
        open boundary, as beside a break or a hole. The first that holds is given.
    """

    points: Array
    distance: Array
    flag: NDArray[np.str_]


def _warped_normals(spline: ThinPlateSpline, points: Array, normals: Array) -> Array:
    """Unit normals carried by the spline: along the cofactors of its Jacobian."""
    J = spline.jacobian(points)
    cofactors = np.stack([np.cross(J[:, i - 2], J[:, i - 1]) for i in range(3)], axis=1)
    turned = np.sign(_dot(J[:, 0], cofactors[:, 0]))  # the determinant; negative: mirrored
    carried = turned[:, None] * np.einsum("nab,nb->na", cofactors, normals)
    return carried / np.maximum(np.linalg.norm(carried, axis=1, keepdims=True), 1e-300)


def _template_normals(mesh: Any, points: Array) -> Array:
    surface = mesh if isinstance(mesh, Surface) else Surface(mesh)
    place = surface.closest(points)[2]
    outward = surface.outward[surface.component[place]]
    return np.where(outward < 0, -1.0, 1.0)[:, None] * surface.normals[place]


def _outward(surface: Surface, place: Whole, normals: Array) -> Array:
    """Sign of each component's normals; where the volume does not tell, the points vote."""
    votes = np.sign(_dot(surface.normals[place], normals))
    for_out = np.bincount(surface.component[place], votes, minlength=len(surface.outward))
    voted = np.where(for_out < 0, -1.0, 1.0)
    return np.where(surface.outward == 0, voted, surface.outward)


def _along_normals(
    surface: Surface, points: Array, normals: Array, outward: Array, reach: float
) -> tuple[Whole, Array, Whole]:
    """Where points meet the surface that faces as they do, for those that do within reach."""
    rows, faces = surface.near(points, np.full(len(points), reach))
    facing = outward[surface.component[faces]] * _dot(surface.normals[faces], normals[rows]) > 0
    rows, faces = rows[facing], faces[facing]
    found, on, place = surface.nearest(points, rows, faces)
    way = np.linalg.norm(points[found] - on, axis=1)
    along = along_lines(points[rows], normals[rows], surface.corners[faces])
    first = first_of_each(rows, np.abs(along))
    # Every row with a face has a nearest one, so that both lists run in step.
    better = np.abs(along[first]) <= np.minimum(_LONGER * way, reach)
    steps = np.where(better, along[first], 0.0)[:, None]
    on = np.where(better[:, None], points[found] + steps * normals[found], on)
    place = np.where(better, faces[first], place)
    within = np.linalg.norm(points[found] - on, axis=1) <= reach
    return found[within], on[within], place[within]


def carry_points(
    template_points: ArrayLike,
    template_anchors: ArrayLike,
    anchors: ArrayLike,
    mesh: Any,
    template_normals: ArrayLike | None = None,
    template_mesh: Any = None,
    *,
    reach: float | None = None,
) -> CarriedPoints:
    r"""Carry points of a template to a specimen's scan.

    The thin-plate spline from the template's anchors to the specimen's takes the points
    near the scan; from there each goes to the surface along its normal, which the spline
    carries as well (by the cofactors of its Jacobian), in either direction. It takes the
    closest point instead if the normal meets nothing, or only at more than twice the
    closest point's distance. Surface that faces away from the normal, as the other side
    of a thin blade of bone, counts only where none within reach faces rightly.

    Parameters
    ----------
    template_points : array-like of shape (n_points, 3)
        Points on the template.
    template_anchors, anchors : array-like of shape (n_anchors, 3)
        Landmarks and curve points of the template and of the specimen. Anchors with a
        missing value (NaN) in either are not used.
    mesh : trimesh.Trimesh or Surface
        The specimen's scan.
    template_normals : array-like of shape (n_points, 3), optional
        Outward normals of the template at its points.
    template_mesh : trimesh.Trimesh or Surface, optional
        Where no normals are given, they are taken from the faces of this scan. Without
        either, points go to the closest point, and the wrong side is not noticed.
    reach : float, optional
        How far points may go to the surface, in the unit of the scan; by default a
        twentieth of the diagonal of the box about the specimen's anchors.

    Returns
    -------
    CarriedPoints

    Raises
    ------
    ShapeError
        If the arrays do not fit each other, the anchors are too few, coincide or lie in
        one plane, or the mesh has no faces.
    ValueError
        If `reach` is not positive.

    Notes
    -----
    Scans with normals inside out are recognised by their signed volume where closed; an
    open one is taken to face as most of the points on it do.

    References
    ----------
    Gunz, P., Mitteroecker, P. & Bookstein, F. L. (2005). Semilandmarks in three
    dimensions. In Modern Morphometrics in Physical Anthropology, 73-98.
    Gunz, P. & Mitteroecker, P. (2013). Semilandmarks: a method for quantifying curves and
    surfaces. Hystrix 24, 103-109.
    """
    P = _check_points(template_points, "template_points")
    source = np.asarray(template_anchors, dtype=float)
    target = np.asarray(anchors, dtype=float)
    if source.shape != target.shape or source.ndim != 2:
        raise ShapeError(
            "`template_anchors` and `anchors` must be the same landmarks, but have shapes "
            f"{source.shape} and {target.shape}."
        )
    both = ~(np.isnan(source) | np.isnan(target)).any(axis=1)
    source, target = source[both], target[both]
    spline = ThinPlateSpline().fit(source, target)
    if reach is None:
        reach = _REACH * float(np.linalg.norm(np.ptp(target, axis=0)))
    if not reach > 0:
        raise ValueError(f"`reach` must be more than 0, but is {reach}.")
    surface = mesh if isinstance(mesh, Surface) else Surface(mesh)
    warped = spline.transform(P)
    on, _, place = surface.closest(warped)
    other = np.zeros(len(P), dtype=bool)
    if template_normals is not None or template_mesh is not None:
        if template_normals is None:
            normals = _template_normals(template_mesh, P)
        else:
            normals = _check_points(template_normals, "template_normals")
            if normals.shape != P.shape:
                raise ShapeError(
                    f"`template_normals` must be as many as the points, {len(P)}, but are "
                    f"{len(normals)}."
                )
        normals = _warped_normals(spline, P, normals)
        outward = _outward(surface, place, normals)
        for block in surface.blocks(warped, np.full(len(P), reach)):
            found, there, faces = _along_normals(
                surface, warped[block], normals[block], outward, reach
            )
            on[block][found], place[block][found] = there, faces
        other = outward[surface.component[place]] * _dot(surface.normals[place], normals) <= 0
    distance = np.linalg.norm(warped - on, axis=1)
    flag = np.select([distance > reach, other, surface.at_edge[place]], [_FAR, _OTHER, _EDGE], "")
    return CarriedPoints(on, distance, flag)
