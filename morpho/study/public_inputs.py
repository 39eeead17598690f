"""The files that the user wrote, without what is private in them."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table, read_table

if TYPE_CHECKING:
    from morpho.study.settings.blocks import Landmarks, Specimens
    from morpho.study.settings.config import StudyConfig

__all__ = ["PublicInput", "private_words", "public_content", "public_inputs"]

# Columns of ours that a table may hold under another name, and that are read from it.
_OURS = {
    "specimens": ("specimen", "taxon", "role", "side", "stage"),
    "landmarks": (
        "specimen", "element", "replicate", "observer", "landmark", "x", "y", "z",
    ),
}  # fmt: skip

# Shorter words stand in names by chance.
_SHORTEST = 4


@dataclass(frozen=True)
class PublicInput:
    """An input of the study."""

    kind: str  # specimens, scheme, landmarks or scans
    written: str  # path or pattern as it stands in study.yaml
    path: Path
    content: bytes | Path  # the table anew, if columns had to be left out; else the file


def _read(path: Path, delimiter: str) -> Table:
    problems = Problems()
    table = read_table(path, problems, delimiter)
    problems.raise_if_errors()
    if table is None:  # cannot be: without errors there is a table
        raise ValueError(f"{path} could not be read")
    return table


def _described(config: StudyConfig, kind: str) -> Specimens | Landmarks:
    settings = config.settings
    return settings.specimens if kind == "specimens" else settings.landmarks


def _private(config: StudyConfig, kind: str, table: Table) -> set[str]:
    """Private columns of a table; what is read as a column of ours is public already."""
    mapping: Mapping[str, str] = _described(config, kind).columns
    needed = {mapping.get(ours, ours) for ours in _OURS[kind]}
    return set(config.private_columns(table.header)) - needed


def public_content(config: StudyConfig, kind: str, path: Path) -> bytes | Path:
    """What may be shown of a file: the file itself, or a table anew if columns must be left out."""
    if kind not in _OURS:
        return path
    table = _read(path, _described(config, kind).delimiter)
    private = _private(config, kind, table)
    if not private:
        return path
    kept = [i for i, column in enumerate(table.header) if column not in private]
    text = StringIO()
    rows = csv.writer(text, lineterminator="\n")
    for row in (table.header, *table.rows):
        rows.writerow([row[i] for i in kept])
    return text.getvalue().encode()


def public_inputs(config: StudyConfig, *, scans: bool = True) -> list[PublicInput]:
    """List all inputs of a study but study.yaml, each once, with what may be shown of it."""
    found: dict[Path, PublicInput] = {}

    def add(kind: str, written: str, path: Path, content: bytes | Path) -> None:
        found.setdefault(path, PublicInput(kind, written, path, content))

    table = config.specimens_file
    if table is not None:
        written = config.settings.specimens.file
        add("specimens", written, table, public_content(config, "specimens", table))
    for element in config.elements:
        path = config.scheme_path(element)
        add("scheme", config.settings.elements[element].scheme, path, path)
    for element in config.elements:
        for pattern in config.landmark_patterns:
            for path in pattern.files(element=element):
                if path not in found:
                    add(
                        "landmarks",
                        pattern.pattern,
                        path,
                        public_content(config, "landmarks", path),
                    )
    pattern_of_scans = config.scan_pattern
    if scans and pattern_of_scans is not None:
        for element in config.elements:
            for path in pattern_of_scans.files(element=element):
                add("scans", pattern_of_scans.pattern, path, path)
    return list(found.values())


def private_words(config: StudyConfig) -> set[str]:
    """Texts in private columns of the specimen table: of four characters or more, with a letter."""
    path = config.specimens_file
    if path is None:
        return set()
    table = _read(path, config.settings.specimens.delimiter)
    places = [
        i for i, name in enumerate(table.header) if name in _private(config, "specimens", table)
    ]
    cells = {row[i].strip() for row in table.rows for i in places}
    return {cell for cell in cells if len(cell) >= _SHORTEST and any(map(str.isalpha, cell))}
