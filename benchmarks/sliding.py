"""Sliding to convergence: seconds and memory; one pass against Kronecker products."""

from __future__ import annotations

import statistics
import time
import tracemalloc
from dataclasses import dataclass

import numpy as np
from measuring import Array, Row, median_ratio, seconds_in_turn
from threadpoolctl import threadpool_limits

from morpho.shape.semilandmarks.curves import curve_tangents
from morpho.shape.semilandmarks.sliding import slide
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.thin_plate import bending_energy_matrix

__all__ = ["Bones", "by_kronecker", "make_bones", "run"]


@dataclass
class Bones:
    """Bent ellipsoids with points on them, and the way back onto them.

    Attributes
    ----------
    X : ndarray of shape (n, k, 3)
    curves : list of ndarray of int
    surfaces : ndarray of int
    sphere : ndarray of shape (n, k, 3)
        Where each point lies on the sphere that the bone was made from.
    planes : list of ndarray of shape (3,)
        Normals of the great circles that the curves are parts of.
    axes, bend : ndarray of shape (n, 1, 3) and (n,)
    """

    X: Array
    curves: list[np.ndarray]
    surfaces: np.ndarray
    sphere: Array
    planes: list[Array]
    axes: Array
    bend: Array

    def project(self, i: int, points: Array) -> tuple[Array, Array]:
        """Put points back on bone i, those of curves on their curves; with normals."""
        u = points.copy()
        u[:, 2] -= self.bend[i] * u[:, 0] ** 2
        u /= self.axes[i]
        for curve, plane in zip(self.curves, self.planes, strict=True):
            inner = curve[1:-1]
            u[inner] -= np.outer(u[inner] @ plane, plane)
        u /= np.linalg.norm(u, axis=1, keepdims=True)
        # Normals go by the inverse transposed derivative of the map.
        normals = (u / self.axes[i])[self.surfaces]
        x = (u * self.axes[i])[self.surfaces, 0]
        normals[:, 0] -= 2 * self.bend[i] * x * normals[:, 2]
        return self.place(u, i), normals

    def place(self, u: Array, i: int) -> Array:
        """Points of the sphere on bone i."""
        points = u * self.axes[i]
        points[:, 2] += self.bend[i] * points[:, 0] ** 2
        return points


def _spread(m: int, rng: np.random.Generator) -> Array:
    """Points spread over the sphere along a golden spiral, turned at random."""
    j = np.arange(m) + 0.5
    z, angle = 1 - 2 * j / m, np.pi * (1 + 5**0.5) * j
    r = np.sqrt(1 - z**2)
    points = np.column_stack([r * np.cos(angle), r * np.sin(angle), z])
    return points @ np.linalg.qr(rng.normal(size=(3, 3)))[0]


def make_bones(n: int, landmarks: int, on_curves: int, on_surface: int, *, seed: int = 0) -> Bones:
    """Draw bones whose semilandmarks start off their homologous places.

    Parameters
    ----------
    n : int
        Specimens.
    landmarks, on_curves, on_surface : int
        Points of each kind; the curves, four of them, join landmarks.
    seed : int

    Returns
    -------
    Bones
    """
    rng = np.random.default_rng(seed)
    fixed = _spread(landmarks, rng)
    each = on_curves // 4
    curves, planes, inner = [], [], []
    for c in range(4):
        start, end = fixed[2 * c], fixed[2 * c + 1]
        plane = np.cross(start, end)
        planes.append(plane / np.linalg.norm(plane))
        first = landmarks + c * each
        curves.append(np.r_[2 * c, first : first + each, 2 * c + 1])
        share = np.linspace(0, 1, each + 2)[1:-1, None]
        inner.append((1 - share) * start + share * end)
    free = _spread(on_surface, rng)
    home = np.concatenate([fixed, *inner, free])
    home /= np.linalg.norm(home, axis=1, keepdims=True)
    surfaces = np.arange(landmarks + 4 * each, len(home))
    axes = np.exp(0.15 * rng.normal(size=(n, 1, 3))) * [10, 6, 4]
    bend = 0.03 * rng.normal(size=n)
    sphere = np.repeat(home[None], n, axis=0)
    # Points carried from a template are off together with their neighbours, and a little
    # each on its own: a tenth of the way to the next point or so.
    together = 0.15 * rng.normal(size=(n, 3, 3))
    sphere[:, surfaces] += (home[surfaces] ** 2) @ together
    sphere[:, surfaces] += 0.3 / np.sqrt(on_surface) * rng.normal(size=(n, len(surfaces), 3))
    # Points of curves are equally spaced along another measure in each specimen, in order.
    for curve in curves:
        at, start, towards = curve[1:-1], home[curve[0]], home[curve[-1]] - home[curve[0]]
        share = np.linspace(0, 1, each + 2)[1:-1] ** np.exp(0.15 * rng.normal(size=(n, 1)))
        share += 0.15 / each * rng.uniform(-1, 1, size=share.shape)
        sphere[:, at] = start + share[:, :, None] * towards
    sphere /= np.linalg.norm(sphere, axis=2, keepdims=True)
    bones = Bones(np.empty_like(sphere), curves, surfaces, sphere, planes, axes, bend)
    for i in range(n):
        bones.X[i] = bones.place(sphere[i], i)
    return bones


def by_kronecker(bones: Bones, normals: Array) -> Array:
    """Slide all once onto the first, as the formula stands, with dense I (x) B and U."""
    k = bones.X.shape[1]
    B = bending_energy_matrix(GeneralizedProcrustes().fit(bones.X[:1]).mean_)
    L = np.kron(np.eye(3), B)
    slid = bones.X.copy()
    for i, x in enumerate(bones.X):
        columns = []
        for curve in bones.curves:
            for j, tangent in zip(curve[1:-1], curve_tangents(x[curve]), strict=True):
                columns.append((j, tangent))
        for j, normal in zip(bones.surfaces, normals[i], strict=True):
            columns.extend((j, tangent) for tangent in np.linalg.svd(normal[None])[2][1:])
        U = np.zeros((3 * k, len(columns)))
        for a, (j, tangent) in enumerate(columns):
            U[[j, k + j, 2 * k + j], a] = tangent
        t = -np.linalg.solve(U.T @ L @ U, U.T @ L @ x.T.ravel())
        slid[i] += (U @ t).reshape(3, k).T
    return slid


def run(
    n: int = 200,
    landmarks: int = 20,
    on_curves: int = 100,
    on_surface: int = 200,
    dense: int = 10,
    repeats: int = 3,
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    n, landmarks, on_curves, on_surface : int
        Specimens, and points of each kind.
    dense : int
        Specimens in the comparison with Kronecker products.
    repeats : int

    Returns
    -------
    list of Row
    """
    few = make_bones(dense, landmarks, on_curves, on_surface, seed=1)
    # With one specimen as reference nothing is shared by the known, and close to where the
    # points belong no step is cut: both must come to the same.
    common = {"curves": few.curves, "surfaces": few.surfaces, "known": np.arange(dense) == 0}
    few.X = slide(few.X, project=few.project, **common).coordinates
    normals = np.stack([few.project(i, x)[1] for i, x in enumerate(few.X)])
    task = {**common, "normals": normals, "max_passes": 1}
    apart = np.abs(slide(few.X, **task).coordinates - by_kronecker(few, normals)).max()
    if not apart < 1e-6:
        raise AssertionError(f"The two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {"ours": lambda: slide(few.X, **task), "dense": lambda: by_kronecker(few, normals)},
        repeats,
    )
    ratio = median_ratio(seconds["dense"], seconds["ours"])
    middle = {name: f"{statistics.median(s):.2f} s" for name, s in seconds.items()}

    bones = make_bones(n, landmarks, on_curves, on_surface)
    with threadpool_limits(limits=1):
        start = time.perf_counter()
        result = slide(bones.X, curves=bones.curves, surfaces=bones.surfaces, project=bones.project)
        whole = time.perf_counter() - start
    tracemalloc.start()
    try:
        slide(
            bones.X, curves=bones.curves, surfaces=bones.surfaces, project=bones.project,
            max_passes=1,
        )  # fmt: skip
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    what = f"slide {n} x {on_curves + on_surface} semilandmarks"
    ours = f"{result.passes} passes{'' if result.converged else ', NOT converged'}"
    met = whole < 60 and result.converged
    return [
        Row(f"{what} to convergence", ours, "", whole, "s", "< 60", met),
        Row(f"memory of it, with {bones.X.nbytes / 1e6:.0f} MB of input", f"{peak / 1e6:.0f} MB",
            "", peak / 1e6, "MB", "< 2000", peak < 2e9),
        Row(f"one pass of {dense} specimens vs Kronecker products", middle["ours"],
            middle["dense"], ratio, "times", ">= 5", ratio >= 5),
    ]  # fmt: skip
