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
from itertools import count
from pathlib import Path

__all__ = ["PLACEHOLDERS", "SCAN_ENDINGS", "PathPattern", "free_name", "no_file", "safe_name"]

PLACEHOLDERS = ("element", "specimen", "replicate")
SCAN_ENDINGS = (".ply", ".stl", ".obj", ".glb")

_TOKEN = re.compile(r"\{([^{}]*)\}|(\*+)")


def safe_name(name: str) -> str:
    """Turn a specimen's name into a name that a file can have anywhere.

    Returns
    -------
    str
        One part of a path: no separator, no reserved or control character, never ``.`` or ``..``
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


def no_file(path: Path | str) -> str:
    """Say what a path leads to, if it is no file that can be read to its end.

    Returns
    -------
    str
        A phrase such as ``a pipe``; blank for a file, for a folder, and where there is nothing.
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return "a link to what is not there" if os.path.islink(path) else ""
    for test, phrase in (
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
    ):
        if test(mode):
            return phrase
    return ""


class PathPattern:
    """A pattern of paths below a folder.

    Parameters
    ----------
    pattern : str
        As written in study.yaml; relative to the folder, or absolute.
    folder : pathlib.Path

    Examples
    --------
    >>> pattern = PathPattern("landmarks/{element}/{specimen}.csv", Path("/study"))
    >>> pattern.values(Path("/study/landmarks/atlas/A_1.csv"))
    {'element': 'atlas', 'specimen': 'A_1'}
    """

    def __init__(self, pattern: str, folder: Path) -> None:
        self.pattern = pattern
        self.folder = folder
        self._whole = os.path.normpath(os.path.join(folder, pattern))
        self.placeholders = tuple(
            dict.fromkeys(m.group(1) for m in _TOKEN.finditer(pattern) if m.group(1) is not None)
        )

    @property
    def unknown(self) -> tuple[str, ...]:
        """Placeholders that mean nothing."""
        return tuple(name for name in self.placeholders if name not in PLACEHOLDERS)

    @property
    def fixed_folder(self) -> Path:
        """The folder that all its files lie in or below."""
        fixed = ""
        for kind, text in self._split():
            if kind != "text":
                break
            fixed += text
        return Path(os.path.dirname(fixed))

    def _split(self) -> list[tuple[str, str]]:
        # the folder itself may have braces or stars in its name, so only the pattern is read
        parts: list[tuple[str, str]] = []
        relative = os.path.relpath(self._whole, self.folder)
        if os.path.isabs(self.pattern):
            relative = self._whole
        else:
            steps = relative.replace(os.sep, "/").split("/")
            up = 0
            while up < len(steps) and steps[up] == "..":
                up += 1
            base = os.path.normpath(os.path.join(self.folder, *([".."] * up)))
            parts.append(("text", base.rstrip(os.sep) + os.sep))
            relative = os.sep.join(steps[up:])
        start = 0
        for match in _TOKEN.finditer(relative):
            if match.start() > start:
                parts.append(("text", relative[start : match.start()]))
            if match.group(1) is None:
                parts.append(("star", "*"))
            else:
                parts.append(("value", match.group(1)))
            start = match.end()
        parts.append(("text", relative[start:]))
        return parts

    def _glob(self, known: dict[str, str], any_case: bool = False) -> str:
        result = ""
        for kind, text in self._split():
            if kind == "value" and text in known:
                result += glob.escape(known[text])
            elif kind == "text":
                result += _caseless(text, self.folder) if any_case else glob.escape(text)
            else:
                result += "*"
        return result

    @functools.cached_property
    def _regex(self) -> re.Pattern[str]:
        result, used = "", set()
        for kind, text in self._split():
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
        """Read the placeholders' values from a path.

        Returns
        -------
        dict of str or None
            By placeholder; None if the path does not fit the pattern.
        """
        match = self._regex.match(os.path.normpath(path))
        return None if match is None else match.groupdict()

    def files(self, **known: str) -> list[Path]:
        """List the files that fit.

        Parameters
        ----------
        **known : str
            Placeholders whose value is settled, such as ``element="atlas"``.

        Returns
        -------
        list of pathlib.Path
            Sorted; hidden files and folders are left out.
        """
        found = []
        for name in glob.glob(self._glob(known)):
            path = Path(name)
            values = self.values(path)
            if values is None or not os.path.isfile(path):
                continue
            if all(values.get(key, value) == value for key, value in known.items()):
                found.append(path)
        return sorted(found)

    def no_files(self, **known: str) -> list[tuple[Path, str]]:
        """List what fits but is no file that can be read: pipes, links that lead nowhere.

        Parameters
        ----------
        **known : str
            As in `files`.

        Returns
        -------
        list of (pathlib.Path, str)
            Sorted, each with what it is.
        """
        paths = [Path(name) for name in glob.glob(self._glob(known))]
        found = [(path, no_file(path)) for path in paths if self.values(path) is not None]
        return sorted((path, what) for path, what in found if what)

    def beside(self, **known: str) -> list[Path]:
        """List all files of the folders that the pattern points to, whether they fit or not.

        Parameters
        ----------
        **known : str
            As in `files`.

        Returns
        -------
        list of pathlib.Path
            Sorted; hidden files and those in folders within are left out.
        """
        names = glob.glob(os.path.join(os.path.dirname(self._glob(known)), "*"))
        return sorted(Path(name) for name in names if os.path.isfile(name))

    def near_misses(self, **known: str) -> list[Path]:
        """List files that would fit if capitals and small letters were the same.

        Parameters
        ----------
        **known : str
            As in `files`.

        Returns
        -------
        list of pathlib.Path
            Sorted; the files that do fit are not among them.
        """
        fitting = set(self.files(**known))
        loose = re.compile(self._regex.pattern, re.DOTALL | re.IGNORECASE)
        return sorted(
            Path(name)
            for name in glob.glob(self._glob(known, any_case=True))
            if os.path.isfile(name) and Path(name) not in fitting and loose.match(name)
        )


def _caseless(text: str, folder: Path) -> str:
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

    Examples
    --------
    >>> free_name("mean_A/B", ["mean_a_b"])
    'mean_A_B_2'
    """
    safe, others = safe_name(name), {other.casefold() for other in taken}
    if safe.casefold() not in others:
        return safe
    return next(f"{safe}_{i}" for i in count(2) if f"{safe}_{i}".casefold() not in others)
