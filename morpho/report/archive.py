"""Everything of a study as one zip for a data repository."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from morpho.report.packing import pack
from morpho.workflow.provenance import file_sum

__all__ = ["CHECKSUMS", "README", "ArchiveError", "Entry", "archive_readme", "write_archive"]

README, CHECKSUMS = "README.md", "checksums.txt"

# Names that some computers cannot give to a file.
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


class ArchiveError(ValueError):
    """A file cannot be put into the archive under its name."""


@dataclass(frozen=True)
class Entry:
    """A file of the archive."""

    name: str  # path in the archive, with forward slashes
    content: bytes | Path  # the content, or the file that holds it
    words: str  # what it is; files of one folder with the same words share a line of the README


def _check_names(entries: Sequence[Entry]) -> None:
    seen: dict[str, str] = {CHECKSUMS: CHECKSUMS, README.casefold(): README}
    for entry in entries:
        parts = entry.name.split("/")
        if any(p in ("", ".", "..") or "\\" in p or "\x00" in p or ":" in p for p in parts):
            raise ArchiveError(
                f'"{entry.name}" cannot be the path of a file in an archive: it must be relative, '
                "with forward slashes, and stay inside."
            )
        if any(_RESERVED.fullmatch(part) for part in parts):
            raise ArchiveError(
                f'"{entry.name}" holds a name that some computers keep for themselves. Rename it.'
            )
        look = unicodedata.normalize("NFC", entry.name).casefold()
        if look in seen:
            raise ArchiveError(
                f'"{entry.name}" and "{seen[look]}" would be one file on many computers. Rename '
                "one of them."
            )
        seen[look] = entry.name


def _one_line(text: str) -> str:
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return re.sub(r"([\\`*_{}\[\]<>#|~^$&])", r"\\\1", plain)


def archive_readme(
    entries: Iterable[Entry], *, title: str, notice: str = "", more: Sequence[str] = ()
) -> str:
    """Write the README of an archive, as Markdown."""
    groups: dict[tuple[str, str], list[str]] = {}
    for entry in sorted(entries, key=lambda one: one.name):
        folder = entry.name.rpartition("/")[0]
        groups.setdefault((folder, entry.words), []).append(entry.name)
    lines = [f"# {_one_line(title)}", ""]
    for text in (_one_line(notice), *more):
        if text:
            lines += [text, ""]
    lines += [
        f"`{CHECKSUMS}` holds the SHA-256 sum of every file; check them with "
        f"`sha256sum --check {CHECKSUMS}`.",
        "",
        "## Files",
        "",
    ]
    for (folder, words), names in groups.items():
        stems = {name.rsplit(".", 1)[0] for name in names}
        endings = ", ".join(sorted({Path(name).suffix for name in names}))
        if len(names) == 1:
            shown = _one_line(names[0])
        elif len(stems) == 1:
            shown = f"{_one_line(stems.pop())} ({endings})"
        else:
            shown = f"{_one_line(folder)}/ ({len(names)} files: {endings})"
        lines.append(f"- {shown}: {words}")
    return "\n".join(lines) + "\n"


def _sums(entries: Iterable[Entry]) -> str:
    """Lines as sha256sum writes and reads them."""
    lines = []
    for entry in entries:
        name, escape = entry.name, ""
        if "\n" in name or "\r" in name:
            escape, name = "\\", name.replace("\n", "\\n").replace("\r", "\\r")
        lines.append(f"{escape}{file_sum(entry.content)}  {name}\n")
    return "".join(lines)


def write_archive(
    target: BinaryIO,
    entries: Sequence[Entry],
    *,
    title: str,
    notice: str = "",
    more: Sequence[str] = (),
) -> None:
    """Write a zip with a README that says what each file is, and the sums of all.

    Notes
    -----
    Files stand in the order of their names and bear one fixed date, so the same files give the
    same bytes with the same release of the compression library.
    """
    _check_names(entries)
    readme = archive_readme(entries, title=title, notice=notice, more=more)
    told = [*entries, Entry(README, readme.encode(), "this file")]
    told.sort(key=lambda one: one.name)
    sums = Entry(CHECKSUMS, _sums(told).encode(), "")
    pack(target, [(one.name, one.content) for one in (*told, sums)])
