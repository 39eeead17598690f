"""The specimen table: one row a specimen."""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.reading.paths import safe_name
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table, read_table
from morpho.study.reading.wording import meant, nearest, quoted, squeezed
from morpho.wording import counted, listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["SPECIMEN_COLUMNS", "gather_specimens", "read_specimens"]

SPECIMEN_COLUMNS = ("taxon", "role", "side", "stage")
LONGEST_NAME = 200

_SIDES = {"": "", "left": "left", "l": "left", "right": "right", "r": "right"}
_ROLES = ("known", "query")
_FORMULA = ("=", "+", "-", "@")
_NO_TAXON = {"?", "-", "--", "na", "n/a", "nan", "none", "null", "unknown", "indet", "indet."}


def _control(text: str) -> bool:
    return any(unicodedata.category(character) in {"Cc", "Zl", "Zp"} for character in text)


@dataclass
class _Row:
    """Cells of one specimen, without white space around them."""

    line: int
    specimen: str
    taxon: str
    role: str
    side: str
    stage: str
    extra: dict[str, str]


class _Reader:
    def __init__(self, config: StudyConfig, table: Table, problems: Problems) -> None:
        self.config = config
        self.table = table
        self.problems = problems
        self.first: dict[str, int] = {}

    def rows(self) -> list[_Row]:
        mapping = self.config.settings.specimens.columns
        places: dict[str, int | None] = {}
        for ours in ("specimen", *SPECIMEN_COLUMNS):
            needed = ours in {"specimen", "taxon", "role"}
            places[ours] = self.table.position(
                ours, mapping, self.problems, "specimens", needed=needed
            )
        self._columns(mapping, set(places.values()))
        if places["specimen"] is None:
            return []
        extra = {
            name: i
            for i, name in enumerate(self.table.header)
            if name and i not in places.values() and name not in SPECIMEN_COLUMNS
        }
        rows = []
        for line, cells in zip(self.table.lines, self.table.rows, strict=True):
            text = {ours: "" if place is None else cells[place] for ours, place in places.items()}
            row = self._row(line, text, {name: cells[i].strip() for name, i in extra.items()})
            if row is not None:
                rows.append(row)
            elif text["specimen"].strip():
                self.first.setdefault(text["specimen"].strip(), line)
        if places["taxon"] is not None and places["role"] is not None:
            for row in rows:
                self._role(row)
        return rows

    def _columns(self, mapping: dict[str, str], used: set[int | None]) -> None:
        for ours in ("specimen", *SPECIMEN_COLUMNS):
            if ours in mapping and mapping[ours] != ours and ours in self.table.header:
                if self.table.header.index(ours) in used:
                    continue  # it is mapped to another of our columns
                self.problems.error(
                    f"study.yaml takes {ours} from the column {quoted(mapping[ours])}, but there "
                    f"is a column {ours} as well.",
                    "Rename or delete one of the two.",
                    file=self.table.file,
                    line=1,
                )
        for name in self.config.settings.specimens.private:
            if name not in self.table.header:
                hint = meant(nearest(name, self.table.header), quoted)
                self.problems.error(
                    f"The private column {quoted(name)} is not in the specimen table.",
                    f"{hint} Put the name right, so that nothing private gets out.".lstrip(),
                    file=self.config.path,
                    line=self.config.line("specimens", "private"),
                )

    def _row(self, line: int, text: dict[str, str], extra: dict[str, str]) -> _Row | None:
        cell = {ours: value.strip() for ours, value in text.items()}
        name = cell["specimen"]

        here = self.problems.at(file=self.table.file, line=line, specimen=name or None)
        for ours in ("specimen", "taxon"):
            if text[ours] != cell[ours] and cell[ours]:
                here.note(
                    f"{ours} is {quoted(text[ours])}, with white space around it; it was left out.",
                    "Delete the white space if other programs are to read the table.",
                )
        if not name:
            here.error("The specimen has no name.", "Give each row a name, or delete it.")
            return None
        if len(name) > LONGEST_NAME:
            here.error(
                f"The specimen's name has {len(name)} characters; {LONGEST_NAME} are the most.",
                "Give it a shorter name.",
            )
            return None
        for ours, value in [*cell.items(), *extra.items()]:
            if _control(value):
                here.error(
                    f"{ours} is {quoted(value)}, with a control character or line break in it.",
                    "Type the cell anew.",
                )
                return None
        if name in self.first:
            here.error(
                f"The specimen stands twice; it is in line {self.first[name]} already.",
                "Give each specimen one row; repeated digitisations belong in the landmark tables.",
            )
            return None
        self.first[name] = line
        side = cell["side"].casefold()
        if side not in _SIDES:
            here.error(f"side is {quoted(cell['side'])}.", "Write left, right, l, r or nothing.")
        return _Row(
            line,
            name,
            cell["taxon"],
            cell["role"].casefold(),
            _SIDES.get(side, ""),
            cell["stage"],
            extra,
        )

    def _role(self, row: _Row) -> None:
        here = self.problems.at(file=self.table.file, line=row.line, specimen=row.specimen)
        if row.role not in _ROLES:
            hint = meant(nearest(row.role, _ROLES))
            here.error(
                f"role is {quoted(row.role)}." if row.role else "role is blank.",
                f"{hint} Write known for a specimen of a known taxon, query for one to be "
                "placed.".lstrip(),
            )
        elif row.role == "known" and not row.taxon:
            here.error(
                "A known specimen without a taxon.",
                "Name its taxon, or make it a query.",
            )
        elif row.role == "known" and row.taxon.casefold() in _NO_TAXON:
            here.warning(
                f"A known specimen whose taxon is {quoted(row.taxon)}.",
                "Make it a query if its taxon is not known.",
            )


def _look_alikes(names: Iterable[str]) -> list[list[str]]:
    groups = defaultdict(list)
    for name in dict.fromkeys(names):
        groups[squeezed(name)].append(name)
    return [group for group in groups.values() if len(group) > 1]


def _spelt_out(names: list[str]) -> str:
    if len({unicodedata.normalize("NFC", name) for name in names}) < len(names):
        return listed(quoted(name.encode("unicode_escape").decode("ascii")) for name in names)
    return listed(quoted(name) for name in names)


def _check_names(config: StudyConfig, rows: list[_Row], table: Table, problems: Problems) -> None:
    here = problems.at(file=table.file)
    line_of = {row.specimen: row.line for row in rows}
    for group in _look_alikes(line_of):
        here.warning(
            f"The specimens {_spelt_out(group)} differ only in capitals, white space or the way "
            "a letter is encoded.",
            "Check that they are different specimens, and rename one.",
            line=line_of[group[-1]],
            specimen=group[-1],
        )
    patterns = [*config.landmark_patterns, config.scan_pattern]
    if not any(pattern is not None and "specimen" in pattern.placeholders for pattern in patterns):
        return
    by_file: dict[str, str] = {}
    for name in line_of:
        other = by_file.setdefault(safe_name(name), name)
        if other != name:
            here.error(
                f"The specimens {_spelt_out([other, name])} would have the same file name, "
                f"{quoted(safe_name(name))}.",
                "Rename one of them.",
                line=line_of[name],
                specimen=name,
            )


def _misspelt(first: str, second: str) -> bool:
    if first.casefold().split() == second.casefold().split():
        return False  # told as look-alikes
    words, others = first.casefold().split(), second.casefold().split()
    if len(words) == len(others):
        pairs = [(a, b) for a, b in zip(words, others, strict=True) if a != b]
        if all(min(len(a), len(b)) <= 2 or a.isdigit() or b.isdigit() for a, b in pairs):
            return False  # species a and species b, sp. 1 and sp. 2
    matcher = SequenceMatcher(None, first.casefold(), second.casefold(), autojunk=False)
    return matcher.quick_ratio() >= 0.85 and matcher.ratio() >= 0.85


def _check_taxa(rows: list[_Row], table: Table, problems: Problems) -> None:
    here = problems.at(file=table.file)
    counts = Counter(row.taxon for row in rows if row.taxon)
    line_of: dict[str, int] = {}
    for row in rows:
        line_of.setdefault(row.taxon, row.line)
    told = set()
    for group in _look_alikes(counts):
        told.update(group)
        rare = min(group, key=lambda taxon: (counts[taxon], taxon))
        here.warning(
            f"The taxa {_spelt_out(sorted(group))} differ only in capitals, white space or the "
            "way a letter is encoded; they are taken for different taxa.",
            "Write one taxon the same way everywhere.",
            line=line_of[rare],
        )
    taxa = sorted(counts)
    if len(taxa) > 150:
        return  # that many are no taxa, and the pairs would take long
    for i, first in enumerate(taxa):
        for second in taxa[i + 1 :]:
            rare, common = sorted((first, second), key=lambda taxon: (counts[taxon], taxon))
            if counts[rare] <= 2 and not {rare, common} <= told and _misspelt(rare, common):
                number = counted(counts[rare], "specimen")
                here.warning(
                    f"The taxon {quoted(rare)} ({number}) is written almost like "
                    f"{quoted(common)} ({counts[common]}).",
                    "Correct it if it is a slip of the pen.",
                    line=line_of[rare],
                )


def _check_formulas(rows: list[_Row], table: Table, problems: Problems) -> None:
    here = problems.at(file=table.file)
    remedy = (
        "In a spreadsheet open tables.xlsx of the supplement, where it is a text, not the CSV "
        "tables; or rename it."
    )
    taxa: set[str] = set()
    for row in rows:
        if row.specimen.startswith(_FORMULA):
            here.note(
                f"The specimen's name begins with {quoted(row.specimen[0])}: a spreadsheet takes "
                "this for a formula.",
                remedy,
                line=row.line,
                specimen=row.specimen,
            )
        if (
            row.taxon.startswith(_FORMULA)
            and row.taxon not in taxa
            and row.taxon.casefold() not in _NO_TAXON
        ):
            taxa.add(row.taxon)
            here.note(
                f"The taxon {quoted(row.taxon)} begins with {quoted(row.taxon[0])}: a spreadsheet "
                "takes this for a formula.",
                remedy,
                line=row.line,
            )


def gather_specimens(config: StudyConfig, problems: Problems) -> pd.DataFrame | None:
    """Read the specimen table, telling every problem.

    None if there is no table; else `read_specimens`'s, of the rows that can be used.
    """
    path = config.specimens_file
    if path is None:
        return None
    table = read_table(path, problems, config.settings.specimens.delimiter)
    if table is None:
        return None
    rows = _Reader(config, table, problems).rows()
    if not table.rows and not problems.errors:
        problems.error("There is no specimen in the table.", "Write one row a specimen.", file=path)
    _check_names(config, rows, table, problems)
    _check_taxa(rows, table, problems)
    _check_formulas(rows, table, problems)
    extra = list(rows[0].extra) if rows else []
    records = [
        [row.specimen, row.taxon, row.role, row.side, row.stage, *row.extra.values()]
        for row in sorted(rows, key=lambda row: row.specimen)
    ]
    columns = ["specimen", *SPECIMEN_COLUMNS, *extra]
    return pd.DataFrame(records, columns=columns, dtype=str).set_index("specimen")


def read_specimens(config: StudyConfig) -> pd.DataFrame:
    """Read the specimen table.

    The index ``specimen`` is sorted, so that the order of the rows in the file has no bearing;
    columns are ``taxon``, ``role`` (known or query), ``side`` (left, right or blank), ``stage``,
    then the table's other columns. Everything is text; a blank cell is an empty text.
    """
    problems = Problems(base=config.folder)
    specimens = gather_specimens(config, problems)
    problems.raise_if_errors()
    if specimens is None:  # cannot be: without errors there is a table
        raise ValueError(f"{config.path} names no specimen table")
    return specimens
