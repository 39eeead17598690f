"""Paths written as patterns: which files there are, and what their names say.

In a pattern ``*`` stands for anything within one name, and ``{element}``, ``{specimen}`` and
``{replicate}`` for values that come from the path. Every other character stands for itself.
"""

from __future__ import annotations

import functools
import glob
import os
import re
import stat
import unicodedata
from collections.abc import Iterable
from itertools import count, takewhile
from pathlib import Path

__all__ = [
    "PLACEHOLDERS", "SCAN_ENDINGS", "PathPattern", "free_name", "no_file",
    "safe_name", "too_long",
]  # fmt: skip

PLACEHOLDERS = ("element", "specimen", "replicate")
SCAN_ENDINGS = (".ply", ".stl", ".obj", ".glb")

# Bytes of one name in a path, on most computers.
_LONGEST = 255
# Bytes that a name of a result keeps of a longer one; more follows, such as an ending.
_KEPT = 160

_TOKEN = re.compile(r"\{([^{}]*)\}|(\*+)")
_NO_FILES = {
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


def safe_name(name: str) -> str:
    """Turn a specimen's name into a name that a file can have anywhere.

    It is one part of a path: no separator, no reserved or control character, never ``.`` or ``..``
    and never hidden.

    Examples
    --------
    >>> safe_name("A/12: left?")
    'A_12_ left_'
    >>> safe_name("..")
    '_.'
    """
    safe = "".join(
        "_" if character in '/\\:*?"<>|' or unicodedata.category(character) == "Cc" else character
        for character in unicodedata.normalize("NFC", name)
    )
    if safe.startswith(".") or not safe:
        safe = "_" + safe[1:]
    return safe


def too_long(written: str) -> str:
    """Find the part of a path that is longer than most computers allow; blank if none is."""
    parts = re.split(r"[/\\]", written)
    return next((part for part in parts if len(os.fsencode(part)) > _LONGEST), "")


def no_file(path: Path | str) -> str:
    """Say what a path leads to, if it is no file that can be read to its end.

    Blank for a file, for a folder, and where there is nothing.
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return "a link to what is not there" if os.path.islink(path) else ""
    return _NO_FILES.get(stat.S_IFMT(mode), "")


class PathPattern:
    """A pattern of paths, absolute or below a folder.

    Examples
    --------
    >>> pattern = PathPattern("landmarks/{element}/{specimen}.csv", Path("/study"))
    >>> pattern.values(Path("/study/landmarks/atlas/A_1.csv"))
    {'element': 'atlas', 'specimen': 'A_1'}
    """

    def __init__(self, pattern: str, folder: Path) -> None:
        self.pattern = pattern
        names = (match[1] for match in _TOKEN.finditer(pattern) if match[1] is not None)
        self.placeholders = tuple(dict.fromkeys(names))
        whole = os.path.normpath(os.path.join(folder, pattern))
        above, rest = "", whole
        if not os.path.isabs(pattern):
            # the folder itself may have braces or stars in its name: only the pattern is read
            around = os.path.commonpath([folder, whole])
            above, rest = around.rstrip(os.sep) + os.sep, os.path.relpath(whole, around)
        kinds = ("text", "value", "star")
        parts = enumerate(_TOKEN.split(rest))
        self._parts = [("text", above), *((kinds[i % 3], p) for i, p in parts if p is not None)]

    @property
    def unknown(self) -> tuple[str, ...]:
        """Placeholders that mean nothing."""
        return tuple(name for name in self.placeholders if name not in PLACEHOLDERS)

    @property
    def fixed_folder(self) -> Path:
        """The folder that all its files lie in or below."""
        texts = takewhile(lambda part: part[0] == "text", self._parts)
        return Path(os.path.dirname("".join(text for _, text in texts)))

    def _glob(self, known: dict[str, str], any_case: bool = False) -> str:
        written = _caseless if any_case else glob.escape
        return "".join(
            written(text) if kind == "text" else glob.escape(known[text]) if text in known else "*"
            for kind, text in self._parts
        )

    @functools.cached_property
    def _regex(self) -> re.Pattern[str]:
        result, used = "", set()
        for kind, text in self._parts:
            if kind == "text":
                result += re.escape(text)
            elif kind == "star":
                result += r"[^/\\]*"
            elif text in used:
                result += f"(?P={text})"
            elif text.isidentifier():
                used.add(text)
                result += rf"(?P<{text}>[^/\\]+?)"
            else:
                result += r"[^/\\]+"
        return re.compile(result + r"\Z", re.DOTALL)

    def values(self, path: Path) -> dict[str, str] | None:
        """Read the placeholders' values from a path; None if it does not fit the pattern."""
        match = self._regex.match(os.path.normpath(path))
        return None if match is None else match.groupdict()

    def files(self, **known: str) -> list[Path]:
        """List the files that fit and are not hidden; some placeholders may be settled."""
        found = [
            (path, self.values(path)) for path in _there(self._glob(known)) if os.path.isfile(path)
        ]
        return [
            path
            for path, values in found
            if values is not None and all(values.get(key, v) == v for key, v in known.items())
        ]

    def no_files(self, **known: str) -> list[tuple[Path, str]]:
        """List what fits but is no file that can be read, such as a pipe, each with what it is."""
        found = [(path, no_file(path)) for path in _there(self._glob(known))]
        return [(path, what) for path, what in found if what and self.values(path) is not None]

    def beside(self, **known: str) -> list[Path]:
        """List all files of the folders that the pattern points to, whether they fit or not."""
        beside = os.path.join(os.path.dirname(self._glob(known)), "*")
        return [path for path in _there(beside) if os.path.isfile(path)]

    def near_misses(self, **known: str) -> list[Path]:
        """List files that would fit only if capitals and small letters were the same."""
        fitting = set(self.files(**known))
        loose = re.compile(self._regex.pattern, re.DOTALL | re.IGNORECASE)
        return [
            path
            for path in _there(self._glob(known, any_case=True))
            if os.path.isfile(path) and path not in fitting and loose.match(str(path))
        ]


def _there(pattern: str) -> list[Path]:
    try:
        return sorted(map(Path, glob.glob(pattern)))
    except (OSError, ValueError):  # no path at all, as it is too long or has a NUL in it
        return []


def _caseless(text: str) -> str:
    if os.path.isabs(text):  # the part that lies above the pattern is taken as it is
        return glob.escape(text)
    return "".join(
        f"[{c.lower()}{c.upper()}]"
        if c.isalpha() and len(c.lower() + c.upper()) == 2
        else glob.escape(c)
        for c in text
    )


def free_name(name: str, taken: Iterable[str]) -> str:
    """A name that a file can have beside others, also where capitals are not told apart.

    A long one is cut.

    Examples
    --------
    >>> free_name("mean_A/B", ["mean_a_b"])
    'mean_A_B_2'
    """
    safe, others = (
        safe_name(name).encode()[:_KEPT].decode(errors="ignore"),
        {other.casefold() for other in taken},
    )
    if safe.casefold() not in others:
        return safe
    return next(f"{safe}_{i}" for i in count(2) if f"{safe}_{i}".casefold() not in others)
