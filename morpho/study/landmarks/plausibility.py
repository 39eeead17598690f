"""Can the coordinates be right? Unit slips, flat or empty digitisations, copied files."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from statistics import median

import numpy as np
import pandas as pd

from morpho.study.landmarks.digitised import Digitised, each_digitisation
from morpho.study.reading.coordinates import MILLIMETRES, SMALLEST, probable_unit
from morpho.study.reading.problems import Problems

__all__ = ["check_plausibility"]

# Fewer fellows than this say nothing about the size a bone should have.
FEWEST_FELLOWS = 3
# A bone this many times its fellows is a slip of unit or decimal mark, or needs a look.
SUSPECT_RATIO = 5.0
# A ratio within this factor of a slip's (10, 25.4, 100, 1000) is taken for that slip.
NEAR_A_SLIP = 1.6
# In samples whose sizes differ widely, a size is suspect only this many robust standard
# deviations (1.4826 times the median absolute deviation of the log sizes) off.
DEVIATIONS = 4.0
# Thickness of a configuration, as a share of its length, below which it is flat.
FLAT = 1e-9

_SLIPS = (10.0, 25.4, 100.0, 1000.0)


@dataclass
class _Sized:
    """One digitisation, the problems of where it begins, and its size."""

    specimen: str
    label: str
    taxon: str
    first: pd.Series
    here: Problems
    rows: pd.DataFrame  # of the landmarks that are present
    points: np.ndarray
    log_size: float = math.nan


def _size(points: np.ndarray) -> float:
    """Root mean square distance from the centroid, which does not grow with missing landmarks."""
    return float(np.sqrt(np.square(points - points.mean(axis=0)).sum() / len(points)))


def check_plausibility(of: Digitised) -> None:
    """Check that the coordinates of an element's digitisations can be right.

    Each digitisation's size (root mean square distance of its landmarks from their centroid) is
    held against the median of its fellows: the other specimens of its taxon, or, where those are
    fewer than three, all other specimens; then it must also lie outside their robust spread, so
    that a sample of mice and elephants passes.
    """
    taxa = {} if of.specimens is None else of.specimens["taxon"].to_dict()
    sized: list[_Sized] = []
    copies: dict[bytes, _Sized] = {}
    fixed = of.landmarks[of.landmarks["landmark"].isin(of.scheme.landmark_names)]
    for specimen, label, rows in each_digitisation(fixed):
        present = rows.dropna(subset=["x", "y", "z"])
        first = rows.sort_values(["file", "line"]).iloc[0]
        here = of.at(first).at(landmark=None)
        points = present[["x", "y", "z"]].to_numpy(dtype=float)
        one = _Sized(specimen, label, str(taxa.get(specimen, "")), first, here, present, points)
        if len(points) < 3 or _degenerate(one):
            continue
        _check_places(of, one)
        size = _size(points)
        one.log_size = math.log(size)
        sized.append(one)
        other = copies.setdefault(rows[["x", "y", "z"]].to_numpy(dtype=float).tobytes(), one)
        if other is not one:
            _tell_copy(one, other)
    _check_sizes(of, sized)
    _check_taxa(of, sized)


def _degenerate(one: _Sized) -> bool:
    centred = one.points - one.points.mean(axis=0)
    largest = float(np.abs(centred).max())
    if largest < SMALLEST or largest <= FLAT * float(np.abs(one.points).max()):
        rank = 0
    else:
        spread = np.linalg.svd(centred / largest, compute_uv=False)
        rank = int((spread > FLAT * spread[0]).sum())
    if rank > 2 or (rank == 2 and len(one.points) == 3):
        return False
    one.here.error(
        f"All landmarks of the digitisation{one.label} that begins here lie in one "
        f"{('point', 'line', 'plane')[rank]}.",
        "Check that x, y and z are the right columns; the method needs three dimensions."
        if rank
        else "Look whether the unit and the exponents are right, or export the coordinates again.",
    )
    return True


def _check_places(of: Digitised, one: _Sized) -> None:
    """Tell landmarks at the origin, and those in one place."""
    at_origin = (one.rows[["x", "y", "z"]] == 0).all(axis=1)
    for _, row in one.rows[at_origin].iterrows():
        of.at(row).warning(
            "The landmark is at 0, 0, 0, which some write for a missing one.",
            "If the landmark is missing leave its cells blank.",
        )
    seen: dict[tuple[float, ...], str] = {}
    for i, name, *place in one.rows.loc[~at_origin, ["landmark", "x", "y", "z"]].itertuples():
        other = seen.setdefault(tuple(place), name)
        if other != name:
            of.at(one.rows.loc[i]).warning(
                f"The landmark is in exactly the same place as {other}{one.label}.",
                "Check that it was not digitised twice under two names.",
            )


def _tell_copy(one: _Sized, other: _Sized) -> None:
    whose = (
        f"the digitisation{other.label} of {other.specimen}"
        if other.specimen != one.specimen
        else f"another digitisation{other.label} of the same specimen"
    )
    one.here.warning(
        f"The coordinates of the digitisation{one.label} are the very same as those of {whose} in "
        f"{other.first['file']}, line {other.first['line']}.",
        "Check that no file was copied and renamed.",
    )


def _times(ratio: float) -> str:
    times = f"{float(f'{max(ratio, 1 / ratio):.3g}'):g}"
    return f"{times} times the size of" if ratio >= 1 else f"1/{times} the size of"


def _check_sizes(of: Digitised, sized: list[_Sized]) -> None:
    by_specimen: dict[str, list[float]] = defaultdict(list)
    for one in sized:
        by_specimen[one.specimen].append(one.log_size)
    typical = {specimen: median(sizes) for specimen, sizes in by_specimen.items()}
    taxon = {one.specimen: one.taxon for one in sized}
    for one in sized:
        others = [name for name in typical if name != one.specimen]
        own = [typical[name] for name in others if one.taxon and taxon[name] == one.taxon]
        sizes = own if len(own) >= FEWEST_FELLOWS else [typical[name] for name in others]
        if len(sizes) < FEWEST_FELLOWS:
            continue
        middle = median(sizes)
        off = one.log_size - middle
        spread = 0.0
        if sizes is not own:
            spread = 1.4826 * median(abs(size - middle) for size in sizes)
        if abs(off) < math.log(SUSPECT_RATIO) or abs(off) < DEVIATIONS * spread:
            continue
        fellows = "the other specimens" + (f" of {one.taxon}" if sizes is own else "")
        if off <= 0 or not _tell_far_landmark(of, one, middle, fellows):
            _tell_size(of, one, math.exp(min(off, 600.0)), fellows)


def _check_taxa(of: Digitised, sized: list[_Sized]) -> None:
    """A whole taxon in another unit: one museum, one taxon, one export."""
    by_taxon: dict[str, list[_Sized]] = defaultdict(list)
    for one in sized:
        if one.taxon:
            by_taxon[one.taxon].append(one)
    middles = {taxon: median(o.log_size for o in own) for taxon, own in by_taxon.items()}
    for taxon, own in by_taxon.items():
        others = [middle for name, middle in middles.items() if name != taxon]
        if not others or len(own) < FEWEST_FELLOWS:
            continue
        # held against the nearest other taxon: animals of all sizes may be compared
        off = min((middles[taxon] - middle for middle in others), key=abs)
        if abs(off) < math.log(SUSPECT_RATIO):
            continue
        ratio = math.exp(max(min(off, 600.0), -600.0))
        stated = of.config.settings.landmarks.units
        unit = probable_unit(ratio, stated)
        first = min(
            own, key=lambda one: (str(of.config.absolute(one.first["file"])), one.first["line"])
        )
        # a study of mice and elephants is possible; one with nothing between them and whales not
        first.here.at(specimen=None).tell(
            "error" if unit and abs(off) > math.log(60) else "warning",
            f"All of {taxon} is {_times(ratio)} every other taxon.",
            f"It was probably digitised in {unit}, not {stated}: convert it to {stated} if so."
            if unit
            else "Check its unit; if the animals are that different in size, nothing is wrong.",
        )


def _tell_far_landmark(of: Digitised, one: _Sized, expected: float, fellows: str) -> bool:
    """Tell the one landmark that makes a digitisation too large, if there is such a one."""
    if len(one.points) < 4:
        return False
    apart = np.abs(one.points - np.median(one.points, axis=0))
    far = int(apart.max(axis=1).argmax())
    size = _size(np.delete(one.points, far, axis=0))
    # it alone must account for the size, within the ratio that is suspect nowhere
    if not (0 < size < math.inf) or abs(math.log(size) - expected) >= math.log(SUSPECT_RATIO) / 2:
        return False
    axis = int(apart[far].argmax())
    written = one.points[far, axis] / MILLIMETRES[of.config.settings.landmarks.units]
    of.at(one.rows.iloc[far]).error(
        f"The landmark lies far off all others of the digitisation{one.label}: "
        f"{'xyz'[axis]} is {written:.10g}. Without it the digitisation has about the size of "
        f"{fellows}.",
        "Look for a lost decimal mark or a wrong digit in its cells.",
    )
    return True


def _tell_size(of: Digitised, one: _Sized, ratio: float, fellows: str) -> None:
    stated = of.config.settings.landmarks.units
    unit = probable_unit(ratio, stated)
    times = max(ratio, 1 / ratio)
    slip = any(abs(math.log(times / factor)) < math.log(NEAR_A_SLIP) for factor in _SLIPS)
    one.here.tell(
        "error" if unit or slip or times > 2 * SUSPECT_RATIO else "warning",
        f"The digitisation{one.label} that begins here is {_times(ratio)} {fellows}.",
        f"It was probably digitised in {unit}, not {stated}: convert it to {stated}, the unit that "
        "study.yaml states for all landmark tables."
        if unit
        else "Check its unit and decimal mark against the other tables.",
    )
