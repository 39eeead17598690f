"""How the benchmarks measure: in turn, in one process, medians, and one row each."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

__all__ = ["Row", "median_ratio", "random_bones", "seconds_in_turn"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Row:
    """One line of the table.

    Attributes
    ----------
    what : str
        What was done, and to how much.
    ours, peer : str
        The two measurements with their units; `peer` may be empty.
    result : float
        The number that the benchmark is about: a ratio, copies, or microseconds.
    unit : str
        What the result counts.
    goal : str
        Comparison and bound, such as '>= 15'; empty where there is none.
    met : bool
        Whether the goal is reached; true where there is none.
    """

    what: str
    ours: str
    peer: str
    result: float
    unit: str
    goal: str = ""
    met: bool = True


def seconds_in_turn(
    runners: Mapping[str, Callable[[], Any]], repeats: int
) -> dict[str, list[float]]:
    """Run each function `repeats` times, all of them in turn, and time every run.

    What else goes on in the machine then slows them all alike, and the ratio of two
    runs of one round means something. Linear algebra is held to one thread: where other
    programs want the cores as well, its threads wait for each other, and the clock
    would measure that.

    Parameters
    ----------
    runners : mapping of str to callable without arguments
    repeats : int
        Rounds; one more goes first and is not counted.

    Returns
    -------
    dict of str to list of float
        Seconds of wall-clock time, a number for each round.
    """
    seconds: dict[str, list[float]] = {name: [] for name in runners}
    with threadpool_limits(limits=1):
        for round_number in range(repeats + 1):
            for name, run in runners.items():
                start = time.perf_counter()
                run()
                if round_number:
                    seconds[name].append(time.perf_counter() - start)
    return seconds


def median_ratio(slow: list[float], fast: list[float]) -> float:
    """Median of the ratios of the rounds."""
    return statistics.median(a / b for a, b in zip(slow, fast, strict=True))


def random_bones(n: int, k: int, *, seed: int = 0, spread: float = 0.05) -> Array:
    """Configurations about one mean, each in its own pose and size.

    Parameters
    ----------
    n, k : int
        Specimens and landmarks, in three dimensions.
    seed : int
    spread : float
        Standard deviation of each coordinate about the mean, whose own is 1.

    Returns
    -------
    ndarray of shape (n, k, 3)
    """
    rng = np.random.default_rng(seed)
    bones = rng.normal(size=(k, 3)) + spread * rng.normal(size=(n, k, 3))
    turns = np.linalg.qr(rng.normal(size=(n, 3, 3)))[0]
    turns[:, :, 0] *= np.linalg.det(turns)[:, None]
    sizes = rng.uniform(10, 40, size=(n, 1, 1))
    return sizes * (bones @ turns) + rng.normal(scale=100, size=(n, 1, 3))
