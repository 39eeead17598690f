"""A template's scan warped by its landmarks, and how far a scan stands out beyond another shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.rotation import best_rotations
from morpho.shape.superimposition import centroid_size
from morpho.shape.surfaces.triangles import (
    check_triangles,
    crossed,
    face_crosses,
    face_middles,
    volume_of,
)
from morpho.shape.thin_plate import ThinPlateSpline

__all__ = [
    "WarpedSurface", "displacement_field", "lay_onto", "nearest_landmarks", "normal_displacement",
    "warp_surface",
]  # fmt: skip

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Whole = NDArray[np.intp]

# Faces at a time are chosen so that a block of distances stays in the processor's cache.
_BLOCK = 250_000


@dataclass(frozen=True)
class WarpedSurface:
    """A surface after a warp, and whether the warp may be believed.

    Attributes
    ----------
    vertices : ndarray of shape (n_vertices, 3)
        In the frame and unit of the target.
    faces : ndarray of int, of shape (n_faces, 3)
        Those of the template.
    folded : ndarray of bool, of shape (n_faces,)
        Faces at whose middle the spline turns space over: its Jacobian determinant is not
        positive, so that it is not one-to-one there.
    turned : ndarray of bool, of shape (n_faces,)
        Faces that came out on the wrong side although the spline is one-to-one at their
        middle: they are too large for how much it bends.
    volume_before, volume : float
        Signed volumes of template and warped surface, see `signed_volume`.
    """

    vertices: Array
    faces: Whole
    folded: Mask
    turned: Mask
    volume_before: float
    volume: float

    @property
    def share_folded(self) -> float:
        """Share of the faces that are folded."""
        return float(self.folded.mean())

    @property
    def sound(self) -> bool:
        """Whether no face is folded or turned, and the volume has kept its sign."""
        kept = self.volume * self.volume_before > 0 or self.volume == self.volume_before == 0
        return bool(kept and not self.folded.any() and not self.turned.any())


def _turned_over(spline: ThinPlateSpline, middles: Array, before: Array, after: Array) -> Array:
    """Determinant of the spline's Jacobian at each face, and whether its normal agrees.

    Columns are the determinant, and the product of the warped face's normal with the normal
    that the cofactors of the Jacobian carry along.
    """
    # J(x) = A' - sum_j (w_j (x - x_j)') / |x - x_j|, by one product for all nine derivatives
    centre = spline.source_.mean(axis=0)
    X, W = spline.source_ - centre, spline.weights_
    k = len(X)
    terms = np.column_stack([W, (W[:, :, None] * X[:, None, :]).reshape(k, 9)])
    told = np.empty((len(middles), 2))
    step = max(1, _BLOCK // k)
    for start in range(0, len(middles), step):
        block = slice(start, start + step)
        x = middles[block] - centre
        squared = cdist(x, X, "sqeuclidean")
        squared[squared == 0] = np.inf  # at a landmark its own share counts as zero
        slope = np.sqrt(squared, out=squared)
        G = np.divide(-1.0, slope, out=slope) @ terms
        J = spline.affine_[1:].T + G[:, :3, None] * x[:, None, :] - G[:, 3:].reshape(-1, 3, 3)
        cofactors = [crossed(J[:, i - 2], J[:, i - 1]) for i in range(3)]
        told[block, 0] = np.einsum("ni,ni->n", J[:, 0], cofactors[0])
        carried = np.stack([np.einsum("ni,ni->n", c, before[block]) for c in cofactors], axis=1)
        told[block, 1] = np.einsum("ni,ni->n", after[block], carried)
    return told


def warp_surface(
    vertices: ArrayLike,
    faces: ArrayLike,
    source: ArrayLike,
    target: ArrayLike,
    *,
    size: float | None = None,
) -> WarpedSurface:
    r"""Warp a template's scan by the thin-plate spline from its landmarks to others.

    Parameters
    ----------
    vertices : array-like of shape (n_vertices, 3)
        Vertices of the template's scan, in mm.
    faces : array-like of int, of shape (n_faces, 3)
    source : array-like of shape (n_landmarks, 3)
        Landmarks and semilandmarks of the template, in the frame of its scan.
    target : array-like of shape (n_landmarks, 3)
        The same points of the shape wanted, in any frame.
    size : float, optional
        Centroid size in mm, over all points, that the target is brought to. By default the
        target is taken to be in mm already.

    Returns
    -------
    WarpedSurface

    Raises
    ------
    ShapeError
        If the surface has no faces; if the landmarks differ in number, coincide, lie in one
        plane, or are missing; or if the target is the mirror image of the source.
    ValueError
        If `size` is not positive.

    Notes
    -----
    A spline is one-to-one near x if :math:`\det J(x) > 0`. With the kernel :math:`-r` of three
    dimensions, :math:`J_{ab} = A_{ba} - \sum_j w_{ja} (x - x_j)_b / \lVert x - x_j \rVert`; it is
    taken at the middle of each face, and the face's normal n must go to the side of
    :math:`\operatorname{cof}(J)\, n`.

    References
    ----------
    Bookstein, F. L. (1989). Principal warps: thin-plate splines and the decomposition of
    deformations. IEEE Transactions on Pattern Analysis and Machine Intelligence 11, 567-585.
    Gunz, P. et al. (2009). Principles for the virtual reconstruction of hominin crania. Journal
    of Human Evolution 57, 48-62.

    Examples
    --------
    >>> corner = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> faces = [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    >>> warped = warp_surface(corner, faces, corner, [[0, 0, 0], [2, 0, 0], [0, 1, 0], [0, 0, 1]])
    >>> round(warped.volume / warped.volume_before, 6), warped.sound
    (2.0, True)
    """
    V, F = check_triangles(vertices, faces)
    goal = np.asarray(target, dtype=float)
    if size is not None:
        if not (np.isfinite(size) and size > 0):
            raise ValueError(f"`size` must be a number of mm above 0, but is {size}.")
        goal = goal * (size / centroid_size(goal[None])[0])
    spline = ThinPlateSpline().fit(source, goal)
    if spline.source_.shape[1] != 3:
        raise ShapeError("Surfaces need landmarks in 3 dimensions; `source` has 2.")
    warped = spline.transform(V)
    middles = face_middles(V, F)
    before, after = face_crosses(V, F), face_crosses(warped, F)
    determinant, agreement = _turned_over(spline, middles, before, after).T
    folded = determinant <= 0
    if folded.mean() > 0.5:
        raise ShapeError(
            f"The warp turns {folded.mean():.0%} of the surface inside out: `target` is the mirror "
            "image of `source`, or its landmarks are in another order. Mirror the template first "
            "if it is of the other side.",
            "inside_out",
            share=float(folded.mean()),
        )
    turned = ~folded & (agreement < 0)
    volumes = volume_of(middles, before), volume_of(face_middles(warped, F), after)
    return WarpedSurface(warped, F, folded, turned, *volumes)


def lay_onto(landmarks: ArrayLike, reference: ArrayLike, points: ArrayLike | None = None) -> Array:
    """Move and turn a configuration onto another, its size unchanged; other points go along.

    Parameters
    ----------
    landmarks, reference : array-like of shape (n_landmarks, 3)
        The same landmarks; fitted by least squares, without reflection.
    points : array-like of shape (n_points, 3), optional
        What is to be moved, in the frame of `landmarks`, as the vertices of its scan; by
        default the landmarks themselves.

    Returns
    -------
    ndarray of shape (n_points, 3)

    Raises
    ------
    ShapeError
        If these are no proper configurations of the same landmarks.
    """
    A, B = np.asarray(landmarks, dtype=float), np.asarray(reference, dtype=float)
    check_configurations(A[None], name="landmarks", n_dimensions=3)
    check_configurations(B[None], name="reference", n_landmarks=len(A), n_dimensions=3)
    P = A if points is None else np.asarray(points, dtype=float)
    if P.ndim != 2 or P.shape[1] != 3:
        raise ShapeError(f"`points` must have shape (n_points, 3), but has shape {P.shape}.")
    rotation = best_rotations(((A - A.mean(axis=0)).T @ (B - B.mean(axis=0)))[None])[0]
    return (P - A.mean(axis=0)) @ rotation + B.mean(axis=0)


def displacement_field(points: ArrayLike, landmarks: ArrayLike, predicted: ArrayLike) -> Array:
    """Where a spline would move points of a bone if its landmarks were those predicted for it.

    Parameters
    ----------
    points : array-like of shape (n_points, 3)
        Vertices of the query's own scan, in mm.
    landmarks : array-like of shape (n_landmarks, 3)
        Landmarks of the query, in the frame of its scan.
    predicted : array-like of shape (n_landmarks, 3)
        Landmarks of the shape it is compared with, at the query's size and superimposed on the
        query's (`lay_onto` does that by least squares).

    Returns
    -------
    ndarray of shape (n_points, 3)
        From the query to the shape it is compared with, in mm.

    Raises
    ------
    ShapeError
        If the landmarks differ in number, coincide, lie in one plane, or are missing.
    """
    P = np.asarray(points, dtype=float)
    return ThinPlateSpline().fit(landmarks, predicted).transform(P) - P


def normal_displacement(normals: ArrayLike, displacement: ArrayLike) -> Array:
    """How far a bone stands out beyond the shape it is compared with, along its own normals.

    Parameters
    ----------
    normals : array-like of shape (n_points, 3)
        Outward unit normals of the query's own scan (`vertex_normals`).
    displacement : array-like of shape (n_points, 3)
        From the query to the other shape (`displacement_field`), in mm.

    Returns
    -------
    ndarray of shape (n_points,)
        In mm: positive where the query stands out beyond the other shape, negative where it
        stays behind it. NaN where a normal is zero or missing.

    Raises
    ------
    ShapeError
        If the two differ in shape.
    """
    N, D = np.asarray(normals, dtype=float), np.asarray(displacement, dtype=float)
    if N.shape != D.shape or N.ndim != 2 or N.shape[1] != 3:
        raise ShapeError(
            "`normals` and `displacement` must both have shape (n_points, 3), but have shapes "
            f"{N.shape} and {D.shape}."
        )
    beyond = -np.einsum("ij,ij->i", N, D)
    return np.where(np.linalg.norm(N, axis=1) > 0.5, beyond, np.nan)


def nearest_landmarks(vertices: ArrayLike, landmarks: ArrayLike) -> Whole:
    """The landmark nearest to each vertex, whose test speaks for the surface around it.

    Parameters
    ----------
    vertices : array-like of shape (n_vertices, 3)
    landmarks : array-like of shape (n_landmarks, 3)
        Landmarks and semilandmarks, in the frame of the vertices.

    Returns
    -------
    ndarray of int, of shape (n_vertices,)
        The first where several are as near.

    Examples
    --------
    >>> nearest_landmarks([[0, 0, 1], [0, 0, 8]], [[0, 0, 0], [0, 0, 9]]).tolist()
    [0, 1]
    """
    return np.asarray(
        KDTree(np.asarray(landmarks, dtype=float)).query(np.asarray(vertices, dtype=float))[1],
        dtype=np.intp,
    )
