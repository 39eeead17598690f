"""Is each digitisation whole: each landmark once, curves without gaps, patches on templates?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.landmarks.labels import DIGITISATION, label_of
from morpho.study.reading.problems import Problems, Severity
from morpho.study.reading.wording import quoted
from morpho.study.scheme.reading import Curve, Patch, Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_digitisations"]

_NUMBERED = re.compile(r"(.+)\.([0-9]+)\Z")

Place = tuple[float, float, float]


@dataclass
class _Digitisation:
    specimen: str
    replicate: str
    observer: str
    rows: list[tuple]  # landmark, x, y, z, file, line

    @property
    def file(self) -> str:
        return str(self.rows[0][4])

    @property
    def line(self) -> int:
        return min(int(row[5]) for row in self.rows if row[4] == self.file)

    @property
    def label(self) -> str:
        return label_of(self.replicate, self.observer)

    def places(self) -> dict[str, Place]:
        first: dict[str, Place] = {}
        for landmark, x, y, z, _, _ in self.rows:
            first.setdefault(landmark, (x, y, z))
        return first


def _each(frame: pd.DataFrame) -> Iterator[_Digitisation]:
    columns = [*DIGITISATION, "landmark", "x", "y", "z", "file", "line"]
    current: _Digitisation | None = None
    for row in frame[columns].itertuples(index=False, name=None):
        if current is None or row[:3] != (current.specimen, current.replicate, current.observer):
            if current is not None:
                yield current
            current = _Digitisation(row[0], row[1], row[2], [])
        current.rows.append(row[3:])
    if current is not None:
        yield current


class _Check:
    def __init__(self, config: StudyConfig, scheme: Scheme, problems: Problems) -> None:
        self.config = config
        self.scheme = scheme
        self.problems = problems.at(element=scheme.element)
        self.carried: dict[str, set[str]] = {name: set() for name in scheme.patch_names}

    def tell(
        self,
        severity: Severity,
        found: str,
        remedy: str,
        of: _Digitisation,
        landmark: str | None = None,
        at: tuple[str, int] | None = None,
    ) -> None:
        file, line = at or (of.file, of.line)
        here = self.problems.at(file=self.config.absolute(file), line=line, specimen=of.specimen)
        here.tell(severity, found, remedy, landmark=landmark)

    def run(self, digitisation: _Digitisation) -> None:
        self._repeated(digitisation)
        places = digitisation.places()
        numbers: dict[str, dict[int, Place]] = {}
        for name, place in places.items():
            match = _NUMBERED.match(name)
            if match:
                numbers.setdefault(match[1], {})[int(match[2])] = place
        for name in self.scheme.landmark_names:
            if name not in places:
                self.tell(
                    "error",
                    f"There is no row for this landmark in the digitisation{digitisation.label} "
                    "that begins here.",
                    "Add the row, with blank cells if the landmark is missing on the bone.",
                    digitisation,
                    landmark=name,
                )
        for curve in self.scheme.curves:
            self._curve(digitisation, curve, numbers.get(curve.name, {}))
        for patch in self.scheme.patches:
            points = numbers.get(patch.name, {})
            if points and self._numbered_through(digitisation, patch.name, "patch", points):
                self.carried[patch.name].add(digitisation.specimen)

    def _repeated(self, digitisation: _Digitisation) -> None:
        first: dict[str, tuple[str, int]] = {}
        again: list[tuple[str, tuple[str, int]]] = []
        for landmark, _, _, _, file, line in digitisation.rows:
            if landmark in first:
                again.append((landmark, (file, int(line))))
            else:
                first[landmark] = (file, int(line))
        if not again:
            return
        twice = {landmark for landmark, _ in again}
        files = {file for _, (file, _) in again} - {digitisation.file}
        if len(twice) > 1 and (files or 2 * len(twice) >= len(first)):
            at = min(
                (spot for _, spot in again if not files or spot[0] in files),
                key=lambda spot: (spot[0], spot[1]),
            )
            begun = f"line {digitisation.line}"
            if at[0] != digitisation.file:
                begun += f" of {digitisation.file}"
            self.tell(
                "error",
                f"The specimen is digitised here again{digitisation.label}; the first digitisation "
                f"begins in {begun}, and nothing tells the two apart.",
                "Give each digitisation a label of its own in the column replicate, or delete one.",
                digitisation,
                at=at,
            )
            return
        for landmark, at in again:
            file, line = first[landmark]
            other = f"line {line}" + ("" if file == at[0] else f" of {file}")
            self.tell(
                "error",
                f"The landmark stands twice in one digitisation{digitisation.label}; it is in "
                f"{other} already.",
                "Delete one row; if it was digitised twice label the two in the column replicate.",
                digitisation,
                landmark=landmark,
                at=at,
            )

    def _numbered_through(
        self, of: _Digitisation, name: str, what: str, points: dict[int, Place]
    ) -> bool:
        gaps = (n for n in range(1, max(points) + 1) if n not in points)
        absent = list(islice(gaps, 1000))
        if not absent:
            return True
        at = next((row[4], int(row[5])) for row in of.rows if row[0] == f"{name}.{max(points)}")
        self.tell(
            "error",
            f"The {what} {name} has a point {max(points)} but none numbered "
            f"{listed(absent, most=5, last='or')}{of.label}.",
            "Number the points from 1 without gaps, in their order along the bone.",
            of,
            landmark=f"{name}.{max(points)}",
            at=at,
        )
        return False

    def _curve(self, of: _Digitisation, curve: Curve, points: dict[int, Place]) -> None:
        if not points:
            self.tell(
                "note",
                f"The curve {curve.name} is not digitised{of.label}.",
                f"Add the rows {curve.name}.1, {curve.name}.2 and so on if the bone has it.",
                of,
            )
            return
        self._numbered_through(of, curve.name, "curve", points)

    def template(self, patch: Patch, specimens: pd.DataFrame | None) -> None:
        here = self.problems.at(file=self.config.scheme_path(self.scheme.element))
        if patch.template is None:
            if not self.carried[patch.name]:
                here.error(
                    f"The patch {patch.name} has points on no specimen.",
                    f"Place {patch.name}.1, {patch.name}.2 and so on on one specimen with a scan.",
                )
            return
        if specimens is not None and patch.template not in specimens.index:
            here.error(
                f"The template of the patch {patch.name}, {quoted(patch.template)}, is not in the "
                "specimen table.",
                "Name a specimen that carries the placed points.",
            )
        elif patch.template not in self.carried[patch.name]:
            here.error(
                f"The patch {patch.name} has no points on its template.",
                f"Place {patch.name}.1, {patch.name}.2 and so on on {quoted(patch.template)}.",
                specimen=patch.template,
            )


def check_digitisations(
    config: StudyConfig,
    scheme: Scheme,
    specimens: pd.DataFrame | None,
    landmarks: pd.DataFrame,
    problems: Problems,
) -> None:
    """Check that each digitisation of an element is whole.

    Parameters
    ----------
    config : StudyConfig
    scheme : Scheme
    specimens : pandas.DataFrame or None
        The specimen table, if it could be read.
    landmarks : pandas.DataFrame
        Rows of the element, sorted by digitisation; duplicates not yet dropped.
    problems : Problems
        Takes what is found: landmarks without a row, rows that stand twice, digitisations that
        nothing tells apart, curves with gaps, patches without points.
    """
    check = _Check(config, scheme, problems)
    for digitisation in _each(landmarks):
        check.run(digitisation)
    for patch in scheme.patches:
        check.template(patch, specimens)
