"""The specimen table: one row a specimen."""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable
from difflib import SequenceMatcher
from itertools import combinations
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
_NEEDED = {"specimen", "taxon", "role"}
_ROLES = ("known", "query")
_FORMULA = ("=", "+", "-", "@")
_NO_TAXON = {"?", "-", "--", "na", "n/a", "nan", "none", "null", "unknown", "indet", "indet."}


# The cells of a specimen by column, and the problems of its row.
_Row = tuple[dict[str, str], Problems]


def _rows(config: StudyConfig, table: Table, problems: Problems) -> list[_Row]:
    """The rows that can be used, their cells without white space around them."""
    mapping = config.settings.specimens.columns
    places = {
        ours: table.position(ours, mapping, problems, "specimens", needed=ours in _NEEDED)
        for ours in ("specimen", *SPECIMEN_COLUMNS)
    }
    _check_columns(config, table, places, problems)
    if places["specimen"] is None:
        return []
    columns = places | {
        name: i
        for i, name in enumerate(table.header)
        if name and i not in places.values() and name not in places
    }
    rows = []
    first: dict[str, int] = {}
    for line, written in zip(table.lines, table.rows, strict=True):
        text = {name: "" if i is None else written[i] for name, i in columns.items()}
        cells = {name: cell.strip() for name, cell in text.items()}
        name = cells["specimen"]
        here = problems.at(file=table.file, line=line, specimen=name or None)
        for ours in ("specimen", "taxon"):
            if text[ours] != cells[ours] and cells[ours]:
                here.note(
                    f"{ours} is {quoted(text[ours])}, with white space around it; it was left out.",
                    "Delete the white space if other programs are to read the table.",
                )
        if refused := _refused(cells, first):
            here.error(*refused)
        else:
            side = _SIDES.get(cells["side"].casefold())
            if side is None:
                found = f"side is {quoted(cells['side'])}."
                here.error(found, "Write left, right, l, r or nothing.")
            rows.append((cells | {"role": cells["role"].casefold(), "side": side or ""}, here))
        first.setdefault(name, line)
    if places["taxon"] is not None and places["role"] is not None:
        for cells, here in rows:
            _check_role(cells["role"], cells["taxon"], here)
    return rows


def _check_columns(
    config: StudyConfig, table: Table, places: dict[str, int | None], problems: Problems
) -> None:
    mapping = config.settings.specimens.columns
    for ours in places:
        theirs = mapping.get(ours, ours)
        there = table.header.index(ours) if ours in table.header else None
        # it may be mapped to another of our columns
        if theirs != ours and there is not None and there not in places.values():
            problems.error(
                f"study.yaml takes {ours} from the column {quoted(theirs)}, but there is a column "
                f"{ours} as well.",
                "Rename or delete one of the two.",
                file=table.file,
                line=1,
            )
    part = config.settings.specimens
    read = {mapping.get(ours, ours): ours for ours in places}
    for name in part.private:
        if name in part.public:
            problems.error(
                f"The column {quoted(name)} is listed as private and as public.",
                "Take it out of one of the two lists.",
                **config.at("specimens", "public"),
            )
        elif name in read:
            problems.error(
                f"The column {quoted(name)} is listed as private, but it is read as {read[name]}, "
                "which the results tell.",
                "Take it out of the list: it is needed."
                if read[name] in _NEEDED
                else "Take it out of the list, or rename the column in the table.",
                **config.at("specimens", "private"),
            )


def _refused(cells: dict[str, str], first: dict[str, int]) -> tuple[str, str] | None:
    """Why a row cannot be used, and what to do, if it cannot."""
    name = cells["specimen"]
    if not name:
        return "The specimen has no name.", "Give each row a name, or delete it."
    for whose in ("specimen", "taxon"):
        if len(cells[whose]) > LONGEST_NAME:
            found = f"The name of the {whose} has {len(cells[whose])} characters; "
            found += f"{LONGEST_NAME} are the most."
            return found, "Give it a shorter name."
    for ours, value in cells.items():
        if any(unicodedata.category(character) in {"Cc", "Zl", "Zp"} for character in value):
            found = f"{ours} is {quoted(value)}, with a control character or line break in it."
            return found, "Type the cell anew."
    if name in first:
        found = f"The specimen stands twice; it is in line {first[name]} already."
        remedy = "Give each specimen one row; repeated digitisations belong in the landmark tables."
        return found, remedy
    return None


def _check_role(role: str, taxon: str, here: Problems) -> None:
    if role not in _ROLES:
        hint = meant(nearest(role, _ROLES))
        remedy = "Write known for a specimen of a known taxon, query for one to be placed."
        found = f"role is {quoted(role)}." if role else "role is blank."
        here.error(found, f"{hint} {remedy}".lstrip())
    elif role == "known" and not taxon:
        here.error("A known specimen without a taxon.", "Name its taxon, or make it a query.")
    elif role == "known" and taxon.casefold() in _NO_TAXON:
        found = f"A known specimen whose taxon is {quoted(taxon)}."
        here.warning(found, "Make it a query if its taxon is not known.")


def _look_alikes(names: Iterable[str]) -> list[list[str]]:
    groups = defaultdict(list)
    for name in dict.fromkeys(names):
        groups[squeezed(name)].append(name)
    return [group for group in groups.values() if len(group) > 1]


def _spelt_out(names: list[str]) -> str:
    if len({unicodedata.normalize("NFC", name) for name in names}) < len(names):
        names = [name.encode("unicode_escape").decode("ascii") for name in names]
    return listed(map(quoted, names))


def _check_names(config: StudyConfig, rows: list[_Row]) -> None:
    here = {cells["specimen"]: told for cells, told in rows}
    for group in _look_alikes(here):
        here[group[-1]].warning(
            f"The specimens {_spelt_out(group)} differ only in capitals, white space or the way "
            "a letter is encoded.",
            "Check that they are different specimens, and rename one.",
        )
    if not any("specimen" in pattern.placeholders for _, pattern in config.patterns):
        return
    by_file: dict[str, str] = {}
    for name in here:
        other = by_file.setdefault(safe_name(name), name)
        if other != name:
            here[name].error(
                f"The specimens {_spelt_out([other, name])} would have the same file name, "
                f"{quoted(safe_name(name))}.",
                "Rename one of them.",
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


def _check_taxa(rows: list[_Row]) -> None:
    counts = Counter(cells["taxon"] for cells, _ in rows if cells["taxon"])
    here = {cells["taxon"]: told.at(specimen=None) for cells, told in reversed(rows)}
    told = set()
    for group in _look_alikes(counts):
        told.update(group)
        rare = min(group, key=lambda taxon: (counts[taxon], taxon))
        here[rare].warning(
            f"The taxa {_spelt_out(sorted(group))} differ only in capitals, white space or the "
            "way a letter is encoded; they are taken for different taxa.",
            "Write one taxon the same way everywhere.",
        )
    if len(counts) > 150:
        return  # that many are no taxa, and the pairs would take long
    for pair in combinations(sorted(counts), 2):
        rare, common = sorted(pair, key=lambda taxon: (counts[taxon], taxon))
        if counts[rare] <= 2 and not {rare, common} <= told and _misspelt(rare, common):
            number = counted(counts[rare], "specimen")
            here[rare].warning(
                f"The taxon {quoted(rare)} ({number}) is written almost like "
                f"{quoted(common)} ({counts[common]}).",
                "Correct it if it is a slip of the pen.",
            )


def _check_formulas(rows: list[_Row]) -> None:
    remedy = (
        "In a spreadsheet open tables.xlsx of the supplement, where it is a text, not the CSV "
        "tables; or rename it."
    )
    taxa: set[str] = set()
    for cells, here in rows:
        specimen, taxon = cells["specimen"], cells["taxon"]
        if specimen.startswith(_FORMULA):
            here.note(
                f"The specimen's name begins with {quoted(specimen[0])}: a spreadsheet takes "
                "this for a formula.",
                remedy,
            )
        if taxon.startswith(_FORMULA) and taxon not in taxa and taxon.casefold() not in _NO_TAXON:
            taxa.add(taxon)
            here.note(
                f"The taxon {quoted(taxon)} begins with {quoted(taxon[0])}: a spreadsheet takes "
                "this for a formula.",
                remedy,
                specimen=None,
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
    rows = _rows(config, table, problems)
    if not table.rows and not problems.errors:
        problems.error("There is no specimen in the table.", "Write one row a specimen.", file=path)
    _check_names(config, rows)
    _check_taxa(rows)
    _check_formulas(rows)
    columns = rows[0][0] if rows else ["specimen", *SPECIMEN_COLUMNS]
    records = sorted((list(cells.values()) for cells, _ in rows), key=lambda cells: cells[0])
    return pd.DataFrame(records, columns=list(columns), dtype=str).set_index("specimen")


def read_specimens(config: StudyConfig) -> pd.DataFrame:
    """Read the specimen table.

    The index ``specimen`` is sorted, so that the order of the rows in the file has no bearing;
    columns are ``taxon``, ``role`` (known or query), ``side`` (left, right or blank), ``stage``,
    then the table's other columns. Everything is text; a blank cell is an empty text.
    """
    problems = Problems(base=config.folder)
    return problems.sound(gather_specimens(config, problems))
