"""What a run was made of, and whether its results still match that."""

from __future__ import annotations

import hashlib
import os
import platform
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Any

from morpho import __version__

__all__ = [
    "PACKAGES", "PROVENANCE", "Difference", "file_sum", "flat_settings",
    "public_path", "short", "versions",
]  # fmt: skip

PACKAGES = (
    "numpy", "scipy", "scikit-learn", "pandas", "matplotlib", "trimesh", "fast-simplification",
    "snakemake", "jsonschema", "pyyaml", "jinja2", "openpyxl", "python-docx",
)  # fmt: skip

PROVENANCE = "provenance.json"

# A path that climbs higher than this would tell how the machine is laid out.
_HIGHEST = 2


@dataclass(frozen=True)
class Difference:
    """Something that is no longer as it was when the results were made."""

    kind: str  # wanted, input, setting, program, result or note
    what: str  # a file, a key of study.yaml, or a program
    words: str  # what became of it, as the end of a sentence

    @property
    def counts(self) -> bool:
        """Whether the results no longer match because of it."""
        return self.kind != "note"


def file_sum(content: Path | bytes) -> str:
    """SHA-256 sum of a file, read piece by piece, or of bytes."""
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest()
    with content.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def public_path(path: Path, folder: Path, taken: Iterable[str] = ()) -> str:
    """Name a file relative to a folder, without telling how the machine is laid out.

    A file far from the folder is only named by its last two parts, and none by a name that is
    taken.

    >>> public_path(Path("/a/study/scans/x.ply"), Path("/a/study"))
    'scans/x.ply'
    >>> public_path(Path("/home/me/scans/x.ply"), Path("/a/study"))
    'elsewhere/scans/x.ply'
    """
    try:
        parts = Path(os.path.relpath(path, folder)).parts
    except ValueError:  # on another drive
        parts = ("..",) * (_HIGHEST + 1)
    climbs = sum(part == ".." for part in parts)
    top = Path(folder).parts[: -climbs or None]
    if climbs <= _HIGHEST and (not climbs or len(top) > 1):
        found = PurePosixPath(*parts).as_posix()
    else:
        found = PurePosixPath("elsewhere", *Path(path).parts[-2:]).as_posix()
    given, number = set(taken), 1
    result = found
    while result in given:
        number += 1
        result = f"{found} ({number})"
    return result


@cache
def versions() -> dict[str, str]:
    """Versions of formkin, Python and the packages that results depend on, where installed."""
    found = {"formkin": __version__, "Python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def flat_settings(settings: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    """Settings by dotted keys, absolute paths of the machine replaced by a digest of them."""

    def public(value: Any) -> Any:
        if isinstance(value, list):
            return [public(one) for one in value]
        if isinstance(value, str) and (os.path.isabs(value) or re.match(r"[A-Za-z]:[\\/]", value)):
            return f"absolute path {hashlib.sha256(value.encode()).hexdigest()[:16]}"
        return value

    flat: dict[str, Any] = {}
    for key, value in settings.items():
        name = f"{above}.{key}" if above else str(key)
        if isinstance(value, Mapping) and value:
            flat |= flat_settings(value, name)
        else:
            flat[name] = public(dict(value) if isinstance(value, Mapping) else value)
    return flat


def short(value: Any) -> str:
    """A value of a setting in at most 60 characters."""
    text = "nothing" if value is None else str(value)
    return text if len(text) <= 60 else text[:59] + "…"
