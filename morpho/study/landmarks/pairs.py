"""Pairs of landmarks: are left and right mirror images of each other?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from morpho.study.landmarks.digitised import Digitised, each_digitisation
from morpho.study.landmarks.midline import FEWEST_PAIRS, TIMES_USUAL, midline_plane
from morpho.study.reading.problems import Problems, Severity
from morpho.study.reading.yaml_file import read_yaml
from morpho.study.scheme.parts import partners
from morpho.wording import listed

__all__ = ["check_pairs", "mirror_gaps", "other_partners"]

# A landmark farther from its partner's mirror image than this share of the bone's largest extent
# is far, if it is also so many times (TIMES_USUAL) what is usual.
FAR_SHARE = 0.1
# Other pairs mend a scheme if the squared distances fall to this share,
MENDED = 0.25
# in this share of the digitisations, of so many specimens at least.
MOST_OF_THEM, FEWEST_SPECIMENS = 0.8, 3
# Rounds of finding the plane from the best partners and these from the plane, the digitisations
# that are asked for partners, and the partners so found that are tried on all.
ROUNDS, TRIED, CANDIDATES = 3, 15, 5

Points = NDArray[np.float64]
Indices = NDArray[np.intp]


def mirror_gaps(points: ArrayLike, partner: ArrayLike) -> Points:
    """Distances of landmarks from the mirror images of all others.

    Examples
    --------
    >>> ring = [[1, 0, 0], [-1, 0, 0], [2, 3, 1], [-2, 3, 1], [0, 5, 2]]
    >>> mirror_gaps(ring, [1, 0, 3, 2, 4])[0].round(6).tolist()[:2]
    [2.0, 0.0]
    """
    points = np.asarray(points, dtype=np.float64)
    partner = np.asarray(partner, dtype=np.intp)
    left = np.flatnonzero(partner > np.arange(len(partner)))
    return _gaps(points, *midline_plane(points[left], points[partner[left]]))


def _gaps(points: Points, normal: Points, offset: float) -> Points:
    mirrored = points - 2 * np.outer(points @ normal - offset, normal)
    return np.linalg.norm(mirrored[:, None] - points[None], axis=2)


def other_partners(points: ArrayLike, partner: ArrayLike) -> list[tuple[int, ...]]:
    r"""Find partners that may fit a bone better than those that are written.

    From the plane of the written pairs, and from the three that their first moments allow, partners
    are chosen as a linear assignment of least summed distance (Kuhn 1955), and the plane is fitted
    to these again, some rounds on.

    Each has as many pairs as are written: a flat bone is its own image in its own plane.

    References
    ----------
    Kuhn, H. W. (1955). The Hungarian method for the assignment problem. Naval Research Logistics
    Quarterly, 2, 83-97.
    """
    points = np.asarray(points, dtype=np.float64)
    partner = np.asarray(partner, dtype=np.intp)
    at = np.arange(len(points))
    left = np.flatnonzero(partner > at)
    d = points[left] - points[partner[left]]
    m = (points[left] + points[partner[left]]) / 2
    m0 = m.mean(axis=0)
    normals = np.linalg.eigh(d.T @ d / 4 - (m - m0).T @ (m - m0))[1].T
    starts = [_gaps(points, normal, float(m0 @ normal)) for normal in normals]
    found: dict[tuple[int, ...], Points] = {}
    for gaps in (mirror_gaps(points, partner), *starts):
        for _ in range(ROUNDS):
            order = linear_sum_assignment(gaps)[1]
            mutual = np.equal(order[order], at)
            if not np.all(mutual) or np.sum(order > at) != len(left):
                break
            # most ways lead to the same partners
            key = tuple(order.tolist())
            if key not in found:
                found[key] = mirror_gaps(points, order)
            gaps = found[key]
    return list(found)


@dataclass
class _Measured:
    """One digitisation, and what it says of the pairs."""

    specimen: str
    label: str
    rows: pd.DataFrame
    points: Points  # of all landmarks of the scheme, mm; NaN where one is missing
    extent: float  # mm

    def gaps(self, partner: Indices) -> Points:
        """Distances between mirror images of all landmarks; NaN where one is missing."""
        there = np.asarray(~np.isnan(self.points).any(axis=1))
        used = np.flatnonzero(there & there[partner])
        gaps = np.full((len(partner), len(partner)), np.nan)
        if (partner[used] > used).sum() >= FEWEST_PAIRS:
            own = np.searchsorted(used, partner[used])
            gaps[np.ix_(used, used)] = mirror_gaps(self.points[used], own)
        return gaps


def _cost(gaps: Points, partner: Indices) -> float:
    """Sum of the squared distances; NaN where there is none."""
    squares = gaps[np.arange(len(partner)), partner] ** 2
    return float(np.nansum(squares)) if not np.isnan(squares).all() else np.nan


def _groups(written: Indices, better: Indices) -> list[Indices]:
    """Landmarks whose partners change, those that change with each other together."""
    left, groups = set(np.flatnonzero(written != better).tolist()), []
    while left:
        group, new = set(), {min(left)}
        while new:
            group |= new
            new = {int(p[i]) for i in new for p in (written, better)} - group
        groups.append(np.array(sorted(group), dtype=np.intp))
        left -= group
    return groups


class _Check:
    def __init__(self, of: Digitised) -> None:
        self.of, self.scheme = of, of.scheme
        self.names = list(of.scheme.landmark_names)
        by_name = partners(of.scheme.pairs, of.scheme.midline)
        self.partner = np.array([self.names.index(by_name[n]) for n in self.names], dtype=np.intp)
        distorted = of.config.settings.preparation.distortion
        here = of.landmarks["landmark"].isin(self.names) & ~of.landmarks["specimen"].isin(distorted)
        self.measured = []
        for specimen, label, rows in each_digitisation(of.landmarks[here]):
            places = rows.set_index("landmark")[["x", "y", "z"]].reindex(self.names)
            extent = float((places.max() - places.min()).max(skipna=False))
            if 0 < extent < 1e100:
                points = places.to_numpy(np.float64)
                self.measured.append(_Measured(specimen, label, rows, points, extent))

    def run(self) -> None:
        self._see(self.partner)
        if not self.seen:
            return
        told = self._crossed()
        at = np.arange(len(self.names))
        pairs = [i for i in at[self.partner > at] if i not in told]
        usual = {i: self._usual(i, self.partner[i]) for i in pairs}
        shares = {i: share for i, share in usual.items() if share == share}
        if not shares:
            return
        middle = float(np.median(list(shares.values())))
        limits = {}
        for i, share in shares.items():
            if share > max(FAR_SHARE, TIMES_USUAL * middle):
                self._tell_pair(i, share, middle)
            else:
                limits[i] = max(FAR_SHARE, TIMES_USUAL * max(share, middle))
        for one, gaps in self.seen:
            self._tell_digitisation(one, gaps, limits)

    def _see(self, partner: Indices) -> None:
        """Look at the digitisations with the planes of these pairs."""
        seen = [(one, one.gaps(partner)) for one in self.measured]
        self.seen = [(one, gaps) for one, gaps in seen if not np.isnan(gaps).all()]

    def _usual(self, i: int, j: int) -> float:
        """How far one is usually from the mirror image of the other, as a share of the extent."""
        return float(pd.Series([gaps[i, j] / one.extent for one, gaps in self.seen]).median())

    def _tell(self, members: Iterable[int], severity: Severity, found: str, remedy: str) -> None:
        """Tell of landmarks where the first of their pairs stands in the scheme."""
        names = {self.names[i] for i in members}
        path = self.of.config.scheme_path(self.scheme.element)
        document = read_yaml(path, Problems())
        places = (n for n, pair in enumerate(self.scheme.pairs) if names & set(pair))
        first = next(places, None)
        line = None if document is None or first is None else document.line("pairs", first)
        self.of.problems.tell(severity, found, remedy, file=path, line=line)

    def _crossed(self) -> set[int]:
        """Tell pairs that others would mend, look at the bones with these; give the landmarks."""
        whole = [one for one, _ in self.seen if not np.isnan(one.points).any()]
        tried = np.unique(np.linspace(0, len(whole) - 1, min(len(whole), TRIED)).astype(int))
        votes = Counter(
            other for k in tried for other in other_partners(whole[k].points, self.partner)
        )
        votes.pop(tuple(self.partner.tolist()), None)
        fitting: list[tuple[float, Indices, list[str]]] = []
        for other, _ in votes.most_common(CANDIDATES):
            better = np.array(other, dtype=np.intp)
            shares = [
                _cost(one.gaps(better), better) / max(_cost(gaps, self.partner), 1e-300)
                for one, gaps in self.seen
            ]
            fits = zip(self.seen, shares, strict=True)
            mended = [one.specimen for (one, _), share in fits if share <= MENDED]
            if len(mended) >= MOST_OF_THEM * len(self.seen):
                fitting.append((float(np.nanmedian(shares)), better, mended))
        if not fitting:
            return set()
        _, better, mended = min(fitting, key=lambda one: one[0])
        counted = f"{len(mended)} of {len(self.seen)}"
        self._see(better)
        for group in _groups(self.partner, better):
            self._tell_crossed(group, better, counted, len(set(mended)) >= FEWEST_SPECIMENS)
        return set(np.flatnonzero(self.partner != better).tolist())

    def _written(self, partner: Indices, group: Indices) -> str:
        pairs = [(self.names[i], self.names[partner[i]]) for i in group if i < partner[i]]
        midline = [f"{self.names[i]} on the midline" for i in group if i == partner[i]]
        return listed([*(f"[{left}, {right}]" for left, right in pairs), *midline])

    def _tell_crossed(self, group: Indices, better: Indices, counted: str, sure: bool) -> None:
        first = int(group[0])
        now, then = int(self.partner[first]), int(better[first])
        extent = float(np.median([one.extent for one, _ in self.seen]))
        far, near = (f"{extent * self._usual(first, j):.2f} mm from" for j in (now, then))
        name, other, right = (self.names[i] for i in (first, now, then))
        found = (
            f"{name} and {other} are no mirror images of each other: the mirror image of {name} "
            f"usually lies {far} {other}, but {near} {right if then != first else 'itself'}."
            if now != first
            else f"{name} is not on the midline: its mirror image usually lies {far} it, but "
            f"{near} {right}."
        )
        mend = (
            f" The pairs look crossed: {self._written(better, group)} would fit in {counted} "
            f"digitisations better than {self._written(self.partner, group)}."
        )
        self._tell(
            group.tolist(),
            "error" if sure else "warning",
            found + mend,
            "Put the pairs of the scheme right, or the names in the landmark tables: everything "
            "that is told of left and right hangs on them.",
        )

    def _tell_pair(self, i: int, share: float, middle: float) -> None:
        left, right = self.names[i], self.names[self.partner[i]]
        self._tell(
            [i],
            "warning",
            f"{left} and {right} do not look like mirror images of each other: the mirror image "
            f"of one usually lies {share:.0%} of the bone's extent from the other, {middle:.1%} "
            "in the middle of all pairs.",
            "Look whether the pair is right. If the bone is that uneven, write symmetry: as_is "
            "under preparation, or describe the landmarks without a plane of symmetry.",
        )

    def _tell_digitisation(self, one: _Measured, far: Points, limits: dict[int, float]) -> None:
        """Tell the pairs of one digitisation that are off, the farthest first."""
        gaps = {i: float(far[i, self.partner[i]]) for i in limits}
        off = [i for i in gaps if gaps[i] > limits[i] * one.extent]
        if not off:
            return
        off.sort(key=lambda i: -gaps[i])
        pairs = [(self.names[i], self.names[self.partner[i]]) for i in off]
        also = listed([f"{left} and {right}" for left, right in pairs[1:]], most=3)
        self.of.at(one.rows[one.rows["landmark"].isin(pairs[0])].iloc[0]).warning(
            f"{pairs[0][0]} and {pairs[0][1]} are no mirror images of each other{one.label}: they "
            f"are {gaps[off[0]]:.2f} mm off, {gaps[off[0]] / one.extent:.0%} of the bone's extent"
            + (f"; nor are {also}." if also else "."),
            "Look whether one of them slipped or has another's name, or whether the bone is "
            "distorted: then list the specimen under preparation: distortion.",
            landmark=None,
        )


def check_pairs(of: Digitised) -> None:
    """Check that the landmarks of each pair are mirror images of each other.

    Specimens listed under ``preparation: distortion`` are left out: they are known to be bent.

    An error are pairs that are crossed in the scheme: others fit at half the distance or less in
    four of five digitisations. A warning is a pair, or one of a single digitisation, that is
    farther off than a tenth of the bone's extent and than five times what pairs usually are.
    """
    if of.scheme.symmetry == "object":
        _Check(of).run()
