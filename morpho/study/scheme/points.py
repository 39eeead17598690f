"""The points of an element: landmarks, then the semilandmarks of its curves and patches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from morpho.study.scheme.reading import Curve, Scheme

__all__ = ["Layout", "layout_of"]


@dataclass(frozen=True)
class Layout:
    """Names and roles of the points that are analysed, in their order."""

    names: tuple[str, ...]  # landmarks by their names, semilandmarks as curve.1, patch.1
    kinds: tuple[str, ...]  # landmark, curve or patch
    curves: dict[str, NDArray[np.intp]]  # along each, from landmark to landmark
    patches: dict[str, NDArray[np.intp]]
    partners: NDArray[np.intp] | None  # itself on the midline; None without a plane
    outline: tuple[tuple[str, str], ...]  # lines to draw

    def without(self, dropped: Sequence[str]) -> Layout:
        """The layout that is left when points are dropped.

        A curve goes with a landmark that ends it, and as a whole.
        """
        gone = {self.names.index(name) for name in dropped}
        for points in self.curves.values():
            gone |= set(points[1:-1].tolist()) if gone & set(points.tolist()) else set()
        for points in self.patches.values():
            gone |= set(points.tolist()) if gone & set(points.tolist()) else set()
        kept = [i for i in range(len(self.names)) if i not in gone]
        place = np.full(len(self.names), -1)
        place[kept] = np.arange(len(kept))
        partners = None
        if self.partners is not None:
            partners = place[self.partners[kept]]
            # a point whose partner is gone stands for itself alone
            partners = np.where(partners < 0, np.arange(len(kept)), partners)
        names = tuple(self.names[i] for i in kept)
        return Layout(
            names,
            tuple(self.kinds[i] for i in kept),
            {name: place[p] for name, p in self.curves.items() if not gone & set(p.tolist())},
            {name: place[p] for name, p in self.patches.items() if not gone & set(p.tolist())},
            partners,
            tuple(line for line in self.outline if set(line) <= set(names)),
        )


def _curve_partners(curve: Curve, other: Curve, scheme: Scheme) -> Sequence[int]:
    """Number of the semilandmark of the other curve that each semilandmark answers to."""
    order = range(other.semilandmarks)
    return order if scheme.mirror_of(curve.start) == other.start else order[::-1]


def _partners(scheme: Scheme, place: Mapping[str, int], curves: Sequence[Curve]) -> NDArray:
    partners = np.arange(len(place))
    for name in scheme.landmark_names:
        partners[place[name]] = place[str(scheme.mirror_of(name) or name)]
    by_name = {curve.name: curve for curve in curves}
    for curve in curves:
        other = by_name[str(scheme.mirror_of(curve.name) or curve.name)]
        for i, j in enumerate(_curve_partners(curve, other, scheme), start=1):
            partners[place[f"{curve.name}.{i}"]] = place[f"{other.name}.{j + 1}"]
    return partners


def _numbered(name: str, count: int) -> tuple[str, ...]:
    return tuple(f"{name}.{i}" for i in range(1, count + 1))


def layout_of(scheme: Scheme, *, curves: bool = True, patches: Mapping[str, int]) -> Layout:
    """Lay out the points of a scheme.

    On an element with a plane of symmetry a patch has no partner, and none may be given.
    """
    chosen = scheme.curves if curves else ()
    own = {
        "landmark": {"": scheme.landmark_names},
        "curve": {c.name: _numbered(c.name, c.semilandmarks) for c in chosen},
        "patch": {name: _numbered(name, count) for name, count in patches.items()},
    }
    points = {name: kind for kind, parts in own.items() for part in parts.values() for name in part}
    names = tuple(points)
    place = {name: i for i, name in enumerate(names)}
    along = {
        c.name: np.array([place[name] for name in (c.start, *own["curve"][c.name], c.end)])
        for c in chosen
    }
    covered = {frozenset((curve.start, curve.end)) for curve in chosen}
    outline = [tuple(line) for line in scheme.outline if frozenset(line) not in covered]
    for line in along.values():
        outline += [(names[a], names[b]) for a, b in pairwise(line)]
    return Layout(
        names,
        tuple(points.values()),
        along,
        {name: np.array([place[one] for one in part]) for name, part in own["patch"].items()},
        _partners(scheme, place, chosen) if scheme.symmetry == "object" else None,
        tuple((str(a), str(b)) for a, b in outline),
    )
