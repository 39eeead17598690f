"""Best rotations, many at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["best_rotations"]

Array = NDArray[np.float64]

# Below this share of the largest possible determinant a cross-product matrix counts
# as flat or reflected, and goes to the singular value decomposition.
_FLAT = 1e-7
_PASSES = 40


def _by_svd(cross: Array) -> Array:
    """Rotations from singular value decompositions; the last axis turns where it must."""
    U, _, Vt = np.linalg.svd(cross)
    wrong = np.linalg.det(U @ Vt) < 0
    U[wrong, :, -1] *= -1
    return U @ Vt


def _cofactors(Q: Array) -> Array:
    """Cofactor matrices of Q, of shape (3, 3, n)."""
    a, b, c = Q
    result = np.empty_like(Q)
    for row, (p, q) in enumerate(((b, c), (c, a), (a, b))):
        for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            np.multiply(p[j], q[k], out=result[row, i])
            result[row, i] -= p[k] * q[j]
    return result


def _by_newton(Q: Array) -> Array:
    """Orthogonal polar factors of Q, of shape (3, 3, n), all with positive determinant."""
    for _ in range(_PASSES):
        cofactors = _cofactors(Q)
        inverse = cofactors / (Q[0] * cofactors[0]).sum(axis=0)
        # Higham's scaling, by Frobenius norms
        scale = ((inverse**2).sum(axis=(0, 1)) / (Q**2).sum(axis=(0, 1))) ** 0.25
        step = 0.5 * (scale * Q + inverse / scale)
        moved = np.abs(step - Q).max()
        Q = step
        # Convergence is quadratic: a last move of 1e-8 leaves an error near 1e-16.
        if moved < 1e-8:
            break
    return Q


def best_rotations(cross: Array) -> Array:
    r"""Rotations that bring configurations onto a target, without reflection.

    For cross-products :math:`C_i = X_i^\top M` the rotation :math:`R_i` minimises
    :math:`\lVert X_i R_i - M \rVert` over the matrices with :math:`R^\top R = I` and
    :math:`\det R = +1`.

    Parameters
    ----------
    cross : ndarray of shape (n_specimens, n_dimensions, n_dimensions)
        The products :math:`X_i^\top M`.

    Returns
    -------
    ndarray of shape (n_specimens, n_dimensions, n_dimensions)
        Rotations; apply them as ``X[i] @ R[i]``.

    Notes
    -----
    Where :math:`\det C_i > 0` the answer is the orthogonal polar factor of
    :math:`C_i`, found in three dimensions by Newton's iteration
    :math:`Q \leftarrow (\gamma Q + \gamma^{-1} Q^{-\top}) / 2` for all specimens at
    once. Everything else (flat configurations, mirror images, two dimensions) goes
    through the singular value decomposition :math:`C = U D V^\top`, :math:`R = U S
    V^\top` with :math:`S = \mathrm{diag}(1, \dots, \det U V^\top)`.

    References
    ----------
    Higham, N. J. (1986). Computing the polar decomposition, with applications.
    SIAM Journal on Scientific and Statistical Computing 7, 1160-1174.
    Kabsch, W. (1978). Acta Crystallographica A34, 827-828.
    """
    cross = np.asarray(cross, dtype=float)
    if cross.shape[-1] != 3:
        return _by_svd(cross)
    Q = np.ascontiguousarray(np.moveaxis(cross, 0, -1))
    size = np.sqrt((Q**2).sum(axis=(0, 1)) / 3)
    determinant = (Q[0] * _cofactors(Q)[0]).sum(axis=0)
    good = determinant > _FLAT * size**3
    if good.all():
        return np.moveaxis(_by_newton(Q / size), -1, 0).copy()
    result = np.empty_like(cross)
    result[~good] = _by_svd(cross[~good])
    if good.any():
        result[good] = np.moveaxis(_by_newton(Q[..., good] / size[good]), -1, 0)
    return result
