"""Is each digitisation whole: each landmark once, curves without gaps, patches on templates?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, islice

import pandas as pd

from morpho.study.landmarks.digitised import DIGITISATION, Digitised, label_of
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import quoted
from morpho.study.scheme.reading import Patch
from morpho.wording import listed

__all__ = ["check_digitisations"]

_NUMBERED = re.compile(r"(.+)\.([0-9]+)\Z")

Spot = tuple[str, int]  # file and line


@dataclass
class _Digitisation:
    specimen: str
    replicate: str
    observer: str
    rows: list[tuple[str, Spot]]  # each landmark, and where it stands

    @property
    def begins(self) -> Spot:
        file = self.rows[0][1][0]
        return file, min(line for _, (where, line) in self.rows if where == file)

    @property
    def label(self) -> str:
        return label_of(self.replicate, self.observer)


def _each(frame: pd.DataFrame) -> Iterator[_Digitisation]:
    columns = [*DIGITISATION, "landmark", "file", "line"]
    rows = frame[columns].itertuples(index=False, name=None)
    for (specimen, replicate, observer), own in groupby(rows, key=lambda row: row[:3]):
        spots = [(name, (str(file), int(line))) for *_, name, file, line in own]
        yield _Digitisation(specimen, replicate, observer, spots)


class _Check:
    def __init__(self, of: Digitised) -> None:
        self.config, self.scheme, self.problems = of.config, of.scheme, of.problems
        self.carried: dict[str, set[str]] = {name: set() for name in of.scheme.patch_names}

    def at(self, of: _Digitisation, spot: Spot | None = None) -> Problems:
        """For what is found in one row of a digitisation, or in all of it."""
        file, line = spot or of.begins
        return self.problems.at(file=self.config.absolute(file), line=line, specimen=of.specimen)

    def run(self, of: _Digitisation) -> None:
        self._repeated(of)
        names = {name for name, _ in of.rows}
        numbers: dict[str, set[int]] = {}
        for match in filter(None, map(_NUMBERED.match, names)):
            numbers.setdefault(match[1], set()).add(int(match[2]))
        for name in self.scheme.landmark_names:
            if name not in names:
                self.at(of).error(
                    f"There is no row for this landmark in the digitisation{of.label} "
                    "that begins here.",
                    "Add the row, with blank cells if the landmark is missing on the bone.",
                    landmark=name,
                )
        for name in self.scheme.curve_names:
            if name in numbers:
                self._numbered_through(of, name, "curve", numbers[name])
            else:
                self.at(of).note(
                    f"The curve {name} is not digitised{of.label}.",
                    f"Add the rows {name}.1, {name}.2 and so on if the bone has it.",
                )
        for name in self.scheme.patch_names:
            if name in numbers and self._numbered_through(of, name, "patch", numbers[name]):
                self.carried[name].add(of.specimen)

    def _repeated(self, of: _Digitisation) -> None:
        first: dict[str, Spot] = {}
        again = [(name, spot) for name, spot in of.rows if first.setdefault(name, spot) != spot]
        if not again:
            return
        twice = {landmark for landmark, _ in again}
        begun_in, begun_at = of.begins
        files = {file for _, (file, _) in again} - {begun_in}
        if len(twice) > 1 and (files or 2 * len(twice) >= len(first)):
            at = min(spot for _, spot in again if not files or spot[0] in files)
            begun = f"line {begun_at}" + ("" if at[0] == begun_in else f" of {begun_in}")
            self.at(of, at).error(
                f"The specimen is digitised here again{of.label}; the first digitisation "
                f"begins in {begun}, and nothing tells the two apart.",
                "Give each digitisation a label of its own in the column replicate, or delete one.",
            )
            return
        for landmark, at in again:
            file, line = first[landmark]
            other = f"line {line}" + ("" if file == at[0] else f" of {file}")
            self.at(of, at).error(
                f"The landmark stands twice in one digitisation{of.label}; it is in "
                f"{other} already.",
                "Delete one row; if it was digitised twice label the two in the column replicate.",
                landmark=landmark,
            )

    def _numbered_through(self, of: _Digitisation, name: str, what: str, given: set[int]) -> bool:
        last = max(given)
        absent = list(islice((n for n in range(1, last + 1) if n not in given), 1000))
        if absent:
            self.at(of, dict(reversed(of.rows))[f"{name}.{last}"]).error(
                f"The {what} {name} has a point {last} but none numbered "
                f"{listed(absent, most=5, last='or')}{of.label}.",
                "Number the points from 1 without gaps, in their order along the bone.",
                landmark=f"{name}.{last}",
            )
        return not absent

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


def check_digitisations(of: Digitised) -> None:
    """Check that each digitisation of an element is whole."""
    check = _Check(of)
    for digitisation in _each(of.landmarks):
        check.run(digitisation)
    for patch in of.scheme.patches:
        check.template(patch, of.specimens)
