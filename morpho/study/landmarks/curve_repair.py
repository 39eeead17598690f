"""Curves put right: those that run backwards are turned, repeated points are left out."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd

from morpho.study.landmarks.digitised import DIGITISATION, Digitised, label_of, where_of
from morpho.study.scheme.reading import Curve
from morpho.wording import listed

__all__ = ["repair_curves"]

# A curve runs backwards if the way along its points from end to end would be this much longer.
BACKWARDS = 1.25
# With one end lost: if its first point is this many times farther from its landmark than the last.
FARTHER = 2.0
# Points nearer than this share of the curve's length are in one place.
SAME = 1e-6

Place = tuple[float, float, float]


def _length(line: list[Place]) -> float:
    return sum(math.dist(a, b) for a, b in pairwise(line))


def _there(place: Place | None) -> bool:
    return place is not None and not math.isnan(place[0])


def _is_backwards(points: list[Place], start: Place | None, end: Place | None) -> bool:
    points = [point for point in points if _there(point)]
    if len(points) < 2:
        return False
    if start is not None and end is not None:
        there = _length([start, *points, end])
        return there > BACKWARDS * _length([start, *reversed(points), end])
    if start is None and end is None:
        return False
    near, far = (points[0], points[-1]) if end is None else (points[-1], points[0])
    landmark = start if end is None else end
    if landmark is None:  # cannot be
        return False
    step = float(np.median([math.dist(a, b) for a, b in pairwise(points)]))
    to_near, to_far = math.dist(landmark, near), math.dist(landmark, far)
    return to_near > FARTHER * to_far and to_far < FARTHER * step


def _repeats(points: list[Place], start: Place | None, end: Place | None) -> set[int]:
    """Positions of the points in the same place as the one before, or as an end landmark."""
    whole = [point for point in (start, *points, end) if point is not None and _there(point)]
    near = SAME * _length(whole)
    found: set[int] = set()
    before = start
    for i, point in enumerate(points):
        if not _there(point):
            continue
        if before is not None and math.dist(before, point) <= near:
            found.add(i)
        else:
            before = point
    for i in range(len(points) - 1, -1, -1):
        if i in found:
            continue
        if end is None or not _there(points[i]) or math.dist(end, points[i]) > near:
            break
        found.add(i)
    return found


class _Repair:
    def __init__(self, of: Digitised) -> None:
        self.config, self.scheme, self.problems = of.config, of.scheme, of.problems
        self.frame = frame = of.landmarks
        self.names: list[str] = frame["landmark"].tolist()
        self.places: list[Place] = list(
            zip(frame["x"].tolist(), frame["y"].tolist(), frame["z"].tolist(), strict=True)
        )
        self.order = np.arange(len(frame))
        self.dropped = np.zeros(len(frame), dtype=bool)

    def run(self) -> pd.DataFrame:
        keys = self.frame[list(DIGITISATION)]
        starts = np.flatnonzero((keys != keys.shift()).any(axis=1))
        for start, stop in pairwise([*starts.tolist(), len(self.frame)]):
            rows = {self.names[i]: i for i in range(start, stop)}
            for curve in self.scheme.curves:
                self._curve(curve, rows)
        if (self.order == np.arange(len(self.order))).all() and not self.dropped.any():
            return self.frame
        repaired = self.frame.iloc[self.order].assign(landmark=self.names)
        return repaired[~self.dropped].reset_index(drop=True)

    def _curve(self, curve: Curve, rows: dict[str, int]) -> None:
        block: list[int] = []
        while f"{curve.name}.{len(block) + 1}" in rows:
            block.append(rows[f"{curve.name}.{len(block) + 1}"])
        longer = sum(name.rpartition(".")[0] == curve.name for name in rows) > len(block)
        if not block or longer:  # a gap in the numbers is told as an error
            return
        ends = [
            self.places[rows[name]] if name in rows else None for name in (curve.start, curve.end)
        ]
        start, end = (place if _there(place) else None for place in ends)
        source = block
        if _is_backwards([self.places[i] for i in block], start, end):
            source = block[::-1]
            self._tell(
                block[0],
                f"The points of the curve {curve.name} run from {curve.end} to {curve.start}",
                "they were turned.",
                f"Nothing need be done; the scheme has it from {curve.start} to {curve.end}.",
            )
        repeats = _repeats([self.places[i] for i in source], start, end)
        if repeats:
            self._tell_repeats(curve, [source[i] for i in sorted(repeats)], len(source))
            source = [row for i, row in enumerate(source) if i not in repeats]
        for target, row in zip(block, source, strict=False):
            self.order[target] = row
        self.dropped[block[len(source) :]] = True

    def _tell_repeats(self, curve: Curve, rows: list[int], n_points: int) -> None:
        names = sorted((self.names[i] for i in rows), key=lambda n: int(n.rpartition(".")[2]))
        remedy = "Nothing need be done."
        if len(rows) == n_points:
            remedy = "No point is left of it: digitise it again, or leave it out."
        self._tell(
            min(rows),
            f"{listed(names, most=5)} {'is' if len(names) == 1 else 'are'} in the same place as "
            f"the point before or as an end of the curve {curve.name}",
            f"{'it was' if len(names) == 1 else 'they were'} left out.",
            remedy,
        )

    def _tell(self, row: int, found: str, done: str, remedy: str) -> None:
        at = self.frame.iloc[row]
        label = label_of(at["replicate"], at["observer"])
        self.problems.note(
            f"{found}{label}; {done}",
            remedy,
            **where_of(self.config, at),
        )


def repair_curves(of: Digitised) -> pd.DataFrame:
    """Turn the curves that were digitised backwards, and leave out repeated points.

    A curve runs backwards if the way from its first landmark along its points to its second is
    longer by a quarter than along the points in reverse; where one of the two landmarks is lost, if
    the last point is a step from the landmark that should be next to the first.

    ``file`` and ``line`` still tell where the coordinates stand.
    """
    return _Repair(of).run()
