"""Warping a large scan by many landmarks, against scipy's interpolator of the same spline."""

from __future__ import annotations

import statistics
import tracemalloc

import numpy as np
from carrying import make_scan
from measuring import Array, Row, median_ratio, seconds_in_turn
from scipy.interpolate import RBFInterpolator

from morpho.shape.surfaces.triangles import vertex_normals
from morpho.shape.surfaces.warped import displacement_field, normal_displacement, warp_surface

__all__ = ["by_scipy", "run"]


def by_scipy(vertices: Array, source: Array, target: Array) -> Array:
    """Vertices warped by `scipy.interpolate.RBFInterpolator`: kernel r, polynomial of degree 1."""
    return np.asarray(RBFInterpolator(source, target, kernel="linear", degree=1)(vertices))


def run(
    rings: int = 1000,
    sides: int = 500,
    landmarks: int = 200,
    measured: int = 20_000,
    repeats: int = 3,
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    rings, sides : int
        Fineness of the scan: about their product in vertices, twice that in faces.
    landmarks : int
    measured : int
        Vertices warped by scipy; the time is multiplied up to all.
    repeats : int

    Returns
    -------
    list of Row
    """
    rng = np.random.default_rng(0)
    scan = make_scan(rings, sides)
    V, F = np.asarray(scan.vertices), np.asarray(scan.faces)
    source = V[rng.choice(len(V), landmarks, replace=False)]
    target = source * [1.05, 1.1, 0.95] + 0.1 * rng.normal(size=source.shape)
    some = V[rng.choice(len(V), min(measured, len(V)), replace=False)]

    warped = warp_surface(some, [[0, 1, 2]] * 2, source, target).vertices
    apart = np.abs(warped - by_scipy(some, source, target)).max()
    if not apart < 1e-9:
        raise AssertionError(f"The two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {
            "warp": lambda: warp_surface(V, F, source, target),
            "heat": lambda: normal_displacement(
                vertex_normals(V, F), displacement_field(V, source, target)
            ),
            "field": lambda: displacement_field(V, source, target),
            "scipy": lambda: by_scipy(some, source, target),
        },
        repeats,
    )
    seconds["scipy"] = [s * len(V) / len(some) for s in seconds["scipy"]]
    middle = {name: statistics.median(s) for name, s in seconds.items()}
    tracemalloc.start()
    try:
        warp_surface(V, F, source, target)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    size = f"{len(V):,} vertices, {landmarks} landmarks"
    ratio = median_ratio(seconds["scipy"], seconds["field"])
    return [
        Row(f"warp a scan and look for folds, {size}", f"{middle['warp']:.2f} s", "",
            middle["warp"], "s", "< 5", middle["warp"] < 5),
        Row(f"memory of it, {size}", f"{peak:.0f} MB", "", peak, "MB", "< 1000", peak < 1000),
        Row(f"heat of a scan, {size}", f"{middle['heat']:.2f} s", "", middle["heat"], "s"),
        Row(f"field of a spline, {size}, vs scipy", f"{middle['field']:.2f} s",
            f"{middle['scipy']:.1f} s (from {len(some):,} vertices)", ratio, "times"),
    ]  # fmt: skip
