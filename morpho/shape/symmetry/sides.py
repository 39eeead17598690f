"""Left and right: mirror images, and the symmetric and asymmetric parts of a bone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError
from morpho.shape.missing import landmarks_present
from morpho.shape.rotation import best_rotations
from morpho.shape.symmetry.partners import check_partners, partner_indices

__all__ = [
    "asymmetric_component",
    "check_midline",
    "commoner_side",
    "distance_from_midline",
    "exchange_sides",
    "fill_from_other_side",
    "mirror",
    "mirror_fit",
    "partner_indices",
    "symmetric_component",
]

Array = NDArray[np.float64]

# Second singular value of the landmarks that the mirror image is fitted by, as a share
# of the first: below it they lie on a line, and the plane of symmetry is not set.
_ON_A_LINE = 1e-6
# A landmark of the midline this far off the plane of symmetry, in root mean square
# distances of the landmarks from their centroid, is no landmark of the midline.
_FAR_OFF = 0.25


def mirror(X: ArrayLike) -> Array:
    """Mirror images of configurations, in the plane square to the last coordinate.

    Any plane would do: superimposition takes out the pose that is left.

    Parameters
    ----------
    X : array-like of shape (..., n_landmarks, n_dimensions)

    Returns
    -------
    ndarray of the shape of `X`
    """
    X = np.array(X, dtype=float)
    X[..., -1] *= -1
    return X


def commoner_side(sides: Sequence[str]) -> str:
    """Return 'left' or 'right', whichever stands more often in `sides`; a tie gives 'left'.

    Parameters
    ----------
    sides : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> commoner_side(["left", "right", "right", ""])
    'right'
    """
    sides = list(sides)
    return "right" if sides.count("right") > sides.count("left") else "left"


def exchange_sides(X: ArrayLike, partners: ArrayLike) -> Array:
    """Mirror images with the labels of left and right exchanged.

    Of a perfectly symmetric bone it has the same shape as the bone.

    Parameters
    ----------
    X : array-like of shape (..., n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)
        See `partner_indices`.

    Returns
    -------
    ndarray of the shape of `X`
        In the pose of `mirror`.

    Raises
    ------
    ShapeError
        If the partners do not fit.
    """
    X = mirror(X)
    return X[..., check_partners(partners, X.shape[-2]), :]


def _check_with_gaps(X: ArrayLike) -> Array:
    X = np.asarray(X, dtype=float)
    if X.ndim != 3 or X.shape[2] not in (2, 3):
        raise ShapeError(
            "`X` must have shape (n_specimens, n_landmarks, n_dimensions), with 2 or 3 "
            f"dimensions, but has shape {X.shape}."
        )
    if np.isinf(X).any():
        raise ShapeError("`X` has infinite coordinates.")
    return X


def _fit_images(
    X: Array, partners: ArrayLike
) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Fitted mirror images, the landmarks they were fitted by, and where these do not suffice."""
    images = exchange_sides(X, partners)
    both = landmarks_present(X) & landmarks_present(images)
    weights = both / np.maximum(both.sum(axis=1, keepdims=True), 1)
    here = np.einsum("nk,nkd->nd", weights, np.where(both[..., None], X, 0))
    there = np.einsum("nk,nkd->nd", weights, np.where(both[..., None], images, 0))
    Z = np.where(both[..., None], X - here[:, None], 0)
    W = np.where(both[..., None], images - there[:, None], 0)
    spread = np.linalg.svd(Z, compute_uv=False)
    poor = (both.sum(axis=1) < 3) | ~(spread[:, 1] > _ON_A_LINE * spread[:, 0])
    rotations = best_rotations(np.einsum("nki,nkj->nij", W, Z))
    return (images - there[:, None]) @ rotations + here[:, None], both, poor


def mirror_fit(X: ArrayLike, partners: ArrayLike) -> tuple[Array, NDArray[np.bool_]]:
    r"""Each configuration's relabelled mirror image, superimposed on the configuration.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)

    Returns
    -------
    images : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        In pose and scale of each specimen; NaN where the partner is missing.
    both : ndarray of bool, of shape (n_specimens, n_landmarks)
        Landmarks that are there with their partners, by which the image was fitted.

    Raises
    ------
    ShapeError
        If the partners do not fit, or in some specimen fewer than three landmarks, or only
        landmarks on a line, are there with their partners.

    Notes
    -----
    The image has the size of the configuration, so only translation and rotation are fitted.
    With :math:`P` the exchange of partners and :math:`X` centred, :math:`X^\top P X` is
    symmetric; the best fit is therefore a reflection in one plane, applied twice it leaves
    every landmark where it was.
    """
    images, both, poor = _fit_images(_check_with_gaps(X), partners)
    if poor.any():
        raise ShapeError(
            f"Specimens {np.flatnonzero(poor)[:10].tolist()} (counted from 0) have fewer than "
            "three landmarks, off one line, that are there together with their partners: their "
            "plane of symmetry cannot be found. Set them aside.",
            "lopsided",
        )
    return images, both


def symmetric_component(X: ArrayLike, partners: ArrayLike) -> Array:
    r"""Symmetric configurations: each averaged with its relabelled mirror image.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)
        Index of the partner of each landmark, see `partner_indices`.

    Returns
    -------
    ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        In the pose of each specimen, with the centroid and centroid size of those of its
        landmarks that are there with their partners. A missing landmark whose partner is
        there is its mirror image; where both are missing, both stay NaN.

    Raises
    ------
    ShapeError
        As `mirror_fit`.

    Notes
    -----
    With :math:`X'` the relabelled mirror image superimposed on :math:`X`, the component is
    :math:`(X + X') / 2`, scaled to the size of :math:`X`.

    References
    ----------
    Mardia, K. V., Bookstein, F. L. & Moreton, I. J. (2000). Statistical assessment of
    bilateral symmetry of shapes. Biometrika 87, 285-300.
    Klingenberg, C. P., Barluenga, M. & Meyer, A. (2002). Shape analysis of symmetric
    structures: quantifying variation among individuals and asymmetry. Evolution 56,
    1909-1920.
    """
    X = _check_with_gaps(X)
    images, both = mirror_fit(X, partners)
    mean = np.where(np.isnan(X), images, np.where(np.isnan(images), X, (X + images) / 2))
    here = both[..., None]
    count = both.sum(axis=1)[:, None]
    centre = np.where(here, mean, 0).sum(axis=1) / count
    sizes = [
        np.sqrt((np.where(here, A - centre[:, None], 0) ** 2).sum(axis=(1, 2))) for A in (X, mean)
    ]
    return (mean - centre[:, None]) * (sizes[0] / sizes[1])[:, None, None] + centre[:, None]


def asymmetric_component(X: ArrayLike, partners: ArrayLike) -> Array:
    r"""Asymmetry of each configuration: half its difference from its relabelled mirror image.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)

    Returns
    -------
    ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        Vectors in pose and unit of each specimen, :math:`(X - X') / 2` with the image
        :math:`X'` superimposed on :math:`X`; NaN where a landmark or its partner is missing.

    Raises
    ------
    ShapeError
        As `mirror_fit`.
    """
    X = _check_with_gaps(X)
    return (X - mirror_fit(X, partners)[0]) / 2


def fill_from_other_side(X: ArrayLike, partners: ArrayLike) -> Array:
    """Put the mirror image of its partner in the place of each missing landmark.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)

    Returns
    -------
    ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        Landmarks that are there are untouched; where both are missing, both stay NaN. A
        specimen without enough pairs and midline to find its plane of symmetry comes back
        as it was.

    Raises
    ------
    ShapeError
        If the partners do not fit.
    """
    X = _check_with_gaps(X).copy()
    partners = check_partners(partners, X.shape[1])
    gaps = ~landmarks_present(X)
    rows = np.flatnonzero((gaps & ~gaps[:, partners]).any(axis=1))
    if rows.size:
        images, _, poor = _fit_images(X[rows], partners)
        fill = gaps[rows] & ~poor[:, None]
        X[rows] = np.where(fill[..., None], images, X[rows])
    return X


def distance_from_midline(X: ArrayLike, partners: ArrayLike) -> Array:
    """Distance of each landmark of the midline from the plane of symmetry.

    The plane is found by the other landmarks, so that a landmark which is far off does not
    draw it near.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)

    Returns
    -------
    ndarray of shape (n_specimens, n_landmarks)
        In the unit of `X`; NaN for paired and missing landmarks.

    Raises
    ------
    ShapeError
        As `mirror_fit`.
    """
    X = _check_with_gaps(X)
    partners = check_partners(partners, X.shape[1])
    result = np.full(X.shape[:2], np.nan)
    for j in np.flatnonzero(partners == np.arange(X.shape[1])):
        without = X.copy()
        without[:, j] = np.nan
        images, both = mirror_fit(without, partners)
        # What joins a landmark and its own mirror image is square to the plane.
        joins = np.where(both[..., None], without - images[:, partners], 0)
        normal = np.linalg.svd(joins, full_matrices=False)[2][:, 0]
        centre = np.where(both[..., None], X, 0).sum(axis=1) / both.sum(axis=1)[:, None]
        result[:, j] = np.abs(np.einsum("nd,nd->n", normal, X[:, j] - centre))
    return result


def check_midline(X: ArrayLike, partners: ArrayLike, names: Sequence[str] | None = None) -> None:
    """Refuse landmarks of the midline that lie far off the plane of symmetry in most specimens.

    One specimen with such a landmark has a slip or is broken; most of them, and the landmark
    is in the wrong list.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    partners : array-like of int, of shape (n_landmarks,)
    names : sequence of str, optional
        Names of the landmarks, for the message.

    Raises
    ------
    ShapeError
        If in the median specimen a landmark of the midline lies further off the plane than a
        quarter of the root mean square distance of the landmarks from their centroid.
    """
    X = _check_with_gaps(X)
    partners = check_partners(partners, X.shape[1])
    own = np.flatnonzero(partners == np.arange(X.shape[1]))
    if not own.size:
        return
    far = distance_from_midline(X, partners)[:, own]
    deviations = X - np.nanmean(X, axis=1, keepdims=True)
    radius = np.sqrt(np.nanmean((deviations**2).sum(axis=2), axis=1))
    for j, share in zip(own, (far / radius[:, None]).T, strict=True):
        known = share[~np.isnan(share)]
        if known.size and np.median(known) > _FAR_OFF:
            name = str(j) if names is None else names[int(j)]
            raise ShapeError(
                f"Landmark {name} is said to lie on the midline, but in most specimens lies "
                f"off the plane of symmetry by {np.median(known):.0%} of the landmarks' "
                "usual distance from their centroid. Take it off the midline, or pair it.",
                "midline",
                landmark=str(name),
            )
