"""Generalized Procrustes against a loop over scipy's pairwise function, and against SVDs."""

from __future__ import annotations

import statistics

import numpy as np
from measuring import Array, Row, median_ratio, random_bones, seconds_in_turn
from scipy.linalg import orthogonal_procrustes
from scipy.spatial import procrustes

from morpho.shape.superimposition import GeneralizedProcrustes

__all__ = ["by_loop", "by_svd", "run"]


def by_loop(X: Array, passes: int) -> Array:
    """Fit each specimen to the mean by `scipy.spatial.procrustes`, `passes` times over.

    That function allows reflection and scaling, ours does not; for bones of one side
    that resemble each other both find the same rotations.
    """
    mean = X[0]
    for _ in range(passes):
        aligned = np.stack([procrustes(mean, x)[1] for x in X])
        mean = aligned.mean(axis=0)
    return aligned


def by_svd(X: Array, passes: int) -> Array:
    """The same passes as ours in plain numpy: one batch of singular value decompositions."""
    Z = X - X.mean(axis=1, keepdims=True)
    Z /= np.linalg.norm(Z, axis=(1, 2), keepdims=True)

    def turned(mean: Array) -> Array:
        U, _, Vt = np.linalg.svd(Z.transpose(0, 2, 1) @ mean)
        U[np.linalg.det(U @ Vt) < 0, :, -1] *= -1
        return Z @ (U @ Vt)

    mean = Z[0]
    for _ in range(passes):
        mean = turned(mean).mean(axis=0)
        mean /= np.linalg.norm(mean)
    return turned(mean)


def run(n: int = 1000, k: int = 200, repeats: int = 9) -> list[Row]:
    """Measure.

    Parameters
    ----------
    n, k : int
        Specimens and landmarks.
    repeats : int

    Returns
    -------
    list of Row
    """
    X = random_bones(n, k)
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(X)
    passes = model.n_iterations_
    # The same shapes, before anything is timed: equal up to one rotation of all.
    other = by_svd(X, passes)
    turn = orthogonal_procrustes(other.reshape(-1, 3), aligned.reshape(-1, 3))[0]
    apart = np.abs(other @ turn - aligned).max()
    if not apart < 1e-12:
        raise AssertionError(f"The two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {
            "ours": lambda: GeneralizedProcrustes().fit_transform(X),
            "svd": lambda: by_svd(X, passes),
            "loop": lambda: by_loop(X, passes),
        },
        repeats,
    )
    middle = {name: f"{1e3 * statistics.median(s):.1f} ms" for name, s in seconds.items()}
    what = f"superimpose {n:,} x {k}, {passes} passes"
    ours = middle["ours"]
    loop = median_ratio(seconds["loop"], seconds["ours"])
    svd = median_ratio(seconds["svd"], seconds["ours"])
    return [
        Row(f"{what} vs scipy loop", ours, middle["loop"], loop, "times", ">= 15", loop >= 15),
        Row(f"{what} vs batched SVD", ours, middle["svd"], svd, "times"),
    ]
