"""Plastic distortion: a bone squashed in the ground, made symmetric again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError
from morpho.shape.missing import enough_present, landmarks_present
from morpho.shape.superimposition import procrustes_distance
from morpho.shape.symmetry.partners import check_partners
from morpho.shape.symmetry.sides import asymmetric_component, symmetric_component

__all__ = ["SymmetrizedBone", "symmetrize"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SymmetrizedBone:
    """A bone made symmetric, and what that took.

    Attributes
    ----------
    configuration : ndarray of shape (n_landmarks, n_dimensions)
        The bone without affine distortion, averaged with its mirror image; about its own
        centroid as before.
    shear : ndarray of shape (n_dimensions, n_dimensions)
        The affine change that was made, ``(X - centre) @ shear``: symmetric, with
        determinant 1.
    strength : float
        Largest stretch of `shear` over the smallest, less one: 0 for a bone that was square
        to its plane of symmetry; about the tangent of the angle by which it leaned.
    asymmetry_before, asymmetry_sheared : float
        Root mean square distance of the landmarks from the symmetric bone, as a share of
        their root mean square distance from the centroid: of the bone as it was, and once
        the affine part was taken out. After the averaging it is 0.
    share_removed : float
        Share of the squared asymmetry that the affine change took away. Slightly below 0
        where the bone's asymmetry was no distortion.
    distance : float
        Procrustes distance (angle) between the bone before and after, over the landmarks
        that it had.
    """

    configuration: Array
    shear: Array
    strength: float
    asymmetry_before: float
    asymmetry_sheared: float
    share_removed: float
    distance: float


def _asymmetry(X: Array, partners: NDArray[np.intp]) -> float:
    A = asymmetric_component(X[None], partners)[0]
    both = ~np.isnan(A).any(axis=1)
    Z = X[both] - X[both].mean(axis=0)
    return float(np.sqrt((A[both] ** 2).sum() / (Z**2).sum()))


def _pure_stretch(direction: Array, normal: Array) -> Array:
    """Mildest stretch after which `direction` is square to the plane with `normal`.

    In the plane of the two, t is the line of the plane of symmetry and d the direction; a
    stretch along their bisectors by w and 1/w sets them at right angles.
    """
    d = direction / np.linalg.norm(direction)
    a = normal / np.linalg.norm(normal)
    d = d * np.sign(d @ a)
    t = d - (d @ a) * a
    lean = float(np.linalg.norm(t))
    identity = np.eye(len(d))
    if lean < 1e-12:
        return identity
    t /= lean
    along = (d + t) / np.linalg.norm(d + t)
    across = (d - t) / np.linalg.norm(d - t)
    # half the angle between d and t
    w = np.sqrt(np.tan(np.arccos(np.clip(d @ t, -1, 1)) / 2))
    return identity + (w - 1) * np.outer(along, along) + (1 / w - 1) * np.outer(across, across)


def symmetrize(configuration: ArrayLike, partners: ArrayLike) -> SymmetrizedBone:
    r"""Take affine distortion out of one bone and average it with its mirror image.

    Parameters
    ----------
    configuration : array-like of shape (n_landmarks, n_dimensions)
        One bone; missing landmarks are NaN and are set by their partners where those are
        there.
    partners : array-like of int, of shape (n_landmarks,)
        Index of the partner of each landmark, see `morpho.shape.symmetry.sides.partner_indices`.

    Returns
    -------
    SymmetrizedBone

    Raises
    ------
    ShapeError
        If the partners do not fit, or too few landmarks are there with their partners: at
        least four (in the plane three) that are not near one plane (line).

    Notes
    -----
    Let :math:`X = Y A` be a symmetric bone :math:`Y` under an affine change :math:`A`, both
    centred, and :math:`P` the exchange of partners. With :math:`F` the reflection of
    :math:`Y`, :math:`P X = X A^{-1} F A`: the mirror image of a sheared bone is its *skew
    reflection*, which turns round a direction :math:`d` (that of the lines between
    partners) and leaves a plane with normal :math:`a` in place, no longer square to
    :math:`d`. It is fitted by least squares in coordinates that have the same spread in all
    directions, :math:`Z = X W` with :math:`W = (X^\top X)^{-1/2}`: there :math:`Z^\top P Z`
    is symmetric, and the best reflection is that of its last eigenvector :math:`n`;
    :math:`d = n^\top W^{-1}`, :math:`a = W n`. So the plane and direction found do not
    depend on the distortion itself. The change that is made is the mildest one
    that sets :math:`d` square to the plane: a stretch along one bisector of :math:`d` and
    its projection on the plane, and the inverse stretch along the other. Volume is kept.

    *What cannot be seen.* Distortion that keeps the bone symmetric (any change along the plane
    of symmetry, and flattening square to it) leaves no trace in the bone's
    symmetry and is not removed: the bone comes back up to such a change. Nor can natural
    asymmetry be told from distortion; what of it looks affine goes with it.

    References
    ----------
    Ghosh, D., Amenta, N. & Kazhdan, M. (2010). Closed-form blending of local symmetries.
    Computer Graphics Forum 29(5), 1681-1688, who fit affine reflections and undo them by a
    stretch (that they do, and the pages, from memory). The solution by whitening is worked out
    here.
    """
    X = np.asarray(configuration, dtype=float)
    if X.ndim != 2 or X.shape[1] not in (2, 3) or np.isinf(X).any():
        raise ShapeError(
            "`configuration` must have shape (n_landmarks, n_dimensions) with finite or missing "
            f"coordinates, but has shape {X.shape}."
        )
    partners = check_partners(partners, len(X))
    present = landmarks_present(X[None])[0]
    both = present & present[partners]
    if not enough_present(np.where(both[:, None], X, np.nan)[None])[0]:
        raise ShapeError(
            f"Only {int(both.sum())} landmarks are there together with their partners, or they "
            f"lie near one plane: {X.shape[1] + 1} that span the bone are needed to see its "
            "distortion. Leave the bone as it is."
        )
    # skew reflection: eigenvector of the exchange of partners in whitened coordinates
    rank = np.flatnonzero(both)
    centre = X[rank].mean(axis=0)
    U, s, Vt = np.linalg.svd(X[rank] - centre, full_matrices=False)
    place = np.empty(len(X), dtype=np.intp)
    place[rank] = np.arange(len(rank))
    values, vectors = np.linalg.eigh(U.T @ U[place[partners[rank]]])
    n = vectors[:, 0]
    if values[0] > -0.5:
        raise ShapeError(
            "The pairs do not lie on two sides of a plane: left and right are probably exchanged "
            "in some of them. Screen the digitisation first."
        )
    shear = _pure_stretch((n * s) @ Vt, (n / s) @ Vt)
    sheared = (X - centre) @ shear + centre
    result = symmetric_component(sheared[None], partners)[0]
    before, after = _asymmetry(X, partners), _asymmetry(sheared, partners)
    stretches = np.linalg.eigvalsh(shear)
    return SymmetrizedBone(
        configuration=result,
        shear=shear,
        strength=float(stretches[-1] / stretches[0] - 1),
        asymmetry_before=before,
        asymmetry_sheared=after,
        share_removed=1 - (after / before) ** 2 if before > 1e-12 else 0.0,
        distance=float(procrustes_distance(X[present][None], result[present][None])[0]),
    )
