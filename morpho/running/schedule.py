"""How far a run is, and how long it will take: from the times of earlier runs of the study."""

from __future__ import annotations

import csv
import heapq
from collections.abc import Iterable, Mapping
from pathlib import Path
from statistics import median

from morpho.workflow.phrases import PHRASES
from morpho.workflow.plan import Plan

__all__ = ["Schedule", "expected_seconds", "roughly"]

# Seconds that the first steps count for before their times are held against those expected.
_TRUST = 10.0


def _earlier(results: Path, call: str) -> float | None:
    """Seconds that a call took in the last run, if that is known."""
    try:
        with open(results / "benchmarks" / f"{call}.tsv", encoding="utf-8") as file:
            rows = list(csv.DictReader(file, delimiter="\t"))
        return float(rows[-1]["s"])
    except (OSError, ValueError, LookupError, TypeError):
        return None


def expected_seconds(results: Path, plan: Plan, due: Iterable[str]) -> dict[str, float]:
    """Seconds that each call will take that does jobs that are due, on one core.

    Those of the last run; where it is new, those usual for its step, in proportion to how long the
    other calls of the study took.
    """
    usual = {
        call: PHRASES[jobs[0].rule.step].seconds * len(jobs)
        for call, jobs in plan.calls(plan.jobs).items()
    }
    told = {call: _earlier(results, call) for call in usual}
    ratios = [taken / usual[call] for call, taken in told.items() if taken is not None]
    pace = median(ratios) if ratios else 1.0
    return {call: told[call] or usual[call] * pace for call in plan.calls(due)}  # type: ignore[misc]


class Schedule:
    """The calls of a run, of which some are done and some are being done."""

    def __init__(self, plan: Plan, seconds: Mapping[str, float], cores: int) -> None:
        self.seconds = dict(seconds)
        self.cores = max(cores, 1)
        self.running: dict[str, float] = {}
        self.done: list[str] = []
        self.failed: list[str] = []
        self._before: dict[str, set[str]] = {call: set() for call in seconds}
        for job in plan.jobs.values():
            if job.call in seconds:
                before = {plan.jobs[one].call for one in plan.sources(job)}
                self._before[job.call] |= before & set(seconds)
        self._taken = self._expected = 0.0

    @property
    def total(self) -> int:
        """How many calls there are."""
        return len(self.seconds)

    def start(self, key: str, now: float) -> None:
        """A job has begun."""
        self.running[key] = now

    def finish(self, key: str, now: float) -> float:
        """A job is done; gives the seconds that it took."""
        taken = now - self.running.pop(key, now)
        self.done.append(key)
        self._taken += taken
        self._expected += self.seconds.get(key, 0.0)
        return taken

    def fail(self, key: str) -> None:
        """A job has failed."""
        self.running.pop(key, None)
        self.failed.append(key)

    def left(self, now: float) -> float:
        """Seconds until all is done, each job after those that it reads from, on these cores."""
        pace = (self._taken + _TRUST) / (self._expected + _TRUST)
        ended, over = set(self.done) | set(self.failed), {*self.done, *self.failed}
        free: list[tuple[float, str]] = []  # when what is running ends
        for key, begun in self.running.items():
            whole = self.seconds.get(key, 1.0) * pace
            heapq.heappush(free, (max(whole - (now - begun), 0.1 * whole), key))
            over.add(key)
        waiting = [key for key in self.seconds if key not in over]
        clock = 0.0
        while waiting or free:
            ready = [key for key in waiting if self._before[key] <= ended]
            for key in ready[: max(self.cores - len(free), 0)]:
                heapq.heappush(free, (clock + self.seconds[key] * pace, key))
                waiting.remove(key)
            if not free:  # what is left waits for something that failed
                break
            clock, key = heapq.heappop(free)
            ended.add(key)
        return clock


def roughly(seconds: float) -> str:
    """A time to come as people say it.

    >>> [roughly(one) for one in (4, 70, 400, 8000)]
    ['a few seconds', 'about a minute', 'about 7 minutes', 'about 2.2 hours']
    """
    if seconds < 10:
        return "a few seconds"
    if seconds < 50:
        return f"about {5 * round(seconds / 5)} seconds"
    minutes = round(seconds / 60)
    if minutes < 2:
        return "about a minute"
    return f"about {minutes} minutes" if minutes < 90 else f"about {seconds / 3600:.1f} hours"
