"""Short digests of what a result depends on, so that nothing else makes the workflow run again.

Light on purpose (standard library and yaml): the workflow calls this each time it is started.
"""

from __future__ import annotations

import hashlib
import json
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import yaml

from morpho.study.reading.paths import safe_name
from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import Table, read_table
from morpho.study.settings.config import StudyConfig

__all__ = ["element_digest", "yaml_digest"]


def _short(parts: Any) -> str:
    text = json.dumps(parts, ensure_ascii=True, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _bytes(path: Path | None) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() if path else "absent"
    except (OSError, ValueError):
        return "absent"


# the one that is written in C, where it is there
_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def _said(node: yaml.Node | None) -> Any:
    """What a node says, by kind and text: yes and true are not the same to every reader."""
    if node is None:
        return None
    if isinstance(node, yaml.MappingNode):
        return [node.tag, [[_said(key), _said(value)] for key, value in node.value]]
    if isinstance(node, yaml.SequenceNode):
        return [node.tag, [_said(one) for one in node.value]]
    return [node.tag, node.value]


def yaml_digest(path: Path) -> str:
    """Digest what a YAML file says, whatever its comments and layout.

    Of its bytes where it cannot be read, and 'absent' where it is not there.
    """
    whole = _bytes(path)
    if whole == "absent":
        return whole
    try:
        said = json.dumps(_said(yaml.compose(path.read_bytes(), Loader=_Loader)))
    except (yaml.YAMLError, ValueError, RecursionError):
        said = whole
    return _short(said)


def _table(path: Path | None, delimiter: str) -> Table | None:
    """Read a table that has nothing wrong with it."""
    if path is None:
        return None
    problems = Problems()
    table = read_table(path, problems, delimiter)
    return None if problems.errors else table


def _place(table: Table, ours: str, mapping: dict[str, str]) -> int | None:
    theirs = mapping.get(ours, ours)
    return table.header.index(theirs) if theirs in table.header else None


def _forms(name: str) -> set[str]:
    return {unicodedata.normalize("NFC", name), safe_name(name)}


def _landmark_parts(config: StudyConfig, element: str) -> tuple[set[str] | None, list[Any]]:
    """Find the specimens digitised in an element, and its rows in the files that elements share.

    The specimens are None where they cannot be told.
    """
    part = config.settings.landmarks
    mapping = part.columns
    names: set[str] | None = set()
    shared: list[Any] = []
    patterns = config.landmark_patterns
    for path in config.landmark_files(element):
        pattern = next(p for p in patterns if p.values(path) is not None)
        told = pattern.values(path) or {}
        own = "element" in told or len(config.elements) == 1
        if own and "specimen" in told:
            names = None if names is None else names | _forms(told["specimen"])
            continue
        table = _table(path, part.delimiter)
        place = None if table is None else _place(table, "specimen", mapping)
        which = None if table is None else _place(table, "element", mapping)
        if (
            table is None
            or (place is None and "specimen" not in told)
            or (which is None and not own)
        ):
            names = None
            shared.append(_bytes(path))
            continue
        for row in table.rows:
            if not own and which is not None and row[which].strip() != element:
                continue
            name = row[place].strip() if place is not None else ""
            if names is not None:
                names |= _forms(name or told.get("specimen", ""))
            if not own:
                shared.append([path.name, *zip(table.header, map(str.strip, row), strict=True)])
    return names, shared


def _specimen_rows(
    config: StudyConfig, names: set[str] | None
) -> Iterator[list[tuple[str, str]] | str]:
    path = config.specimens_file
    part = config.settings.specimens
    table = _table(path, part.delimiter)
    place = None if table is None else _place(table, "specimen", part.columns)
    if table is None or place is None or names is None:
        yield _bytes(path)
        return
    private = config.kept_back("specimens", table.header, table.rows)
    for row in table.rows:
        if _forms(row[place].strip()) & names:
            cells = zip(table.header, map(str.strip, row), strict=True)
            yield sorted(cell for cell in cells if cell[0] not in private)


def element_digest(config: StudyConfig, element: str) -> str:
    """Digest what an element uses of the files that it shares with others.

    Those are the rows of the specimen table for the specimens digitised in this element (without
    private columns), the element's scheme, and its rows in landmark tables whose path does not
    say the element. Landmark tables of its own are inputs of the workflow and not counted here.

    The order of rows and columns makes no difference; a specimen that has only other elements makes
    none. A file that cannot be read counts by its bytes, and nothing is raised.
    """
    names: set[str] | None = None
    shared: list[Any] = []
    if config.settings.landmarks.files:
        names, shared = _landmark_parts(config, element)
    return _short(
        {
            "specimens": _sorted(_specimen_rows(config, names)),
            "scheme": yaml_digest(config.scheme_path(element)),
            "landmarks": _sorted(shared),
        }
    )


def _sorted(parts: Iterable[Any]) -> list[str]:
    return sorted(json.dumps(part, ensure_ascii=True) for part in parts)
