"""The files that the user wrote, without what is private in them."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import yaml

from morpho.study.public_names import PublicNames
from morpho.study.reading.problems import Problems
from morpho.study.reading.schemas import check_against, load_schema
from morpho.study.reading.tables import Table, read_table
from morpho.study.reading.wording import quoted, visible
from morpho.study.reading.yaml_file import read_yaml

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = [
    "PublicInput", "Published", "Secret", "input_files", "private_texts", "public_content",
    "public_inputs", "public_settings", "public_table", "published",
]  # fmt: skip

# Shorter texts stand in names by chance.
_SHORTEST = 4
# Parts of a cell that tells a place: as long as this, or of two words.
_LONG_PART = 8
# Fewer words of a remark may stand anywhere.
_FEWEST_WORDS = 3
_PARTS = re.compile(r"[,;/()\[\]|\n]| [-–—] ")
# A number with so many decimals is a coordinate's, and stands nowhere by chance.
_COORDINATE = re.compile(r"[-+]?\d{1,3}[.,]\d{4,}|\d{6,7}[.,]\d+")


@dataclass(frozen=True)
class PublicInput:
    """An input of the study."""

    kind: str  # specimens, scheme, landmarks or scans
    written: str  # path or pattern as it stands in study.yaml
    path: Path
    content: bytes | Path  # the file anew, if something had to be left out; else the file


@dataclass(frozen=True)
class Published:
    """What is published of tables that have the same columns."""

    kind: Literal["specimens", "landmarks"]
    kept: tuple[str, ...]
    back: tuple[tuple[str, str], ...]  # columns that are kept back, each with why (`privacy.WHY`)
    files: int = 1


def _read(
    config: StudyConfig, kind: Literal["specimens", "landmarks"], path: Path
) -> tuple[Table, dict[str, str]]:
    """A table, and its columns that are kept back."""
    part = config.settings.specimens if kind == "specimens" else config.settings.landmarks
    problems = Problems()
    table = problems.sound(read_table(path, problems, part.delimiter))
    return table, config.kept_back(kind, table.header, table.rows)


def _without_comments(path: Path) -> bytes | Path:
    """A scheme as it is read: comments may tell what no key does."""
    problems = Problems()
    document = problems.sound(read_yaml(path, problems))
    check_against(document, load_schema("scheme"), problems)
    problems.raise_if_errors()
    text = yaml.safe_dump(document.data, sort_keys=False, allow_unicode=True)
    return text.encode()


def public_content(config: StudyConfig, kind: str, path: Path) -> bytes | Path:
    """What may be shown of a file: the file itself, or anew without what must be left out."""
    if kind == "scheme":
        return _without_comments(path)
    if kind not in ("specimens", "landmarks"):
        return path
    return public_table(config, kind, path)[0]  # type: ignore[arg-type]


def public_table(
    config: StudyConfig, kind: Literal["specimens", "landmarks"], path: Path
) -> tuple[bytes | Path, Published]:
    """What may be shown of a table, and which columns that are."""
    table, back = _read(config, kind, path)
    kept = [i for i, name in enumerate(table.header) if name not in back]
    told = Published(kind, tuple(table.header[i] for i in kept), tuple(back.items()))
    if not back:
        return path, told
    text = StringIO()
    rows = csv.writer(text, lineterminator="\n")
    for row in (table.header, *table.rows):
        rows.writerow([row[i] for i in kept])
    return text.getvalue().encode(), told


def input_files(
    config: StudyConfig, kinds: Iterable[str] = ("specimens", "scheme", "landmarks", "scans")
) -> list[tuple[str, str, Path]]:
    """Inputs of the study, each once, with its kind and how study.yaml writes it."""
    found: list[tuple[str, str, Path]] = []
    if (table := config.specimens_file) is not None:
        found.append(("specimens", config.settings.specimens.file, table))
    for element, block in config.settings.elements.items():
        found.append(("scheme", block.scheme, config.scheme_path(element)))
    for kind in ("landmarks", "scans"):
        for element in config.elements:
            for pattern in (pattern for part, pattern in config.patterns if part == kind):
                paths = pattern.files(element=element)
                found += [(kind, pattern.pattern, path) for path in paths]
    once: dict[Path, tuple[str, str, Path]] = {}
    for one in found:
        once.setdefault(one[2], one)
    wanted = set(kinds)
    return [one for one in once.values() if one[0] in wanted]


def public_inputs(config: StudyConfig, *, scans: bool = True) -> list[PublicInput]:
    """List all inputs of a study but study.yaml, each once, with what may be shown of it."""
    kinds = ("specimens", "scheme", "landmarks", *(["scans"] if scans else []))
    return [
        PublicInput(kind, written, path, public_content(config, kind, path))
        for kind, written, path in input_files(config, kinds)
    ]


def published(config: StudyConfig) -> list[Published]:
    """List the columns of all tables that will be published, and those that are kept back."""
    tables = input_files(config, ("specimens", "landmarks"))
    told = [public_table(config, kind, path)[1] for kind, _, path in tables]  # type: ignore[arg-type]
    return [replace(one, files=told.count(one)) for one in dict.fromkeys(told)]


def public_settings(
    config: StudyConfig, names: PublicNames, inputs: Sequence[PublicInput]
) -> dict[str, Any]:
    """Settings that find the inputs by their public names, without what is private."""
    settings = config.settings.plain()
    part = settings["specimens"]
    part["file"] = names.pattern("specimens", part["file"]) or "specimens.csv"
    part["private"], part["public_words"] = [], []
    files = settings["landmarks"]["files"]
    found = [
        names.pattern("landmarks", one) for one in ([files] if isinstance(files, str) else files)
    ]
    # one without files leads nowhere by this name either
    several = [one for one in found if one] or ["landmarks/*"]
    settings["landmarks"]["files"] = several if len(several) > 1 else several[0]
    for element in settings["elements"].values():
        element["scheme"] = names.pattern("scheme", element["scheme"]) or "schemes/none.yaml"
    if "scans" in settings:
        written = settings["scans"]["files"]
        settings["scans"]["files"] = (
            names.pattern("scans", written)
            or f"scans/{{element}}/{{specimen}}{Path(written).suffix or '.ply'}"
        )
    for given in inputs:  # tables written anew have commas
        if given.kind in ("specimens", "landmarks") and isinstance(given.content, bytes):
            settings[given.kind]["delimiter"] = "auto"
    settings["results"] = "results"
    return settings


def _sought(cell: str, why: str) -> set[str]:
    """What of a private cell is looked for elsewhere."""
    told = {cell}
    if why in ("name", "values"):
        parts = (part.strip() for part in _PARTS.split(cell))
        told |= {part for part in parts if len(part) >= _LONG_PART or " " in part}
    if why == "remarks" and len(cell.split()) < _FEWEST_WORDS:
        return set()
    if why == "elevation":
        return set()  # a number that may be any other
    return {
        one
        for one in told
        if (len(one) >= _SHORTEST and any(map(str.isalpha, one))) or _COORDINATE.fullmatch(one)
    }


@dataclass(frozen=True)
class Secret:
    """Where a private text stands: messages tell this in its place, as results keep them."""

    column: str
    path: Path
    line: int

    @property
    def words(self) -> str:
        """Say what it is, without the text."""
        return f"what {quoted(self.column)} holds in line {self.line} of {visible(self.path.name)}"


def private_texts(config: StudyConfig) -> dict[str, Secret]:
    """Texts of the columns that are kept back, each with where it stands first.

    Texts of four characters or more with a letter in them, and coordinates; of a place also the
    parts that a comma or the like divides. Left out are those that a column of ours has as well,
    such as a name of a taxon, and those that study.yaml lists under ``public_words``.
    """
    found: dict[str, Secret] = {}
    allowed = {_level(one) for one in config.settings.specimens.public_words}
    for kind, _, path in input_files(config, ("specimens", "landmarks")):
        table, back = _read(config, kind, path)  # type: ignore[arg-type]
        of_table = getattr(config.settings, kind)
        ours = {of_table.columns.get(name, name) for name in _NAMES[kind]}
        for i, name in enumerate(table.header):
            if name in ours and name not in back:
                allowed |= {_level(row[i]) for row in table.rows}
            for line, row in zip(table.lines, table.rows, strict=True) if name in back else ():
                for text in sorted(_sought(row[i].strip(), back[name])):
                    found.setdefault(text, Secret(name, path, line))
    return {text: where for text, where in found.items() if _level(text) not in allowed}


# Columns whose cells results tell.
_NAMES = {
    "specimens": ("specimen", "taxon", "role", "side", "stage"),
    "landmarks": ("specimen", "element", "replicate", "observer", "landmark"),
}


def _level(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())
