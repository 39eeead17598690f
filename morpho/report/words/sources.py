"""The sources that the docstrings of `morpho.shape` and `morpho.inference` name.

They stand in references.bib, and what a study's text cites of them is copied from there. The file
is ours and never the user's, so what reads it is as short as the form it is kept in: an entry is
a line ``@kind{key,``, a line ``  name = {value},`` for each field, and a line ``}``; one without a
state was looked up. A library that reads all of BibTeX would bring two packages to every step and
not say what its styles miss; a test has BibTeX itself say so.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

__all__ = ["REFERENCES", "Reference", "bibtex", "read_references", "still_open"]

_LOOKED_UP = "  state = {looked up},\n"
_ENTRY = re.compile(r"@(\w+)\{(\w+),\n((?:  \w+ = \{.+\},\n)+)\}")
_FIELD = re.compile(r"  (\w+) = \{(.+)\},\n")
_ACCENT = re.compile(r"\{\\(['`^\"])(\w)\}")
_ACCENTS = {"'": "\u0301", "`": "\u0300", "^": "\u0302", '"': "\u0308"}


def _plain(value: str) -> str:
    r"""The value of a BibTeX field as text.

    >>> _plain(r"{Business \& Br{\'e}ton}"), _plain("33--51")
    ('Business & Bréton', '33-51')
    """
    text = _ACCENT.sub(lambda m: unicodedata.normalize("NFC", m[2] + _ACCENTS[m[1]]), value)
    return re.sub(r"\\([&%$#_])", r"\1", re.sub("[{}]", "", text)).replace("--", "-")


@dataclass(frozen=True)
class Reference:
    """A source."""

    key: str
    kind: str
    fields: Mapping[str, str]  # as BibTeX names them, as text
    entry: str  # as it is written

    @property
    def authors(self) -> list[str]:
        """Surname, then initials."""
        return self.fields["author"].split(" and ")

    @property
    def state(self) -> str:
        """Whether all of it was `looked up`; else it stands so in a docstring and was `not looked
        up`, or it `needs a library`, as part of it, which its note names, is from memory.
        """
        return self.fields["state"]

    @property
    def lacking(self) -> str:
        """What of it needs a library; blank where nothing does."""
        return self.fields.get("note", "").partition(": ")[2]

    @property
    def label(self) -> str:
        """Authors and year as they stand in a text."""
        names = [author.split(",")[0] for author in self.authors]
        shown = names[0] if len(names) == 1 else f"{names[0]} et al."
        if len(names) == 2:
            shown = f"{names[0]} & {names[1]}"
        return f"{shown} {self.fields['year']}"


def read_references(text: str) -> dict[str, Reference]:
    """Read entries of BibTeX in the form described above, by key."""
    found: dict[str, Reference] = {}
    for block in text.strip().split("\n\n"):
        told = block if "\n  state = " in block else f"{block[:-1]}{_LOOKED_UP}}}"
        entry = _ENTRY.fullmatch(told)
        if entry is None or entry[2] in found:
            raise ValueError(f"This entry cannot be read, or its key stands twice:\n{block}")
        fields = {name: _plain(value) for name, value in _FIELD.findall(entry[3])}
        found[entry[2]] = Reference(entry[2], entry[1], fields, told)
    return found


REFERENCES = read_references(Path(__file__).with_name("references.bib").read_text(encoding="utf-8"))


def bibtex(sources: Iterable[Reference]) -> str:
    """Write sources as BibTeX; styles print the `note`, which says what of one needs a library."""
    return "\n\n".join(source.entry for source in sources) + "\n"


def still_open(sources: Iterable[Reference]) -> str:
    """Say which sources are to be looked up before print."""
    given = list(sources)
    lacking = [f"{s.label} ({s.lacking})" for s in given if s.lacking]
    unseen = [s.label for s in given if s.state == "not looked up"]
    text = ""
    if lacking:
        text += f"Of the sources, part is from memory and needs a library: {'; '.join(lacking)}. "
    if unseen:
        its = "its title" if len(unseen) == 1 else "their titles"
        text += f"Not looked up, but cited with {its} by the program: {'; '.join(unseen)}. "
    return text + ("The fields state and note of references.bib say the same." if text else "")
