"""Do landmarks, curves and patches lie on the scans they were placed on?"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd
import trimesh

from morpho.study.reading.problems import Problems
from morpho.study.scans.surface_distance import distance_to_surface
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

__all__ = ["OFF_SHARE", "ScanDistances"]

# A point this far from the surface, as a share of the scan's diagonal, is off the scan.
OFF_SHARE = 0.02
# A landmark that is off most scans is a constructed point; that takes this many scans to tell.
FEWEST_SCANS = 3


@dataclass(frozen=True)
class _Measured:
    """How far the points of one specimen lie from its scan, in mm."""

    specimen: str
    path: Path
    diagonal: float
    # the farthest of several digitisations, the farthest point of each, and how far that is
    landmarks: dict[str, float] = field(default_factory=dict)
    curves: dict[str, float] = field(default_factory=dict)
    patches: dict[str, tuple[str, float]] = field(default_factory=dict)


class ScanDistances:
    """Measures the points of one specimen after another, then tells what lies off its scan."""

    def __init__(self, scheme: Scheme) -> None:
        self.scheme = scheme
        self._measured: list[_Measured] = []

    def add(self, specimen: str, path: Path, mesh: trimesh.Trimesh, rows: pd.DataFrame) -> None:
        """Measure the points of one specimen, in all digitisations, from its scan as read."""
        there = rows[rows["x"].notna()]
        if there.empty:
            return
        points = there[["x", "y", "z"]].to_numpy(dtype=np.float64)
        distances = distance_to_surface(points, mesh.vertices, mesh.faces)
        diagonal = float(np.linalg.norm(np.ptp(mesh.bounds, axis=0)))
        one = _Measured(specimen, path, diagonal)
        for name, distance in zip(there["landmark"], distances.tolist(), strict=True):
            stem, dot, _ = name.rpartition(".")
            if not dot:
                one.landmarks[name] = max(distance, one.landmarks.get(name, 0.0))
            elif stem in self.scheme.curve_names:
                one.curves[stem] = max(distance, one.curves.get(stem, 0.0))
            elif distance > one.patches.get(stem, ("", -1.0))[1]:
                one.patches[stem] = (name, distance)
        self._measured.append(one)

    def tell(self, problems: Problems) -> None:
        """Tell what lies off its scan.

        A landmark that lies off most scans, such as the centre of a ball, is no slip and is left
        out.
        """
        constructed = self._constructed()
        for one in self._measured:
            here = problems.at(file=one.path, specimen=one.specimen)
            limit = OFF_SHARE * one.diagonal
            self._tell_patches(one, limit, here)
            off = {
                name: distance
                for name, distance in one.landmarks.items()
                if distance > limit and name not in constructed
            }
            checked = len(one.landmarks.keys() - constructed)
            if len(off) > max(2, checked / 2):
                here.error(
                    f"{len(off)} of {checked} landmarks lie off the scan, up to "
                    f"{max(off.values()):.3g} mm, where {limit:.2g} mm is allowed.",
                    "They were not placed on this scan, or it was moved or mirrored afterwards: "
                    "export both again from one place.",
                )
                continue
            off |= {f"curve {name}": far for name, far in one.curves.items() if far > limit}
            if off:
                farthest = sorted(off.items(), key=lambda item: (-item[1], item[0]))
                here.warning(
                    "These lie off the scan: "
                    f"{listed(f'{name} {distance:.2f} mm' for name, distance in farthest)} "
                    f"(within {limit:.2g} mm is fine).",
                    "Look at them on the scan, and digitise them again if they slipped.",
                    landmark=farthest[0][0] if len(farthest) == 1 else None,
                )

    def _constructed(self) -> set[str]:
        shares: dict[str, list[float]] = {}
        for one in self._measured:
            for name, distance in one.landmarks.items():
                shares.setdefault(name, []).append(distance / one.diagonal)
        return {
            name
            for name, each in shares.items()
            if len(each) >= FEWEST_SCANS and median(each) > OFF_SHARE
        }

    def _tell_patches(self, one: _Measured, limit: float, here: Problems) -> None:
        templates = {patch.name: patch.template for patch in self.scheme.patches}
        for name, (point, distance) in one.patches.items():
            if distance <= limit or templates.get(name) not in (None, one.specimen):
                continue
            here.error(
                f"The patch {name} lies off the scan of its template, by up to {distance:.3g} mm; "
                f"{limit:.2g} mm is allowed.",
                "Place its points on this scan again, and export both from one place.",
                landmark=point,
            )
