"""Calibration and stability: hundreds of whole analyses, and a loop that does the same."""

from __future__ import annotations

import statistics
import time

import numpy as np
from measuring import Array, Row, median_ratio, random_bones, seconds_in_turn
from scipy.linalg import orthogonal_procrustes
from threadpoolctl import threadpool_limits

from morpho.inference.membership.judging import Rules
from morpho.inference.robustness.calibration import calibrate
from morpho.inference.robustness.reanalysis import Frame, Material, analyse, frame_of
from morpho.inference.robustness.stability import Doubts, digitised_again, vary
from morpho.shape.superimposition import GeneralizedProcrustes

__all__ = ["frame_by_loop", "run", "sample"]

RULES = Rules(0.05, 5, None, 1)


def sample(n: int, k: int, taxa: int = 4) -> Material:
    """Random bones of some taxa; the last one is a query."""
    X = random_bones(n + 1, k, seed=2)
    rng = np.random.default_rng(3)
    place = np.arange(n + 1) % taxa
    spread = np.linalg.norm(X - X.mean(axis=1, keepdims=True), axis=(1, 2)) / np.sqrt(3 * k)
    own = 0.05 * rng.normal(size=(taxa, k, 3))
    taxon = np.array([f"taxon {g}" for g in place[:-1]] + [""])
    return Material(X + spread[:, None, None] * own[place], taxon, taxon != "")


def _fitted(x: Array, mean: Array) -> Array:
    z = x - x.mean(axis=0)
    z = z / np.linalg.norm(z)
    u, _, vt = np.linalg.svd(z.T @ mean)
    turn, _ = orthogonal_procrustes(z, mean)
    if np.linalg.det(turn) < 0:  # scipy mirrors where that fits better; a bone does not
        turn = (u * [1, 1, -1]) @ vt
    return z @ turn


def frame_by_loop(material: Material, passes: int) -> Frame:
    """The frame of the known specimens by a loop over them, as often as ours passes."""
    X = material.coordinates
    known = X[material.known]
    mean = known[0] - known[0].mean(axis=0)
    mean = mean / np.linalg.norm(mean)
    for _ in range(passes):
        mean = np.sum([_fitted(x, mean) for x in known], axis=0)
        mean = mean / np.linalg.norm(mean)
    flat = np.array([_fitted(x, mean).ravel() for x in X])
    pole = mean.ravel()
    sizes = [np.log(np.linalg.norm(x - x.mean(axis=0))) for x in X]
    return Frame(mean, flat - np.outer(flat @ pole, pole), np.array(sizes))


def _trials(material: Material, draws: int) -> int:
    """Calibrate and vary; give the number of analyses that were made."""
    names = np.array([f"specimen {i}" for i in range(len(material.taxon))])
    X = material.coordinates[~material.known]
    k = X.shape[1]
    error = np.full(k, 0.002 * np.abs(X).max())
    doubts = Doubts(
        landmarks={f"landmark {i}": i for i in range(k)},
        again=digitised_again(X, error, draws, np.random.default_rng(4)),
    )
    done = [0, 0]

    def count(which: int) -> object:
        return lambda _, total: done.__setitem__(which, total)

    calibrate(material, names, RULES, progress=count(0))
    vary(material, names, RULES, doubts, progress=count(1))
    return sum(done) + 2  # as analysed, and without extrapolation


def _seconds(material: Material, draws: int) -> tuple[float, int]:
    start = time.perf_counter()
    count = _trials(material, draws)
    return time.perf_counter() - start, count


def _costs(sizes: tuple[int, ...], k: int) -> list[float]:
    """Microseconds per specimen and analysis, with specimens and landmarks left out in turn."""
    costs = []
    for n in sizes:
        time_taken, trials = _seconds(sample(n, k), 0)
        costs.append(1e6 * time_taken / (n * trials))
    return costs


def run(
    n: int = 60,
    k: int = 100,
    draws: int = 320,
    growing: tuple[int, ...] = (30, 60, 120, 240),
    few: int = 20,
    repeats: int = 3,
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    n, k : int
        Known specimens and landmarks.
    draws : int
        Times that the query is digitised again; with each specimen and landmark left out
        they make up the trials.
    growing : tuple of int
        Numbers of specimens between which the growth of the time is measured.
    few : int
        Landmarks in that, beside `k`: soon fewer variables than specimens, where products of
        specimens with each other stay small.
    repeats : int

    Returns
    -------
    list of Row
    """
    material = sample(n, k)
    passes = GeneralizedProcrustes().fit(material.coordinates[material.known]).n_iterations_
    frames = {"ours": frame_of(material), "loop": frame_by_loop(material, passes)}
    found = {name: analyse(material, RULES, frame=frame) for name, frame in frames.items()}
    apart = max(
        np.abs(evidence.p_value - found["loop"].evidence[heeded].p_value).max()
        for heeded, evidence in found["ours"].evidence.items()
    )
    if not apart < 1e-6:
        raise AssertionError(f"p-values of the two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {
            "ours": lambda: analyse(material, RULES),
            "loop": lambda: analyse(material, RULES, frame=frame_by_loop(material, passes)),
        },
        repeats,
    )
    ratio = median_ratio(seconds["loop"], seconds["ours"])
    each = {name: f"{1e3 * statistics.median(s):.0f} ms" for name, s in seconds.items()}
    with threadpool_limits(limits=1):
        whole, count = _seconds(material, draws)
        costs = {points: _costs(growing, points) for points in (few, k)}
    sizes = ", ".join(str(size) for size in growing)
    grown = {points: max(cost) / cost[0] for points, cost in costs.items()}
    told = {points: ", ".join(f"{c:.0f}" for c in cost) for points, cost in costs.items()}
    what = f"microseconds per specimen and analysis, {sizes} x"
    return [
        Row(f"calibration and stability, {n} x {k}: {count} analyses", f"{whole:.1f} s", "",
            whole, "s", "< 60" if count >= 500 else "", count < 500 or whole < 60),
        Row(f"one analysis of {n} x {k} vs superimposing in a loop", each["ours"], each["loop"],
            ratio, "times", ">= 2", ratio >= 2),
        *(
            Row(f"{what} {points}", told[points], "", more, "times", "<= 1.3", more <= 1.3)
            for points, more in grown.items()
        ),
    ]  # fmt: skip
