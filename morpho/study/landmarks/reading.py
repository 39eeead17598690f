"""The landmark tables: one row a landmark of one digitisation."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.study.landmarks.curve_repair import repair_curves
from morpho.study.landmarks.digitisations import check_digitisations
from morpho.study.landmarks.digitised import DIGITISATION, Digitised
from morpho.study.landmarks.midline import check_midline
from morpho.study.landmarks.one_table import LandmarkRow, SpecimenNames, landmark_rows
from morpho.study.landmarks.plausibility import check_plausibility
from morpho.study.landmarks.unknown_specimens import UnknownSpecimens
from morpho.study.reading.coordinates import MILLIMETRES, CellError, parse_coordinate
from morpho.study.reading.paths import PathPattern
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import read_table
from morpho.study.reading.wording import Suggestions, quoted
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["DIGITISATION", "LANDMARK_COLUMNS", "gather_landmarks", "read_landmarks"]

LANDMARK_COLUMNS = (
    "specimen", "element", "replicate", "observer", "landmark", "x", "y", "z", "file", "line",
)  # fmt: skip
Place = tuple[float, float, float]

_CODES = {99, 999, 9999, 99999}  # numbers that some write for a missing landmark


class _Gatherer:
    def __init__(
        self,
        config: StudyConfig,
        schemes: Mapping[str, Scheme],
        specimens: pd.DataFrame | None,
        problems: Problems,
        broken: Iterable[str] = (),
    ) -> None:
        self.config = config
        self.schemes = schemes
        self.elements = [*schemes, *(name for name in broken if name not in schemes)]
        self.names = SpecimenNames([] if specimens is None else list(specimens.index))
        self.any_name = specimens is None
        self.problems = problems
        self.unit = MILLIMETRES[config.settings.landmarks.units]
        self.decimal = config.settings.landmarks.decimal
        self.points = {element: _point_names(scheme) for element, scheme in schemes.items()}
        self.suggest = {"element": Suggestions(config.elements)}
        for element, (names, numbered) in self.points.items():
            known = [*sorted(names), *numbered]
            self.suggest[f"landmark of {element}"] = Suggestions(known)
        self.shown = ""  # the file that is being read, as messages name it
        self.records: dict[str, list[tuple]] = {element: [] for element in self.elements}
        self.unknown = UnknownSpecimens(self.names.known)

    def run(self) -> dict[str, pd.DataFrame]:
        files: dict[Path, PathPattern] = {}
        for element in self.elements:
            for pattern in self.config.landmark_patterns:
                for path in pattern.files(element=element):
                    files.setdefault(path, pattern)
                for path, what in pattern.no_files(element=element):
                    self.problems.error(
                        f"This is {what}, not a file.",
                        "Put the landmark table itself there, or take it away.",
                        file=path,
                    )
                for path in pattern.near_misses(element=element):
                    if path not in files:
                        self.problems.warning(
                            "This file is not read: its name differs from the pattern "
                            f"{quoted(pattern.pattern)} in capitals.",
                            "Rename it if it belongs to the study.",
                            file=path,
                        )
        for path in sorted(files):
            values = files[path].values(path) or {}
            self._file(path, values)
        understood = {
            element: [(record[0], record[4]) for record in records]
            for element, records in self.records.items()
        }
        self.unknown.tell(understood, self.problems)
        return {element: self._frame(element) for element in self.elements}

    def _file(self, path: Path, from_path: Mapping[str, str]) -> None:
        self.shown = self.problems.shown_path(path)
        table = read_table(path, self.problems, self.config.settings.landmarks.delimiter)
        if table is None:
            return
        if not table.rows and not any(problem.file == path for problem in self.problems.errors):
            self.problems.warning(
                "There is a header but no row in this table.",
                "Fill it in, or delete the file.",
                file=path,
            )
        for row in landmark_rows(self.config, table, from_path, self.names, self.problems):
            self._row(path, row)

    def _row(self, path: Path, row: LandmarkRow) -> None:
        cells, line = row.cells, row.line
        element = cells["element"]
        specimen, landmark = cells["specimen"] or None, cells["landmark"] or None
        here = self.problems.at(file=path, line=line, specimen=specimen, landmark=landmark)
        if element not in self.config.elements:
            near = self.suggest["element"].nearest(element) if element else None
            hint = f"Did you mean {near}?" if near else f"Known: {listed(self.config.elements)}."
            found = f"{quoted(element)}, which is not in study.yaml" if element else "blank"
            here.error(f"element is {found}.", hint)
            return
        if element not in self.records:
            return  # another element's row
        here = here.at(element=element)
        specimen = self._specimen(path, row, here)
        landmark = self._landmark(row, here)
        # A slip in a coordinate must not make the row seem absent as well.
        place = self._coordinates(row, here) or (math.nan, math.nan, math.nan)
        if specimen is None or landmark is None:
            return
        labels = cells["replicate"], cells["observer"]
        self.records[element].append(
            (specimen, element, *labels, landmark, *place, self.shown, line)
        )

    def _specimen(self, path: Path, row: LandmarkRow, here: Problems) -> str | None:
        written = row.cells["specimen"]
        if self.any_name and written:
            return written
        name = self.names.find(written)
        if name is not None:
            return name
        if written:
            landmark = row.cells["landmark"]
            self.unknown.add(path, row.line, row.cells["element"], written, landmark)
        else:
            here.error("specimen is blank.", "Name the specimen, as in the specimen table.")
        return None

    def _landmark(self, row: LandmarkRow, here: Problems) -> str | None:
        written, element = row.cells["landmark"], row.cells["element"]
        names, numbered = self.points.get(element, (set(), {}))
        if written in names or (written and element not in self.points):
            return written  # where the scheme could not be read any name will do
        stem, dot, number = written.rpartition(".")
        plain = number.isascii() and number.isdigit() and len(number) <= 6
        if dot and stem in numbered and plain and int(number) >= 1:
            return f"{stem}.{int(number)}"
        if written in numbered or (dot and stem in numbered):
            found = f"landmark is {quoted(written)}; {stem or written} is a "
            found += f"{numbered[stem or written]}, whose points are numbered from 1."
            remedy = f"Write {stem or written}.1, {stem or written}.2 and so on."
        elif not written:
            found, remedy = "landmark is blank.", "Name the landmark, as in the scheme."
        else:
            near = self.suggest[f"landmark of {element}"].nearest(stem if dot else written)
            found = f"The landmark {quoted(written)} is not in the scheme of {element}."
            near = f"{near}.{number}" if near in numbered and plain else near
            remedy = f"Did you mean {near}? " if near else ""
            remedy += "Correct the name, or add the landmark to the scheme."
        here.error(found, remedy, landmark=None)
        return None

    def _coordinates(self, row: LandmarkRow, here: Problems) -> Place | None:
        place, right = [], True
        for axis in "xyz":
            try:
                place.append(parse_coordinate(row.cells[axis], self.decimal))
            except CellError as error:
                here.error(f"{axis} {error.found}", error.remedy)
                right = False
        if not right:
            return None
        blank = [axis for axis, value in zip("xyz", place, strict=True) if math.isnan(value)]
        if 0 < len(blank) < 3:
            here.error(
                f"{listed(blank)} {'is' if len(blank) == 1 else 'are'} blank, but not all three.",
                "Fill in x, y and z, or leave all three blank if the landmark is missing.",
            )
            return None
        x, y, z = place
        if x == y == z and abs(x) in _CODES:
            here.error(
                f"x, y and z are all {row.cells['x']}, which looks like a code for a missing "
                "landmark.",
                "If the landmark is missing leave its cells blank.",
            )
            return None
        return x * self.unit, y * self.unit, z * self.unit

    def _frame(self, element: str) -> pd.DataFrame:
        scheme = self.schemes.get(element)
        written = sorted({record[4] for record in self.records[element]})
        known = written if scheme is None else scheme.landmark_names
        order = {name: i for i, name in enumerate(known)}
        parts = [*scheme.curve_names, *scheme.patch_names] if scheme else []
        later = {name: len(order) + i for i, name in enumerate(parts)}

        def place(record: tuple) -> tuple:
            specimen, _, replicate, observer, landmark = record[:5]
            stem, _, number = landmark.rpartition(".")
            rank = (order[landmark], 0) if landmark in order else (later[stem], int(number))
            return specimen, replicate, observer, rank, record[8], record[9]

        records = sorted(self.records[element], key=place)
        frame = pd.DataFrame(records, columns=list(LANDMARK_COLUMNS))
        for axis in "xyz":
            frame[axis] = frame[axis].astype(np.float64)
        for name in ("specimen", "element", "replicate", "observer", "landmark", "file"):
            frame[name] = frame[name].astype(str)
        frame["line"] = frame["line"].astype(np.int64)
        return frame


def _point_names(scheme: Scheme) -> tuple[set[str], dict[str, str]]:
    numbered = dict.fromkeys(scheme.curve_names, "curve")
    numbered.update(dict.fromkeys(scheme.patch_names, "patch"))
    return set(scheme.landmark_names), numbered


def gather_landmarks(
    config: StudyConfig,
    schemes: Mapping[str, Scheme],
    specimens: pd.DataFrame | None,
    problems: Problems,
    broken: Mapping[str, Scheme | None] | None = None,
) -> dict[str, pd.DataFrame]:
    """Read the landmark tables of several elements, telling every problem.

    Without a specimen table any name will do. Broken are elements whose scheme has errors, each
    with what of it can still be held against its tables, as `usable_names` gives it.
    """
    if not config.settings.landmarks.files:
        return {}
    if problems.base is None:
        problems.base = config.folder
    unreadable = [p for p in config.landmark_patterns if p.unknown]
    broken = dict(broken or {})
    names = {element: scheme for element, scheme in broken.items() if scheme is not None}
    named = {**schemes, **names}
    gatherer = _Gatherer(config, named, specimens, problems, broken)
    frames = {} if unreadable else gatherer.run()
    for element, frame in list(frames.items()):
        if frame.empty:
            here = problems.at(file=config.path, element=element)
            paths = set(config.landmark_files(element))
            if not paths:
                files = listed(quoted(p.pattern) for p in config.landmark_patterns)
                here.error(
                    f"No landmark table of {element} was found: no file fits {files}.",
                    "Put the tables there, or correct landmarks: files.",
                    line=config.line("landmarks", "files"),
                )
            elif not any(problem.file in paths for problem in problems.errors):
                here.error(
                    f"No landmark table has a row of {element}.",
                    "Add its tables, or take the element out of study.yaml.",
                    line=config.line("elements", element),
                )
            continue
        if element not in named:
            continue
        here = problems.at(element=element)
        of = Digitised(config, named[element], specimens, frame, here)  # type: ignore[arg-type]
        check_digitisations(of)
        once = frame.drop_duplicates([*DIGITISATION, "landmark"], ignore_index=True)
        if element in schemes:
            frames[element] = repair_curves(replace(of, landmarks=once))
            check_midline(replace(of, landmarks=frames[element]))
        check_plausibility(replace(of, landmarks=frames[element]))
    return frames


def read_landmarks(
    config: StudyConfig, element: str, scheme: Scheme, specimens: pd.DataFrame
) -> pd.DataFrame:
    """Read the landmark tables of one element.

    One row a landmark of one digitisation, with columns ``specimen``, ``element``, ``replicate``,
    ``observer``, ``landmark``, ``x``, ``y``, ``z`` (millimetres; NaN where the landmark is
    missing), ``file`` (relative to the study's folder) and ``line``. A digitisation is told by
    specimen, replicate and observer. Rows are sorted by digitisation and, in it, in the scheme's
    order, whatever their order in the files: landmarks, points of the curves, points of the patches
    (of the template). Curves that were digitised backwards are turned.
    """
    problems = Problems(base=config.folder)
    frames = gather_landmarks(config, {element: scheme}, specimens, problems)
    problems.raise_if_errors()
    return frames[element]
