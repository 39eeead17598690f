"""Names of the user's files for page, archive and record: no folder's name gets there.

A folder may be called after a site, or a person. Of a pattern only what it reads from a path is
left, the values of its placeholders; folders that it passes over are numbered.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.reading.paths import PathPattern

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["PublicNames"]

_TOKEN = re.compile(r"\{([^{}]*)\}|\*+")
_FOLDERS = {"specimens": "", "scheme": "schemes", "landmarks": "landmarks", "scans": "scans"}


def _free(name: str, taken: Iterable[str]) -> str:
    """The name, or with a number before its ending where it is taken already."""
    others, found, number = {one.casefold() for one in taken}, name, 1
    stem, ending = os.path.splitext(name)
    while found.casefold() in others:
        number += 1
        found = f"{stem}_{number}{ending}"
    return found


class PublicNames:
    """Names of inputs, with forward slashes, and the patterns of study.yaml that find them so.

    Inputs are given by kind, how study.yaml writes them, and path.
    """

    def __init__(self, config: StudyConfig, inputs: Iterable[tuple[str, str, Path]]) -> None:
        self.config = config
        self._names: dict[Path, str] = {}
        self._patterns: dict[tuple[str, str], str] = {}
        groups: dict[tuple[str, str], list[Path]] = {}
        for kind, written, path in inputs:
            groups.setdefault((kind, written), []).append(path)
        for (kind, written), paths in groups.items():
            if kind in ("specimens", "scheme"):
                name = "/".join(part for part in (_FOLDERS[kind], paths[0].name) if part)
                name = _free(name, {*self._names.values(), "study.yaml"})
                self._names[paths[0]] = self._patterns[kind, written] = name
            else:
                tops = {one.split("/")[0] for one in self._patterns.values()}
                self._of_pattern(kind, written, paths, _free(_FOLDERS[kind], tops))

    def _of_pattern(self, kind: str, written: str, paths: list[Path], top: str) -> None:
        pattern = PathPattern(written, self.config.folder)
        whole = os.path.normpath(os.path.join(self.config.folder, written))
        around = os.sep
        if not os.path.isabs(written):
            around = os.path.commonpath([self.config.folder, whole])
        folders = os.path.relpath(whole, around).split(os.sep)[:-1]
        # of each folder of the pattern: placeholders that are new in it, and whether it has a star
        read: list[tuple[list[str], bool]] = []
        seen: set[str] = set()
        for folder in folders:
            tokens = [match[1] for match in _TOKEN.finditer(folder)]
            new = [one for one in dict.fromkeys(tokens) if one is not None and one not in seen]
            seen.update(new)
            read.append((new, None in tokens))
        numbers: dict[tuple[str, ...], int] = {}
        for path in sorted(paths):
            there = path.parts[-len(folders) - 1 :]
            values, parts = pattern.values(path) or {}, [top]
            for depth, (new, star) in enumerate(read):
                parts += [values.get(one, one) for one in new]
                if star:
                    above = there[: depth + 1]
                    beside = [key for key in numbers if key[:-1] == above[:-1]]
                    parts.append(str(numbers.setdefault(above, len(beside) + 1)))
            self._names[path] = "/".join((*parts, path.name))
        steps = [top]
        for new, star in read:
            steps += [f"{{{one}}}" for one in new] + ["*"] * star
        self._patterns[kind, written] = "/".join((*steps, os.path.basename(whole)))

    def pattern(self, kind: str, written: str) -> str | None:
        """Path or pattern that finds the inputs by these names; None where there are none."""
        return self._patterns.get((kind, written))

    def name(self, path: Path) -> str:
        """Name of an input, of study.yaml or of a folder of theirs; blank for anything else."""
        if path == self.config.path:
            return "study.yaml"
        if path in self._names:
            return self._names[path]
        for known, name in self._names.items():
            if path in known.parents:
                below = len(known.relative_to(path).parts)
                return "/".join(name.split("/")[:-below])
        return ""

    def without_folders(self, text: str) -> str:
        """A text in which inputs are called by these names instead of their paths."""
        for path, name in self._names.items():
            shown = Path(os.path.relpath(path, self.config.folder)).as_posix()
            if shown != name:
                text = text.replace(shown, name)
        return text
