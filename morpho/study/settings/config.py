"""study.yaml: read, checked against its schema, and made ready for use.

Light on purpose (standard library, yaml, and jsonschema when called): the workflow imports it
each time it is started.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal

from morpho.study.reading.paths import PLACEHOLDERS, SCAN_ENDINGS, PathPattern, safe_name, too_long
from morpho.study.reading.problems import Problems, Where
from morpho.study.reading.schemas import check_against, without
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.study.reading.yaml_file import Document, KeyPath, read_yaml
from morpho.study.settings import privacy
from morpho.study.settings.blocks import Landmarks, Settings, Specimens
from morpho.study.settings.schema import study_schema
from morpho.wording import listed

__all__ = ["RESERVED", "StudyConfig", "gather_config", "read_config"]

# Folders of the results that belong to the study as a whole: no element may be called so.
RESERVED = ("benchmarks", "figures", "history", "logs", "records", "supplement", "tables")


@dataclass(frozen=True)
class StudyConfig:
    """A study as its study.yaml describes it; all paths are absolute."""

    path: Path  # the study.yaml
    folder: Path  # its folder, which all paths in it are relative to
    results: Path
    elements: tuple[str, ...]  # in the order written
    settings: Settings = field(hash=False)  # with defaults filled in
    lines: dict[KeyPath, int] = field(default_factory=dict, hash=False, repr=False, compare=False)

    def absolute(self, written: str) -> Path:
        """Make a path of study.yaml absolute, without ``..``."""
        return Path(os.path.normpath(os.path.join(self.folder, written)))

    def line(self, *keys: str | int) -> int | None:
        """Find the line of a key in study.yaml."""
        return Document(self.path, None, self.lines).line(*keys)

    def at(self, *keys: str | int) -> Where:
        """Say where a key of study.yaml stands."""
        return {"file": self.path, "line": self.line(*keys)}

    @property
    def specimens_file(self) -> Path | None:
        """The specimen table."""
        written = self.settings.specimens.file
        return self.absolute(written) if written else None

    def scheme_path(self, element: str) -> Path:
        """Find an element's scheme."""
        return self.absolute(self.settings.elements[element].scheme)

    @property
    def landmark_patterns(self) -> list[PathPattern]:
        """The patterns of the landmark tables."""
        files = self.settings.landmarks.files
        written = [files] if isinstance(files, str) else files
        return [PathPattern(pattern, self.folder) for pattern in written]

    @property
    def scan_pattern(self) -> PathPattern | None:
        """The pattern of the scans; None in a study without them."""
        part = self.settings.scans
        return PathPattern(part.files, self.folder) if part else None

    @property
    def patterns(self) -> list[tuple[str, PathPattern]]:
        """All patterns of study.yaml, each with the block that it stands in."""
        scans = [] if self.scan_pattern is None else [("scans", self.scan_pattern)]
        return [*(("landmarks", pattern) for pattern in self.landmark_patterns), *scans]

    def landmark_files(self, element: str) -> list[Path]:
        """List the landmark tables that may hold rows of an element."""
        return sorted({path for p in self.landmark_patterns for path in p.files(element=element)})

    def scan_files(self, element: str, specimen: str) -> list[Path]:
        """List the scans of one specimen's element; several only if the pattern has a star."""
        pattern = self.scan_pattern
        if pattern is None:
            return []
        safe = safe_name(specimen)
        for form in dict.fromkeys((safe, unicodedata.normalize("NFD", safe))):
            found = pattern.files(element=element, specimen=form)
            if found:
                return [path for path in found if path.suffix.lower() in SCAN_ENDINGS]
        return []

    def scan_file(self, element: str, specimen: str) -> Path | None:
        """Find the scan of one specimen's element."""
        return next(iter(self.scan_files(element, specimen)), None)

    def scan_units(self, element: str, specimen: str) -> str:
        """Find the unit of one specimen's scan: its own, or that of all scans."""
        part = self.settings.scans
        if part is None:
            raise LookupError("a study without scans has no unit of scans")
        return part.units_of.get(element, {}).get(specimen, part.units)

    def kept_back(
        self,
        kind: Literal["specimens", "landmarks"],
        columns: Sequence[str],
        rows: Sequence[Sequence[str]],
    ) -> dict[str, str]:
        """Find the columns of a table that must not reach results or archive, and why.

        Those that are read as columns of ours do, unless they are listed as private.
        """
        part, of_table = self.settings.specimens, getattr(self.settings, kind)
        ours = _ours(Specimens if kind == "specimens" else Landmarks)
        return privacy.kept_back(
            columns,
            rows,
            private=part.private,
            public=part.public,
            ours={*ours, *(of_table.columns.get(name, name) for name in ours)},
        )


def _check_patterns(config: StudyConfig, problems: Problems) -> None:
    needed = ("specimen", "element") if len(config.elements) > 1 else ("specimen",)
    if (scans := config.scan_pattern) is not None:
        for name in (name for name in needed if name not in scans.placeholders):
            problems.error(
                f"scans.files does not say where the {name} stands in the path.",
                f"Put {{{name}}} into it, as in scans/{{element}}/{{specimen}}.ply.",
                **config.at("scans", "files"),
            )
    for part, pattern in config.patterns:
        for name in pattern.unknown:
            problems.error(
                f"{part}.files has {quoted('{' + name + '}')} in it, which means nothing.",
                meant(nearest(name, PLACEHOLDERS), "{{{}}}".format)
                or "Known are {element}, {specimen} and {replicate}; * stands for anything.",
                **config.at(part, "files"),
            )


def _ours(kind: type[Specimens | Landmarks]) -> tuple[str, ...]:
    """Columns that are read from a table."""
    about = next(one for one in fields(kind) if one.name == "columns")
    return tuple(about.metadata["keys"])


def _too_long(data: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    """Find the paths with a name in them that no file can have, each with that name."""
    elements, files = data.get("elements", {}), data.get("landmarks", {}).get("files", "")
    written: dict[KeyPath, str] = {
        ("results",): data.get("results", ""),
        ("specimens", "file"): data.get("specimens", {}).get("file", ""),
        ("scans", "files"): data.get("scans", {}).get("files", ""),
        **{("elements", name, "scheme"): one["scheme"] for name, one in elements.items()},
        **(
            {("landmarks", "files"): files}
            if isinstance(files, str)
            else {("landmarks", "files", i): one for i, one in enumerate(files)}
        ),
    }
    for path, text in written.items():
        if name := too_long(text):
            yield path, name


def _taken_twice(data: dict[str, Any]) -> Iterator[tuple[KeyPath, str, str]]:
    """Find the columns of a table from which two of ours would be read.

    Of each the path of its key, the other of ours, and the column.
    """
    for part, kind in (("specimens", Specimens), ("landmarks", Landmarks)):
        given: dict[str, str] = data.get(part, {}).get("columns", {})
        first = {ours: ours for ours in _ours(kind) if ours not in given}
        for ours, theirs in given.items():
            other = first.setdefault(theirs, ours)
            if other != ours:
                yield (part, "columns", ours), other, theirs


def _unusable(document: Document, data: dict[str, Any], problems: Problems) -> set[KeyPath]:
    """Tell and give the keys that agree with the schema and cannot be used all the same."""
    bad: set[KeyPath] = set()
    for path, name in _too_long(data):
        bad.add(path)
        problems.error(
            f"There is a name of {len(name)} characters in this path, {quoted(name)}; no file can "
            "have it.",
            "Put the path right.",
            file=document.file,
            line=document.line(*path),
        )
    for path, other, column in _taken_twice(data):
        bad.add(path)
        part, _, ours = path
        problems.error(
            f"{part}.columns takes both {other} and {ours} from the column {quoted(column)}.",
            f"Give each its own column; the one that holds {other} is written under {part}: "
            f"columns: {other}.",
            file=document.file,
            line=document.line(*path),
        )
    return bad


def _within(path: Path | str, folder: Path) -> bool:
    real, around = os.path.realpath(path), os.path.realpath(folder)
    return real == around or real.startswith(around.rstrip(os.sep) + os.sep)


def _inputs_within(config: StudyConfig) -> list[str]:
    """Name the keys of study.yaml whose files lie, or would be looked for, in the results."""
    results = config.results
    paths = {f"elements.{name}.scheme": config.scheme_path(name) for name in config.elements}
    if config.specimens_file is not None:
        paths["specimens.file"] = config.specimens_file
    found = [key for key, path in paths.items() if _within(path, results)]
    for part, pattern in config.patterns:
        there = [path for element in config.elements for path in pattern.files(element=element)]
        made = pattern.values(results / "check.csv")
        if any(_within(path, results) for path in (pattern.fixed_folder, *there)) or (
            made is not None and made.get("element") in {None, *config.elements}
        ):
            found.append(f"{part}.files")
    return list(dict.fromkeys(found))


def _check_folders(config: StudyConfig, problems: Problems) -> None:
    here, written = problems.at(**config.at("results")), quoted(config.settings.results)
    if config.results == config.folder or config.results in config.folder.parents:
        here.error(
            f"results is {written}, a folder that holds the study itself.",
            "Give the results a folder of their own, such as results.",
        )
    elif held := _inputs_within(config):
        here.error(
            f"results is {written}, a folder in which inputs of the study are looked for "
            f"({listed(held)}).",
            "Give the results a folder of their own, such as results: files that the workflow "
            "writes would be taken for yours.",
        )
    by_look: dict[str, str] = {}
    for element in config.elements:
        here = problems.at(**config.at("elements", element))
        if element.casefold() in RESERVED:
            here.error(
                f"An element cannot be called {element}: the results keep a folder of this name "
                "for the study as a whole.",
                f"Give it another name, such as {element}_bone, here and in the landmark tables.",
            )
        other = by_look.setdefault(element.casefold(), element)
        if other != element:
            here.error(
                f"The elements {other} and {element} differ only in capitals.",
                "Rename one: on many computers their result folders would be the same.",
            )


def _sound(path: Path, data: dict[str, Any], bad: set[KeyPath]) -> dict[str, Any]:
    """Leave out what is bad, and what that leaves without something that it needs."""
    while bad - {()}:
        data = without(data, bad)
        bad = check_against(Document(path, data), study_schema(), Problems())
    return data


def gather_config(path: Path | str, problems: Problems) -> StudyConfig | None:
    """Read study.yaml, telling every problem and keeping what can be used.

    None if the file cannot be read at all. If there were errors, what they concern is left out (or
    has its default), so that the other files can still be checked.
    """
    path = Path(os.path.abspath(path))
    if os.path.isdir(path):
        path = path / "study.yaml"
    if problems.base is None:
        problems.base = path.parent
    document = read_yaml(path, problems, for_engine=True)
    if document is None:
        return None
    bad = check_against(document, study_schema(), problems)
    data = document.data if isinstance(document.data, dict) else {}
    data = _sound(path, data, bad)
    if unusable := _unusable(document, data, problems):
        data = _sound(path, data, unusable)
    settings = Settings.of(data)
    config = StudyConfig(
        path=path,
        folder=path.parent,
        results=Path(os.path.normpath(os.path.join(path.parent, settings.results))),
        elements=tuple(settings.elements),
        settings=settings,
        lines=document.lines,
    )
    _check_patterns(config, problems)
    _check_folders(config, problems)
    return config


def read_config(path: Path | str) -> StudyConfig:
    """Read study.yaml, given itself or by its folder."""
    problems = Problems()
    return problems.sound(gather_config(path, problems))
