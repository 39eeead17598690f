"""Which landmark stands on the other side of which."""

from __future__ import annotations

from collections.abc import Hashable, Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError

__all__ = ["check_partners", "one_of_each_pair", "partner_indices"]

Indices = NDArray[np.intp]


def _listed(names: Iterable[Hashable]) -> str:
    return ", ".join(map(str, names))


def partner_indices(
    names: Iterable[Hashable],
    pairs: Iterable[Iterable[Hashable]],
    midline: Iterable[Hashable] = (),
) -> Indices:
    """Index of the landmark on the other side of each.

    Parameters
    ----------
    names : iterable of str
        Landmarks, in the order of the configurations.
    pairs : iterable of (str, str)
        Left and right landmarks.
    midline : iterable of str
        Landmarks on the plane of symmetry: each is its own partner.

    Returns
    -------
    ndarray of int, of shape (n_landmarks,)

    Raises
    ------
    ShapeError
        If a name is unknown, stands in two pairs or in a pair and on the midline, is paired
        with itself, or if a landmark is in neither.

    Examples
    --------
    >>> partner_indices(["roof", "wing_l", "wing_r"], [("wing_l", "wing_r")], ["roof"])
    array([0, 2, 1])
    """
    names = list(names)
    place = {name: index for index, name in enumerate(names)}
    couples = [tuple(pair) for pair in pairs]
    for couple in couples:
        if len(couple) != 2 or couple[0] == couple[1]:
            raise ShapeError(
                f"The pair ({_listed(couple)}) must name two different landmarks, a left and a "
                "right one; a landmark that is its own mirror image belongs to the midline."
            )
    said = [name for couple in couples for name in couple] + list(midline)
    unknown = [name for name in said if name not in place]
    if unknown:
        raise ShapeError(f"Pairs or midline name unknown landmarks: {_listed(unknown)}.")
    twice = [name for name in names if said.count(name) > 1]
    if twice:
        raise ShapeError(
            f"These landmarks stand more than once in pairs and midline: {_listed(twice)}. "
            "List each pair once, and each landmark in one pair or on the midline."
        )
    left_out = [name for name in names if name not in set(said)]
    if left_out:
        raise ShapeError(
            f"These landmarks are in no pair and not on the midline: {_listed(left_out)}. "
            "A bone with a plane of symmetry needs a partner for each."
        )
    result = np.arange(len(names))
    for left, right in couples:
        result[place[left]], result[place[right]] = place[right], place[left]
    return result


def check_partners(partners: ArrayLike, n_landmarks: int) -> Indices:
    """Return `partners` as indices, or say why they pair no landmarks.

    Parameters
    ----------
    partners : array-like of int, of shape (n_landmarks,)
        Index of the partner of each landmark; its own on the midline.
    n_landmarks : int

    Returns
    -------
    ndarray of int, of shape (n_landmarks,)

    Raises
    ------
    ShapeError
        If there is not one partner for each landmark, or a partner's partner is another, or
        no landmark is paired.
    """
    array = np.asarray(partners)
    if array.shape != (n_landmarks,) or array.dtype.kind not in "iu":
        raise ShapeError(
            f"`partners` must hold {n_landmarks} whole numbers, one for each landmark, "
            f"but has shape {array.shape}."
        )
    if ((array < 0) | (array >= n_landmarks)).any():
        raise ShapeError(f"`partners` must lie between 0 and {n_landmarks - 1}.")
    wrong = np.flatnonzero(array[array] != np.arange(n_landmarks))
    if wrong.size:
        raise ShapeError(
            f"The partners of landmarks {wrong[:10].tolist()} (counted from 0) have another "
            "partner: pairs must be mutual."
        )
    if (array == np.arange(n_landmarks)).all():
        raise ShapeError("`partners` pairs no landmarks: there is no left and right to compare.")
    return array.astype(np.intp)


def one_of_each_pair(partners: ArrayLike | None, k: int) -> NDArray[np.bool_]:
    """Which landmarks stand for their pairs, so that a symmetric bone is counted once.

    Parameters
    ----------
    partners : array-like of int, of shape (k,) or None
        Landmark on the other side of each; itself on the midline. None counts all.
    k : int
        Number of landmarks.

    Returns
    -------
    ndarray of bool, of shape (k,)
        True on the midline and for the first of each pair.

    Examples
    --------
    >>> one_of_each_pair([0, 2, 1], 3).tolist()
    [True, True, False]
    """
    if partners is None:
        return np.ones(k, dtype=bool)
    return np.arange(k) <= np.asarray(partners)
