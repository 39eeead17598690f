"""Private texts in what is about to be published, looked for inside cells, pages and packages."""

from __future__ import annotations

import html
import re
import unicodedata
import zipfile
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

__all__ = ["Sought", "text_of"]

# How much of a file is looked through; more is no text.
_LOOKED_AT = 1 << 24
_PACKED = (".xlsx", ".docx")
_MARKED_UP = (".html", ".svg", ".xml", ".docx", ".xlsx")
_EMBEDDED = re.compile(r"data:[\w/+.-]+;base64,[\w+/=]+")
_TAG = re.compile(r"<[^<>]*>")
_ESCAPED = re.compile(r"\\u([0-9a-fA-F]{4})")
_MARKDOWN = re.compile(r"\\([^\w\s])")
# Letters or digits that hang together.
_RUN = re.compile(r"[^\W\d_]+|\d+")


def _level(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def _packed(content: bytes) -> str:
    with zipfile.ZipFile(BytesIO(content)) as packed:
        names = [name for name in packed.namelist() if name.endswith(".xml")]
        return "\n".join(packed.read(name).decode("utf-8", "ignore") for name in names)


def text_of(name: str, content: bytes | Path) -> str:
    r"""Read what a file says, without markup, escapes and quoting, all on one line.

    Examples
    --------
    >>> text_of("page.html", b"<td>Hollow&nbsp;<b>Gorge</b></td>")
    'hollow gorge'
    >>> text_of("a.csv", b'x,"The ""Hollow"" Gorge"')
    'x,"the "hollow" gorge"'
    """
    if isinstance(content, Path):
        with content.open("rb") as file:
            content = file.read(_LOOKED_AT)
    ending = Path(name).suffix.lower()
    text = _packed(content) if ending in _PACKED else content.decode("utf-8", errors="ignore")
    if ending in _MARKED_UP:
        text = html.unescape(_TAG.sub(" ", _EMBEDDED.sub(" ", text)))
    elif ending == ".csv":
        text = text.replace('""', '"')
    elif ending == ".json":
        text = _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)
    else:
        text = _MARKDOWN.sub(r"\1", text)
    return _level(text)


def _edge(character: str) -> str:
    """What may not stand beside a text, so that it is not a part of a word or of a number."""
    if character.isdigit():
        return r"\d"
    # in scripts without capitals, words are not always divided
    cased = character.lower() != character.upper()
    return r"[^\W\d_]" if cased else ""


class Sought:
    """Private texts, each with the column that it stands in, that are looked for.

    Examples
    --------
    >>> Sought({"Hollow Gorge": "site", "Ross": "finder"}).found("Across the hollow gorge, 3")
    ['Hollow Gorge']
    """

    def __init__(self, texts: Iterable[str]) -> None:
        self._texts: list[tuple[str, frozenset[str], re.Pattern[str]]] = []
        for text in sorted(texts):
            level = _level(text)
            before, after = _edge(level[0]), _edge(level[-1])
            pattern = re.escape(level)
            pattern = (f"(?<!{before})" if before else "") + pattern
            pattern += f"(?!{after})" if after else ""
            runs = _RUN.findall(level)
            words = frozenset(run for run in runs if all(map(_edge, run)))
            self._texts.append((text, words, re.compile(pattern)))

    def found(self, text: str) -> list[str]:
        """Those that stand in a text."""
        level = _level(text)
        # looking words up is much faster than searching for patterns, of which there are many
        there = set(_RUN.findall(level))
        return [
            told for told, words, pattern in self._texts if words <= there and pattern.search(level)
        ]
