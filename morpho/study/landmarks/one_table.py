"""One landmark table: its columns, and what its path adds to them."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from morpho.study.reading.paths import safe_name
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table
from morpho.study.reading.wording import quoted

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["LandmarkRow", "SpecimenNames", "landmark_rows"]

_FROM_PATH = ("element", "specimen", "replicate")


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


@dataclass(frozen=True)
class LandmarkRow:
    """One row, its cells without white space around them; x, y, z still as text."""

    cells: dict[str, str]  # by our names of the columns; blank where the table has none
    line: int


def landmark_rows(
    config: StudyConfig,
    table: Table,
    from_path: Mapping[str, str],
    names: SpecimenNames,
    problems: Problems,
) -> list[LandmarkRow]:
    """Take the rows of a landmark table, each with what the table's path adds to it."""
    mapping = config.settings.landmarks.columns
    alone = config.elements[0] if len(config.elements) == 1 else ""
    places = {}
    usable = True
    for ours in ("specimen", "element", "replicate", "observer", "landmark", "x", "y", "z"):
        needed = ours not in {"replicate", "observer"} and ours not in from_path
        if ours == "element" and alone:
            needed = False
        place = table.position(ours, mapping, problems, "landmarks", needed=needed)
        usable = usable and (place is not None or not (needed or ours in mapping))
        places[ours] = place
    if not usable:
        return []
    result = []
    for line, row in zip(table.lines, table.rows, strict=True):
        cells = {k: "" if i is None else row[i].strip() for k, i in places.items()}
        if _fill_from_path(cells, from_path, names, problems.at(file=table.file, line=line)):
            cells["element"] = cells["element"] or alone
            result.append(LandmarkRow(cells, line))
    return result


def _fill_from_path(
    cells: dict[str, str], from_path: Mapping[str, str], names: SpecimenNames, here: Problems
) -> bool:
    for ours in _FROM_PATH:
        told = from_path.get(ours)
        if told is None:
            continue
        if not cells[ours]:
            cells[ours] = names.from_file(told) if ours == "specimen" else told
            continue
        same = safe_name(cells[ours]) if ours == "specimen" else cells[ours]
        if _composed(same) != _composed(told):
            here.error(
                f"{ours} is {quoted(cells[ours])}, but the file's path says {quoted(told)}.",
                "Put the file in its right place, or correct the cell.",
            )
            return False
    return True


class SpecimenNames:
    """Finds the specimen that a row or a file means."""

    def __init__(self, specimens: Iterable[str]) -> None:
        self.known = list(specimens)
        self.exact = set(self.known)
        self.composed: dict[str, list[str]] = {}
        self.safe: dict[str, list[str]] = {}
        for name in self.known:
            self.composed.setdefault(_composed(name), []).append(name)
            self.safe.setdefault(safe_name(name), []).append(name)

    def find(self, name: str) -> str | None:
        """Find the specimen that a cell names.

        An accent may be encoded in another way than in the specimen table.
        """
        if name in self.exact:
            return name
        alike = self.composed.get(_composed(name), [])
        return alike[0] if len(alike) == 1 else None

    def from_file(self, name: str) -> str:
        """Find the specimen that a file is named after; else give the name in the path itself."""
        alike = self.safe.get(_composed(name), [])
        return alike[0] if len(alike) == 1 else name
