"""Curves put right: those that run backwards are turned, repeated points are left out."""

from __future__ import annotations

import math
from itertools import pairwise
from statistics import median

import numpy as np
import pandas as pd

from morpho.study.landmarks.digitised import DIGITISATION, Digitised, label_of
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
    ends = [place for place in (start, end) if place is not None]
    if len(points) < 2 or not ends:
        return False
    if len(ends) == 2:
        there = _length([ends[0], *points, ends[1]])
        return there > BACKWARDS * _length([ends[0], *reversed(points), ends[1]])
    near, far = (points[0], points[-1]) if end is None else (points[-1], points[0])
    step = median(math.dist(a, b) for a, b in pairwise(points))
    to_near, to_far = math.dist(ends[0], near), math.dist(ends[0], far)
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


def _tell_repeats(of: Digitised, curve: Curve, rows: list[int], n_points: int) -> None:
    names = of.landmarks["landmark"].iloc[sorted(rows)].tolist()
    remedy = "Nothing need be done."
    if len(rows) == n_points:
        remedy = "No point is left of it: digitise it again, or leave it out."
    _tell(
        of,
        min(rows),
        f"{listed(names, most=5)} {'is' if len(names) == 1 else 'are'} in the same place as "
        f"the point before or as an end of the curve {curve.name}",
        f"{'it was' if len(names) == 1 else 'they were'} left out.",
        remedy,
    )


def _tell(of: Digitised, row: int, found: str, done: str, remedy: str) -> None:
    at = of.landmarks.iloc[row]
    of.at(at).note(f"{found}{label_of(at['replicate'], at['observer'])}; {done}", remedy)


def repair_curves(of: Digitised) -> pd.DataFrame:
    """Turn the curves that were digitised backwards, and leave out repeated points.

    A curve runs backwards if the way from its first landmark along its points to its second is
    longer by a quarter than along the points in reverse; where one of the two landmarks is lost, if
    the last point is a step from the landmark that should be next to the first.

    ``file`` and ``line`` still tell where the coordinates stand.
    """
    frame = of.landmarks
    names = frame["landmark"].tolist()
    places: list[Place] = list(frame[["x", "y", "z"]].itertuples(index=False, name=None))
    order = np.arange(len(frame))
    keys = frame[list(DIGITISATION)]
    starts = np.flatnonzero((keys != keys.shift()).any(axis=1))
    for first, stop in pairwise([*starts.tolist(), len(frame)]):
        rows = {names[i]: i for i in range(first, stop)}
        for curve in of.scheme.curves:
            numbered = [i for name, i in rows.items() if name.rpartition(".")[0] == curve.name]
            block = [rows.get(f"{curve.name}.{n}", -1) for n in range(1, len(numbered) + 1)]
            if not block or -1 in block:  # a gap in the numbers is told as an error
                continue
            ends = [
                places[rows[name]] if name in rows else None for name in (curve.start, curve.end)
            ]
            start, end = (place if _there(place) else None for place in ends)
            points = [places[i] for i in block]
            if turned := _is_backwards(points, start, end):
                points.reverse()
                _tell(
                    of,
                    block[0],
                    f"The points of the curve {curve.name} run from {curve.end} to {curve.start}",
                    "they were turned.",
                    f"Nothing need be done; the scheme has it from {curve.start} to {curve.end}.",
                )
            source = block[::-1] if turned else block
            repeats = _repeats(points, start, end)
            if repeats:
                _tell_repeats(of, curve, [source[i] for i in sorted(repeats)], len(source))
            kept = [row for i, row in enumerate(source) if i not in repeats]
            order[block] = [*kept, *[-1] * len(repeats)]
    if (order == np.arange(len(order))).all():
        return frame
    repaired = frame.iloc[order].assign(landmark=names)
    return repaired[order >= 0].reset_index(drop=True)
