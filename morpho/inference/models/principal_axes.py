"""Principal axes: of a sample, and of a sample that one more specimen joins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.linalg.lapack import dlasd4

__all__ = ["PrincipalAxes", "narrow", "principal_axes"]

Array = NDArray[np.float64]

_ROUNDING = 64 * np.finfo(float).eps
# Axes found by the short way are believed if they are orthonormal up to this.
_ORTHONORMAL = 1e-10


def narrow(Y: Array) -> Array:
    """Rows with the same inner products, in no more columns than there are rows.

    Parameters
    ----------
    Y : ndarray of shape (n_specimens, n_variables)

    Returns
    -------
    ndarray of shape (n_specimens, min(n_specimens, n_variables))
    """
    n, m = Y.shape
    return Y if m <= n else np.asarray(np.linalg.qr(Y.T, mode="r")).T


def principal_axes(Y: Array, n_axes: int) -> Array:
    """First principal axes, by the smaller of the two matrices of products.

    Parameters
    ----------
    Y : ndarray of shape (n_specimens, n_variables)
    n_axes : int
        No more are given than specimens or variables.

    Returns
    -------
    ndarray of shape (n_variables, n_axes)
        Orthonormal; the largest first.
    """
    n, m = Y.shape
    Y = Y - Y.mean(axis=0)
    products = Y @ Y.T if m > n else Y.T @ Y
    few = [max(len(products) - n_axes, 0), len(products) - 1]
    found = eigh(products, subset_by_index=few)[1][:, ::-1]
    return np.linalg.qr(Y.T @ found)[0] if m > n else found


def _by_all(squares: Array, w: Array, n_axes: int) -> Array:
    """Leading eigenvectors of diag(squares) + w w', by way of all of it."""
    return np.linalg.eigh(np.diag(squares) + np.outer(w, w))[1][:, ::-1][:, :n_axes]


def _by_roots(squares: Array, w: Array, n_axes: int) -> Array | None:
    """Leading eigenvectors of diag(squares) + w w', one by one; None where they lie too close."""
    rho = float(w @ w)
    rounding = _ROUNDING * max(float(squares[0]), rho)
    turned = np.abs(w) * np.sqrt(rho) > rounding
    places, still = np.flatnonzero(turned), np.flatnonzero(~turned)[:n_axes]
    if (np.diff(squares[places][: n_axes + 1]) > -rounding).any():
        return None
    count = min(n_axes, len(places))
    found = np.concatenate([np.zeros(count), squares[still]])
    axes = np.zeros((len(squares), len(found)))
    axes[still, np.arange(count, len(found))] = 1.0
    if count:
        part = w[places][::-1]
        length = np.linalg.norm(part)
        part, lengths = part / length, np.sqrt(squares[places][::-1])
        for k in range(count):
            apart, root, together, failed = dlasd4(len(part) - 1 - k, lengths, part, length**2)
            gaps = apart * together
            if failed or not gaps.all():
                return None
            axis = part / gaps
            axes[places, k] = (axis / np.linalg.norm(axis))[::-1]
            found[k] = root**2
    axes = axes[:, np.argsort(-found, kind="stable")[:n_axes]]
    off = np.abs(axes.T @ axes - np.eye(axes.shape[1])).max()
    return axes if off < _ORTHONORMAL else None


@dataclass(frozen=True)
class PrincipalAxes:
    """All principal axes of deviations from a model.

    Attributes
    ----------
    squares : ndarray of shape (n_axes,)
        Sums of squares along the axes; the largest first.
    axes : ndarray of shape (n_variables, n_axes)
        Orthonormal; as many as there are specimens or variables, whichever are fewer, those
        without variation among them.
    scores : ndarray of shape (n_specimens, n_axes)
    """

    squares: Array
    axes: Array
    scores: Array

    @classmethod
    def of(cls, residuals: Array) -> PrincipalAxes:
        """Find the axes.

        Parameters
        ----------
        residuals : ndarray of shape (n_specimens, n_variables)

        Returns
        -------
        PrincipalAxes
        """
        n, m = residuals.shape
        small, basis = residuals, None
        if m > n:  # directions outside the span of the specimens have no part
            basis, triangle = np.linalg.qr(residuals.T)
            small = triangle.T
        squares, axes = np.linalg.eigh(small.T @ small)
        squares, axes = np.maximum(squares[::-1], 0.0), axes[:, ::-1]
        return cls(squares, axes if basis is None else basis @ axes, small @ axes)

    def joined_by(self, e: Array, h: Array, n_axes: int) -> tuple[Array, Array]:
        r"""Scores on the leading axes of the sample that a newcomer joins.

        Once it has joined, with deviation :math:`e` from what the others predict and leverage
        :math:`h` of the prediction, the products of the residuals of all are
        :math:`R^\top R + e e^\top / (1 + h)` (Cook & Weisberg 1982, Residuals and Influence in
        Regression, on leaving a case out; from memory). On the axes of the sample
        that is a diagonal matrix with an update of rank one. Its eigenvalues are the roots of
        the secular equation, each of them between an old one and the next larger (the largest
        above all of them), and the eigenvectors follow from them (Golub 1973, SIAM Review 15,
        318-334), so that one decomposition serves all newcomers. Where roots lie too close
        together to be told apart, the matrix is decomposed as a whole.

        Parameters
        ----------
        e : ndarray of shape (n_queries, n_taxa, n_variables)
        h : ndarray of shape (n_queries, n_taxa)
        n_axes : int
            No more are found than specimens or variables.

        Returns
        -------
        known : ndarray of shape (n_queries, n_taxa, n_specimens, n_axes)
            Scores of the deviations of the sample, as they were before.
        newcomer : ndarray of shape (n_queries, n_taxa, n_axes)
            Scores of :math:`e`.
        """
        along = e @ self.axes
        squares = self.squares
        if len(self.axes) > len(squares):  # what the sample has no part in
            beyond = np.linalg.norm(e - along @ self.axes.T, axis=-1, keepdims=True)
            along, squares = np.concatenate([along, beyond], axis=-1), np.append(squares, 0.0)
        n_axes = min(n_axes, len(self.squares))
        known = np.empty((*h.shape, len(self.scores), n_axes))
        newcomer = np.empty((*h.shape, n_axes))
        for place in np.ndindex(h.shape):
            w = along[place] / np.sqrt(1 + h[place])
            axes = _by_roots(squares, w, n_axes)
            if axes is None:
                axes = _by_all(squares, w, n_axes)
            known[place] = self.scores @ axes[: len(self.squares)]
            newcomer[place] = along[place] @ axes
        return known, newcomer
