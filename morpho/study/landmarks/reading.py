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
from morpho.study.landmarks.one_table import SpecimenNames, landmark_rows
from morpho.study.landmarks.plausibility import check_plausibility
from morpho.study.landmarks.unknown_specimens import UnknownSpecimens
from morpho.study.reading.coordinates import MILLIMETRES, CellError, parse_coordinate
from morpho.study.reading.paths import PathPattern
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import read_table
from morpho.study.reading.wording import Suggestions, meant, quoted
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
        elements: Iterable[str],
    ) -> None:
        self.config, self.schemes, self.problems = config, schemes, problems
        self.names = SpecimenNames([] if specimens is None else specimens.index)
        self.any_name = specimens is None
        self.fixed = {element: set(scheme.landmark_names) for element, scheme in schemes.items()}
        # curves and patches, whose points are numbered
        self.numbered = {
            element: {
                **dict.fromkeys(scheme.curve_names, "curve"),
                **dict.fromkeys(scheme.patch_names, "patch"),
            }
            for element, scheme in schemes.items()
        }
        self.elements = Suggestions(config.elements)
        self.landmarks = {
            element: Suggestions([*sorted(self.fixed[element]), *numbered])
            for element, numbered in self.numbered.items()
        }
        self.records: dict[str, list[tuple]] = {element: [] for element in elements}
        self.unknown = UnknownSpecimens(self.names.known)

    def run(self) -> dict[str, pd.DataFrame]:
        files: dict[Path, PathPattern] = {}
        for element in self.records:
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
        for path, pattern in sorted(files.items()):
            self._file(path, pattern.values(path) or {})
        self.unknown.tell(
            {
                element: [(record[0], record[4]) for record in records]
                for element, records in self.records.items()
            }
        )
        return {element: self._frame(element) for element in self.records}

    def _file(self, path: Path, from_path: Mapping[str, str]) -> None:
        table = read_table(path, self.problems, self.config.settings.landmarks.delimiter)
        if table is None:
            return
        if not table.rows and not any(problem.file == path for problem in self.problems.errors):
            self.problems.warning(
                "There is a header but no row in this table.",
                "Fill it in, or delete the file.",
                file=path,
            )
        shown, here = self.problems.shown_path(path), self.problems.at(file=path)
        rows = landmark_rows(self.config, table, from_path, self.names, self.problems)
        for line, cells in rows:
            record = self._record(cells, here.at(line=line))
            if record is not None:
                self.records[cells["element"]].append((*record, shown, line))

    def _record(self, cells: dict[str, str], here: Problems) -> tuple | None:
        """What a row says; None if it cannot be used, or is another element's."""
        element, known = cells["element"], self.config.elements
        here = here.at(specimen=cells["specimen"] or None, landmark=cells["landmark"] or None)
        if element not in known:
            near = next(iter(self.elements.ranked(element)), None) if element else None
            found = f"{quoted(element)}, which is not in study.yaml" if element else "blank"
            here.error(f"element is {found}.", meant(near) or f"Known: {listed(known)}.")
        if element not in self.records:
            return None
        here = here.at(element=element)
        specimen = self._specimen(cells, here)
        landmark = self._landmark(cells, here)
        # A slip in a coordinate must not make the row seem absent as well.
        place = self._coordinates(cells, here) or (math.nan, math.nan, math.nan)
        if specimen is None or landmark is None:
            return None
        return specimen, element, cells["replicate"], cells["observer"], landmark, *place

    def _specimen(self, cells: dict[str, str], here: Problems) -> str | None:
        written = cells["specimen"]
        if not written:
            here.error("specimen is blank.", "Name the specimen, as in the specimen table.")
            return None
        name = written if self.any_name else self.names.find(written)
        if name is None:
            here = here.at(specimen=None)
            self.unknown.add(here, cells["element"], written, cells["landmark"])
        return name

    def _landmark(self, cells: dict[str, str], here: Problems) -> str | None:
        written, element = cells["landmark"], cells["element"]
        numbered = self.numbered.get(element, {})
        if written in self.fixed.get(element, {written} - {""}):
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
            near = next(iter(self.landmarks[element].ranked(stem if dot else written)), None)
            near = f"{near}.{number}" if near in numbered and plain else near
            found = f"The landmark {quoted(written)} is not in the scheme of {element}."
            remedy = f"{meant(near)} Correct the name, or add the landmark to the scheme.".lstrip()
        here.error(found, remedy, landmark=None)
        return None

    def _coordinates(self, cells: dict[str, str], here: Problems) -> Place | None:
        place = []
        for axis in "xyz":
            try:
                number = parse_coordinate(cells[axis], self.config.settings.landmarks.decimal)
                place.append(number)
            except CellError as error:
                found, remedy = error.args
                here.error(f"{axis} {found}", remedy)
        if len(place) < 3:
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
                f"x, y and z are all {cells['x']}, which looks like a code for a missing landmark.",
                "If the landmark is missing leave its cells blank.",
            )
            return None
        unit = MILLIMETRES[self.config.settings.landmarks.units]
        return x * unit, y * unit, z * unit

    def _frame(self, element: str) -> pd.DataFrame:
        scheme, numbered = self.schemes.get(element), self.numbered.get(element, {})
        written = sorted({record[4] for record in self.records[element]})
        known = written if scheme is None else scheme.landmark_names
        order = {name: i for i, name in enumerate([*known, *numbered])}

        def place(record: tuple) -> tuple:
            specimen, _, replicate, observer, landmark = record[:5]
            stem, _, number = landmark.rpartition(".")
            rank = (order[landmark], 0) if landmark in order else (order[stem], int(number))
            return specimen, replicate, observer, rank, *record[8:]

        records = sorted(self.records[element], key=place)
        numbers = {"x": np.float64, "y": np.float64, "z": np.float64, "line": np.int64}
        frame = pd.DataFrame(records, columns=list(LANDMARK_COLUMNS))
        return frame.astype({name: numbers.get(name, str) for name in LANDMARK_COLUMNS})


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
    broken = dict(broken or {})
    named = {**schemes, **{name: scheme for name, scheme in broken.items() if scheme is not None}}
    unreadable = any(pattern.unknown for pattern in config.landmark_patterns)
    gatherer = _Gatherer(config, named, specimens, problems, {**named, **broken})
    frames = {} if unreadable else gatherer.run()
    for element, frame in list(frames.items()):
        if frame.empty:
            here = problems.at(element=element)
            paths = set(config.landmark_files(element))
            if not paths:
                files = listed(quoted(p.pattern) for p in config.landmark_patterns)
                here.error(
                    f"No landmark table of {element} was found: no file fits {files}.",
                    "Put the tables there, or correct landmarks: files.",
                    **config.at("landmarks", "files"),
                )
            elif not any(problem.file in paths for problem in problems.errors):
                here.error(
                    f"No landmark table has a row of {element}.",
                    "Add its tables, or take the element out of study.yaml.",
                    **config.at("elements", element),
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
    return problems.sound(frames.get(element))
