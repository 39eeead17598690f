"""Frames to show a shape in; they turn a configuration and change nothing else."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["anatomical_frame", "axis_across", "principal_frame"]

Array = NDArray[np.float64]


def principal_frame(mean: ArrayLike) -> Array:
    """Rotation to the principal axes of a configuration.

    The landmark furthest out along each axis lies on its positive side; the last
    axis is set by the determinant, which is +1.

    Parameters
    ----------
    mean : array-like of shape (n_landmarks, n_dimensions)
        A centred configuration.

    Returns
    -------
    ndarray of shape (n_dimensions, n_dimensions)
        Apply it as ``mean @ frame``.
    """
    mean = np.asarray(mean, dtype=float)
    frame = np.linalg.svd(mean, full_matrices=False)[2].T
    scores = mean @ frame
    furthest = scores[np.abs(scores).argmax(axis=0), np.arange(frame.shape[1])]
    frame = frame * np.where(furthest < 0, -1.0, 1.0)
    frame[:, -1] *= np.sign(np.linalg.det(frame))
    return frame


def anatomical_frame(mean: ArrayLike, x: ArrayLike, y: ArrayLike) -> Array:
    """Rotation that turns a direction of the bone to x and a second one towards y.

    Parameters
    ----------
    mean : array-like of shape (n_landmarks, 3)
        A configuration; only its number of dimensions is used.
    x, y : array-like of shape (3,)
        Directions in the frame of `mean`. The x axis is kept as given, the y axis is
        made square to it, and z follows by the right-hand rule.

    Returns
    -------
    ndarray of shape (3, 3)
        Apply it as ``mean @ frame``.

    Raises
    ------
    ValueError
        If the directions are parallel, or one has no length.
    """
    if np.asarray(mean).shape[1] != 3:
        raise ValueError("Anatomical axes need configurations in 3 dimensions.")
    first = np.asarray(x, dtype=float)
    second = np.asarray(y, dtype=float)
    first = first / max(float(np.linalg.norm(first)), np.finfo(float).tiny)
    square = second - (second @ first) * first
    length = float(np.linalg.norm(square))
    if not length > 1e-6 * float(np.linalg.norm(second)) or not np.isclose(first @ first, 1):
        raise ValueError("The x and y axes are parallel, or one of them has no length.")
    square /= length
    return np.column_stack([first, square, np.cross(first, square)])


def axis_across(mean: ArrayLike, partners: ArrayLike) -> tuple[int, Array] | None:
    """Axis along which a symmetric bone's left and right lie apart.

    Parameters
    ----------
    mean : array-like of shape (n_landmarks, n_dimensions)
    partners : array-like of int, of shape (n_landmarks,)
        Landmark on the other side of each; itself on the midline.

    Returns
    -------
    axis : int
        The one that runs within 8 degrees of the line between mirror images.
    outward : ndarray of shape (n_landmarks,)
        1 or -1: which way along it leads away from the midline; 0 on the midline.

        None where no axis runs so, or nothing is paired.
    """
    mean = np.asarray(mean, dtype=float)
    apart = mean - mean[np.asarray(partners)]
    across = np.linalg.svd(apart, full_matrices=False)[2][0]
    axis = int(np.abs(across).argmax())
    if not apart.any() or np.abs(across[axis]) < 0.99:
        return None
    return axis, np.sign(np.where(np.abs(apart[:, axis]) > 1e-9, apart[:, axis], 0.0))
