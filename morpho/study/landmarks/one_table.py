"""One landmark table: its columns, and what its path adds to them."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from morpho.study.reading.paths import PLACEHOLDERS, safe_name
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table
from morpho.study.reading.wording import quoted

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["SpecimenNames", "landmark_rows"]

_COLUMNS = ("specimen", "element", "replicate", "observer", "landmark", "x", "y", "z")


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def landmark_rows(
    config: StudyConfig,
    table: Table,
    from_path: Mapping[str, str],
    names: SpecimenNames,
    problems: Problems,
) -> Iterator[tuple[int, dict[str, str]]]:
    """Go over the rows of a landmark table: line, and cells with what the table's path adds."""
    mapping = config.settings.landmarks.columns
    alone = config.elements[0] if len(config.elements) == 1 else ""
    optional = {"replicate", "observer", *from_path, *(["element"] if alone else [])} - {*mapping}
    places = {
        ours: table.position(ours, mapping, problems, "landmarks", needed=ours not in optional)
        for ours in _COLUMNS
    }
    usable = all(place is not None or ours in optional for ours, place in places.items())
    for line, row in zip(table.lines, table.rows, strict=True) if usable else ():
        cells = {k: "" if i is None else row[i].strip() for k, i in places.items()}
        if _fill_from_path(cells, from_path, names, problems.at(file=table.file, line=line)):
            cells["element"] = cells["element"] or alone
            yield line, cells


def _fill_from_path(
    cells: dict[str, str], from_path: Mapping[str, str], names: SpecimenNames, here: Problems
) -> bool:
    for ours in (name for name in PLACEHOLDERS if name in from_path):
        told = from_path[ours]
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
        self._composed: dict[str, list[str]] = defaultdict(list)
        self._safe: dict[str, list[str]] = defaultdict(list)
        for name in self.known:
            self._composed[_composed(name)].append(name)
            self._safe[safe_name(name)].append(name)

    def find(self, name: str) -> str | None:
        """Find the specimen that a cell names, in whatever way an accent in it is encoded."""
        alike = self._composed.get(_composed(name), [])
        return name if name in alike else alike[0] if len(alike) == 1 else None

    def from_file(self, name: str) -> str:
        """Find the specimen that a file is named after; else give the name in the path itself."""
        alike = self._safe.get(_composed(name), [])
        return alike[0] if len(alike) == 1 else name
