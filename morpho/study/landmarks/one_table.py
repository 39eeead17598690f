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

__all__ = ["LandmarkFile", "LandmarkRow", "SpecimenNames"]

_FROM_PATH = ("element", "specimen", "replicate")


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


@dataclass(frozen=True)
class LandmarkRow:
    """One row, its cells without white space around them; x, y, z still as text.

    Attributes
    ----------
    cells : dict of str
        By our names of the columns; blank where the table has no such column.
    line : int
        Line of the file.
    """

    cells: dict[str, str]
    line: int


class LandmarkFile:
    """One landmark table: its columns found, its names settled.

    Parameters
    ----------
    config : StudyConfig
    table : Table
        The table as read.
    from_path : mapping of str
        Values that the table's path gives, by column.
    names : SpecimenNames
        The specimens there are.
    problems : Problems
        Takes what is found: missing columns, rows that contradict the path.
    """

    def __init__(
        self,
        config: StudyConfig,
        table: Table,
        from_path: Mapping[str, str],
        names: SpecimenNames,
        problems: Problems,
    ) -> None:
        self.config = config
        self.table = table
        self.from_path = from_path
        self.names = names
        self.problems = problems

    def rows(self) -> list[LandmarkRow]:
        """Take the rows of the table, each with what the path adds to it.

        Returns
        -------
        list of LandmarkRow
            Empty where a needed column is missing.
        """
        mapping = self.config.settings.landmarks.columns
        places = {}
        usable = True
        for ours in ("specimen", "element", "replicate", "observer", "landmark", "x", "y", "z"):
            needed = ours not in {"replicate", "observer"} and ours not in self.from_path
            if ours == "element" and len(self.config.elements) == 1:
                needed = False
            place = self.table.position(ours, mapping, self.problems, "landmarks", needed=needed)
            usable = usable and (place is not None or not (needed or ours in mapping))
            places[ours] = place
        if not usable:
            return []
        result = []
        for line, row in zip(self.table.lines, self.table.rows, strict=True):
            cells = {k: "" if i is None else row[i].strip() for k, i in places.items()}
            if self._fill_from_path(cells, line):
                result.append(LandmarkRow(cells, line))
        return result

    def _fill_from_path(self, cells: dict[str, str], line: int) -> bool:
        for ours in _FROM_PATH:
            told = self.from_path.get(ours)
            if told is None:
                continue
            if not cells[ours]:
                cells[ours] = self.names.from_file(told) if ours == "specimen" else told
                continue
            same = safe_name(cells[ours]) if ours == "specimen" else cells[ours]
            if _composed(same) != _composed(told):
                self.problems.error(
                    f"{ours} is {quoted(cells[ours])}, but the file's path says {quoted(told)}.",
                    "Put the file in its right place, or correct the cell.",
                    file=self.table.file,
                    line=line,
                )
                return False
        if not cells["element"] and len(self.config.elements) == 1:
            cells["element"] = self.config.elements[0]
        return True


class SpecimenNames:
    """Finds the specimen that a row or a file means.

    Parameters
    ----------
    specimens : iterable of str
        Names in the specimen table.
    """

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

        Parameters
        ----------
        name : str
            The cell; an accent may be encoded in another way than in the specimen table.

        Returns
        -------
        str or None
            Its name in the specimen table; None where there is no such specimen.
        """
        if name in self.exact:
            return name
        alike = self.composed.get(_composed(name), [])
        return alike[0] if len(alike) == 1 else None

    def from_file(self, name: str) -> str:
        """Find the specimen that a file is named after.

        Parameters
        ----------
        name : str
            The part of the path that stands for the specimen.

        Returns
        -------
        str
            Its name in the specimen table; the part itself where there is no such specimen.
        """
        alike = self.safe.get(_composed(name), [])
        return alike[0] if len(alike) == 1 else name
