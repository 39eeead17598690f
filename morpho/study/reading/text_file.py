"""Reading a text file of the user's, whatever program saved it."""

from __future__ import annotations

import codecs
import os
from pathlib import Path

from morpho.study.reading.paths import no_file
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted

__all__ = ["decode", "read_text"]

LARGEST_BYTES = 1_000_000_000

_MARKS = (  # the longer marks first: the UTF-32 one begins like the UTF-16 one
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)

_NOT_TEXT = (
    (b"PK\x03\x04", "a spreadsheet file or another packed file", "save the table as CSV"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet file of an old kind", "save the table as CSV"),
    (b"\x1f\x8b", "a compressed file", "unpack it"),
    (b"%PDF", "a PDF document", "save the table as CSV"),
    (b"{\\rtf", "a word processor's document", "save it as plain text"),
)


def decode(data: bytes) -> tuple[str, str]:
    """Turn the bytes of a file into text, and say in which encoding they were.

    A byte-order mark decides (UTF-8, UTF-16, UTF-32); without one the text is UTF-8, and if that
    does not work Windows-1252 or, last, Latin-1, which reads anything.

    Examples
    --------
    >>> decode("Größe".encode("cp1252"))
    ('Größe', 'cp1252')
    """
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return data.decode(encoding), encoding
    for encoding in ("utf-8", "cp1252"):
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1"), "latin-1"


def _why_not(path: Path, error: OSError) -> tuple[str, str]:
    if isinstance(error, FileNotFoundError) or not os.path.lexists(path):
        try:
            beside = sorted(os.listdir(path.parent))
        except OSError:
            return "This file does not exist, nor does its folder.", "Put the path right."
        hint = meant(nearest(path.name, beside), lambda near: f"{quoted(near)}, in the same folder")
        remedy = f"Put the path right, or the file in its place. {hint}".rstrip()
        return "This file does not exist.", remedy
    if isinstance(error, IsADirectoryError) or os.path.isdir(path):
        return "This is a folder, not a file.", "Give the path of the file itself."
    if isinstance(error, PermissionError):
        return "You have no permission to read this file.", "Change its permissions, or copy it."
    reason = error.strerror or type(error).__name__
    return f"This file cannot be read ({reason}).", "Check the disk and the path."


def read_text(path: Path, problems: Problems, only_utf8: bool = False) -> str | None:
    r"""Read a text file with line ends of one kind, with every way of failing told as a problem.

    With `only_utf8` any other encoding is an error, as in study.yaml, which the workflow engine
    reads as well; the text is given all the same, so that the rest of it can be checked.
    """
    here = problems.at(file=path)
    if what := no_file(path):  # reading a pipe would never end
        here.error(f"This is {what}, not a file.", "Put the file itself there.")
        return None
    try:
        if os.path.isfile(path) and os.path.getsize(path) > LARGEST_BYTES:
            here.error(
                "This file is larger than 1 GB, which no table of landmarks is.",
                "Check that the path does not point at a scan.",
            )
            return None
        data = Path(path).read_bytes()
    except OSError as error:
        found, remedy = _why_not(path, error)
        here.error(found, remedy)
        return None
    except ValueError:  # a NUL character in the path
        here.error("This path cannot be a file's.", "Put the path right.")
        return None
    for start, what, remedy in _NOT_TEXT:
        if data.startswith(start):
            here.error(f"This is {what}, not plain text.", f"Open it and {remedy}.")
            return None
    try:
        text, encoding = decode(data)
    except UnicodeDecodeError:
        here.error(
            "This file begins like Unicode text but does not go on so; it may be cut short.",
            "Save it again as UTF-8.",
        )
        return None
    if "\x00" in text:
        here.error(
            "This file has NUL bytes in it: it is not plain text, or UTF-16 without its mark.",
            "Save it again as plain text (CSV), UTF-8.",
        )
        return None
    if only_utf8 and not encoding.startswith("utf-8"):
        name = encoding.upper() if encoding.startswith("utf") else "Windows-1252 (Western European)"
        here.error(
            f"This file is {name} text, which the workflow engine cannot read.",
            "Save it as UTF-8: text editors offer this where a file is saved under a name.",
        )
    elif encoding in {"cp1252", "latin-1"}:
        here.note(
            "This file is not UTF-8; it was read as Windows-1252 (Western European) text.",
            "Check that accented letters in it are right; to be safe save it as UTF-8.",
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")
