"""The files that the user wrote, without what is private in them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table, read_table

if TYPE_CHECKING:
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


def _read(config: StudyConfig, kind: str, path: Path) -> tuple[Table, set[int]]:
    """A table, and its private columns; what is read as a column of ours is public already."""
    part = config.settings.specimens if kind == "specimens" else config.settings.landmarks
    problems = Problems()
    table = problems.sound(read_table(path, problems, part.delimiter))
    needed = {part.columns.get(ours, ours) for ours in _OURS[kind]}
    private = set(config.private_columns(table.header)) - needed
    return table, {i for i, name in enumerate(table.header) if name in private}


def public_content(config: StudyConfig, kind: str, path: Path) -> bytes | Path:
    """What may be shown of a file: the file itself, or a table anew if columns must be left out."""
    if kind not in _OURS:
        return path
    table, private = _read(config, kind, path)
    if not private:
        return path
    kept = [i for i in range(len(table.header)) if i not in private]
    text = StringIO()
    rows = csv.writer(text, lineterminator="\n")
    for row in (table.header, *table.rows):
        rows.writerow([row[i] for i in kept])
    return text.getvalue().encode()


def public_inputs(config: StudyConfig, *, scans: bool = True) -> list[PublicInput]:
    """List all inputs of a study but study.yaml, each once, with what may be shown of it."""
    found: list[tuple[str, str, Path]] = []
    if (table := config.specimens_file) is not None:
        found.append(("specimens", config.settings.specimens.file, table))
    for element, block in config.settings.elements.items():
        found.append(("scheme", block.scheme, config.scheme_path(element)))
    for kind in ("landmarks", "scans") if scans else ("landmarks",):
        for element in config.elements:
            for pattern in (pattern for part, pattern in config.patterns if part == kind):
                paths = pattern.files(element=element)
                found += [(kind, pattern.pattern, path) for path in paths]
    once: dict[Path, tuple[str, str, Path]] = {}
    for one in found:
        once.setdefault(one[2], one)
    return [
        PublicInput(kind, written, path, public_content(config, kind, path))
        for kind, written, path in once.values()
    ]


def private_words(config: StudyConfig) -> set[str]:
    """Texts in private columns of the specimen table: of four characters or more, with a letter."""
    path = config.specimens_file
    if path is None:
        return set()
    table, places = _read(config, "specimens", path)
    cells = {row[i].strip() for row in table.rows for i in places}
    return {cell for cell in cells if len(cell) >= _SHORTEST and any(map(str.isalpha, cell))}
