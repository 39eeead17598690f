"""Can the coordinates be right? Unit slips, flat or empty digitisations, copied files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.study.landmarks.digitised import Digitised, each_digitisation, where_of
from morpho.study.reading.coordinates import MILLIMETRES, probable_unit
from morpho.study.reading.problems import Problems, Where

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

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
    specimen: str
    label: str
    taxon: str
    file: Path
    line: int
    log_size: float
    rows: pd.DataFrame  # of the landmarks that are present

    @property
    def where(self) -> Where:
        return {"file": self.file, "line": self.line, "specimen": self.specimen}


def _centroid_size_share(points: np.ndarray) -> float:
    """Root mean square distance from the centroid, which does not grow with missing landmarks."""
    centred = points - points.mean(axis=0)
    return float(np.sqrt(np.square(centred).sum() / len(points)))


def check_plausibility(of: Digitised) -> None:
    """Check that the coordinates of an element's digitisations can be right.

    Each digitisation's size (root mean square distance of its landmarks from their centroid) is
    held against the median of its fellows: the other specimens of its taxon, or, where those are
    fewer than three, all other specimens; then it must also lie outside their robust spread, so
    that a sample of mice and elephants passes.
    """
    config, scheme, specimens, problems = of.config, of.scheme, of.specimens, of.problems
    taxa = {} if specimens is None else specimens["taxon"].to_dict()
    sized: list[_Sized] = []
    copies: dict[bytes, _Sized] = {}
    fixed = of.landmarks[of.landmarks["landmark"].isin(scheme.landmark_names)]
    for specimen, label, rows in each_digitisation(fixed):
        points = rows[["x", "y", "z"]].to_numpy(dtype=float)
        present = points[~np.isnan(points).any(axis=1)]
        first = rows.sort_values(["file", "line"]).iloc[0]
        one = _Sized(
            specimen,
            label,
            str(taxa.get(specimen, "")),
            config.absolute(str(first["file"])),
            int(first["line"]),
            math.nan,
            rows[~np.isnan(points).any(axis=1)],
        )
        if len(present) < 3:
            continue
        if _degenerate(one, present, problems):
            continue
        _origin(config, rows, problems)
        _coincident(one, rows, problems)
        with np.errstate(over="ignore"):
            size = _centroid_size_share(present)
        one.log_size = math.log(size) if math.isfinite(size) else math.log(1e300)
        sized.append(one)
        _copied(one, points, copies, problems)
    _check_sizes(config, sized, problems)
    _check_taxa(config, sized, problems)


def _degenerate(one: _Sized, points: np.ndarray, problems: Problems) -> bool:
    here = problems.at(**one.where)
    centred = points - points.mean(axis=0)
    largest = float(np.abs(centred).max())
    if largest == 0 or largest <= FLAT * float(np.abs(points).max()):
        here.error(
            f"All landmarks of the digitisation{one.label} that begins here lie in one point.",
            "Export the coordinates again.",
        )
        return True
    spread = np.linalg.svd(centred / largest, compute_uv=False)
    rank = int((spread > FLAT * spread[0]).sum())
    if rank == 1 or (rank == 2 and len(points) > 3):
        shape = "line" if rank == 1 else "plane"
        here.error(
            f"All landmarks of the digitisation{one.label} that begins here lie in one {shape}.",
            "Check that x, y and z are the right columns; the method needs three dimensions.",
        )
        return True
    return False


def _origin(config: StudyConfig, rows: pd.DataFrame, problems: Problems) -> None:
    at_zero = rows[(rows["x"] == 0) & (rows["y"] == 0) & (rows["z"] == 0)]
    for _, row in at_zero.iterrows():
        problems.warning(
            "The landmark is at 0, 0, 0, which some write for a missing one.",
            "If the landmark is missing leave its cells blank.",
            **where_of(config, row),
        )


def _coincident(one: _Sized, rows: pd.DataFrame, problems: Problems) -> None:
    seen: dict[tuple[float, float, float], str] = {}
    for name, x, y, z, line in zip(
        rows["landmark"], rows["x"], rows["y"], rows["z"], rows["line"], strict=True
    ):
        if math.isnan(x) or x == y == z == 0:
            continue
        other = seen.setdefault((x, y, z), name)
        if other != name:
            problems.warning(
                f"The landmark is in exactly the same place as {other}{one.label}.",
                "Check that it was not digitised twice under two names.",
                file=one.file,
                line=int(line),
                specimen=one.specimen,
                landmark=name,
            )


def _copied(
    one: _Sized, points: np.ndarray, copies: dict[bytes, _Sized], problems: Problems
) -> None:
    other = copies.setdefault(points.tobytes(), one)
    if other is one:
        return
    whose = (
        f"the digitisation{other.label} of {other.specimen}"
        if other.specimen != one.specimen
        else f"another digitisation{other.label} of the same specimen"
    )
    problems.warning(
        f"The coordinates of the digitisation{one.label} are the very same as those of {whose} in "
        f"{problems.shown_path(other.file)}, line {other.line}.",
        "Check that no file was copied and renamed.",
        **one.where,
    )


def _times(ratio: float) -> str:
    times = f"{float(f'{max(ratio, 1 / ratio):.3g}'):g}"
    return f"{times} times the size of" if ratio >= 1 else f"1/{times} the size of"


def _check_sizes(config: StudyConfig, sized: list[_Sized], problems: Problems) -> None:
    by_specimen: dict[str, list[float]] = {}
    for one in sized:
        by_specimen.setdefault(one.specimen, []).append(one.log_size)
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
        fellows = f"the other specimens of {one.taxon}" if sizes is own else "the other specimens"
        if off > 0 and _tell_far_landmark(config, one, middle, fellows, problems):
            continue
        _tell_size(config, one, math.exp(min(off, 600.0)), fellows, problems)


def _check_taxa(config: StudyConfig, sized: list[_Sized], problems: Problems) -> None:
    """A whole taxon in another unit: one museum, one taxon, one export."""
    by_taxon: dict[str, list[_Sized]] = {}
    for one in sized:
        if one.taxon:
            by_taxon.setdefault(one.taxon, []).append(one)
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
        stated = config.settings.landmarks.units
        unit = probable_unit(ratio, stated)
        first = min(own, key=lambda one: (str(one.file), one.line or 0))
        # a study of mice and elephants is possible; one with nothing between them and whales not
        add = problems.error if unit and abs(off) > math.log(60) else problems.warning
        add(
            f"All of {taxon} is {_times(ratio)} every other taxon.",
            f"It was probably digitised in {unit}, not {stated}: convert it to {stated} if so."
            if unit
            else "Check its unit; if the animals are that different in size, nothing is wrong.",
            file=first.file,
            line=first.line,
        )


def _tell_far_landmark(
    config: StudyConfig, one: _Sized, expected: float, fellows: str, problems: Problems
) -> bool:
    """Tell the one landmark that makes a digitisation too large, if there is such a one."""
    points = one.rows[["x", "y", "z"]].to_numpy(dtype=float)
    if len(points) < 4:
        return False
    apart = np.abs(points - np.median(points, axis=0))
    far = int(apart.max(axis=1).argmax())
    others = np.delete(points, far, axis=0)
    with np.errstate(over="ignore"):
        size = _centroid_size_share(others)
    # it alone must account for the size, within the ratio that is suspect nowhere
    if not (0 < size < math.inf) or abs(math.log(size) - expected) >= math.log(SUSPECT_RATIO) / 2:
        return False
    axis = int(apart[far].argmax())
    row = one.rows.iloc[far]
    written = points[far, axis] / MILLIMETRES[config.settings.landmarks.units]
    problems.error(
        f"The landmark lies far off all others of the digitisation{one.label}: "
        f"{'xyz'[axis]} is {written:.10g}. Without it the digitisation has about the size of "
        f"{fellows}.",
        "Look for a lost decimal mark or a wrong digit in its cells.",
        **where_of(config, row),
    )
    return True


def _tell_size(
    config: StudyConfig, one: _Sized, ratio: float, fellows: str, problems: Problems
) -> None:
    stated = config.settings.landmarks.units
    unit = probable_unit(ratio, stated)
    times = max(ratio, 1 / ratio)
    slip = any(abs(math.log(times / factor)) < math.log(NEAR_A_SLIP) for factor in _SLIPS)
    if unit:
        remedy = (
            f"It was probably digitised in {unit}, not {stated}: convert it to {stated}, the unit "
            "that study.yaml states for all landmark tables."
        )
    else:
        remedy = "Check its unit and decimal mark against the other tables."
    add = problems.error if unit or slip or times > 2 * SUSPECT_RATIO else problems.warning
    add(
        f"The digitisation{one.label} that begins here is {_times(ratio)} {fellows}.",
        remedy,
        **one.where,
    )
