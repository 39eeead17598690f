"""Zip files whose bytes depend on what is in them and on nothing else."""

from __future__ import annotations

import re
import shutil
import zipfile
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

__all__ = ["pack", "steady_office", "xml_text"]

# The earliest date that a zip can hold, in place of the time of writing.
_DATE = (1980, 1, 1, 0, 0, 0)
_CORE = "docProps/core.xml"
_TIMES = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:\2>)")
# What XML 1.0 cannot hold, whatever its escapes.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    r"""Text that can stand in XML; what cannot is spelt out.

    Examples
    --------
    >>> xml_text("bell\x07")
    'bell\\x07'
    """
    return _NOT_XML.sub(lambda found: found.group().encode("unicode_escape").decode(), text)


def pack(target: BinaryIO, entries: Iterable[tuple[str, bytes | Path]]) -> None:
    """Write a zip: files in the order given, all of one date and with plain rights.

    Of each the name and the content, or the file that holds it; large ones are copied in pieces.
    """
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as packed:
        for name, content in entries:
            about = zipfile.ZipInfo(name, date_time=_DATE)
            about.compress_type = zipfile.ZIP_DEFLATED
            about.create_system = 3
            about.external_attr = 0o100644 << 16
            if isinstance(content, bytes):
                packed.writestr(about, content)
                continue
            about.file_size = content.stat().st_size
            with content.open("rb") as source, packed.open(about, "w") as into:
                shutil.copyfileobj(source, into, 1 << 20)


def steady_office(content: bytes, title: str) -> bytes:
    """Make an office file (DOCX, XLSX) anew without its time of writing and its author."""
    with zipfile.ZipFile(BytesIO(content)) as packed:
        entries = {name: packed.read(name) for name in packed.namelist()}
    if _CORE not in entries:
        raise ValueError(f"{title} has no {_CORE}: it is no office file.")
    entries[_CORE] = _TIMES.sub(rb"\g<1>2000-01-01T00:00:00Z\g<3>", entries[_CORE])
    result = BytesIO()
    pack(result, entries.items())
    return result.getvalue()
