"""How tables and figures are described: each once, for files, page, paper and workbook."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

__all__ = ["Column", "Figure", "Table"]


@dataclass(frozen=True)
class Column:
    """A column of a table."""

    # a star at its end: a family, as many columns as the study has, numbered from 1
    name: str
    meaning: str
    kind: Literal["number", "text", "flag", "maybe"] = "number"  # maybe: a flag that may be blank
    head: str = ""  # on the page and in the paper; blank: shown in neither
    only: Literal["", "page", "paper"] = ""  # where alone it is shown
    told: bool = False  # words that page and paper make of the others: no file has it

    def here(self, **other: str) -> Column:
        """The same column as it is in one table."""
        return replace(self, **other)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Table:
    """A table that a step writes."""

    name: str
    meaning: str
    step: str  # rule that makes it
    columns: tuple[Column, ...] = ()  # in the order of the file, of the page and of the paper
    section: str = ""  # of the page; blank: not shown there
    page: str = ""  # title on the page; blank: not there
    paper: str = ""  # caption in the paper; blank: not there
    per: Literal["element", "study"] = "element"

    @property
    def written(self) -> tuple[Column, ...]:
        """Columns of the file."""
        return tuple(one for one in self.columns if not one.told)

    def column(self, name: str) -> Column | None:
        """Look up a column by its name in the file; of a family, any of its members."""
        family = f"{name.rstrip('0123456789')}*"
        return next((one for one in self.columns if one.name in (name, family)), None)

    def header(self, there: Iterable[str] = ()) -> list[str]:
        """Names of its columns, in the order of the file.

        Columns that are `there` tell how many each family has.
        """
        given, names = list(there), []
        for column in self.written:
            stem, star = column.name.removesuffix("*"), column.name.endswith("*")
            count = sum(one.startswith(stem) and one[len(stem) :].isdigit() for one in given)
            names += [f"{stem}{i + 1}" for i in range(count)] if star else [column.name]
        return names

    def headings(self, place: Literal["page", "paper"]) -> dict[str, str]:
        """Columns that are shown, with their headings."""
        return {one.name: one.head for one in self.columns if one.head and one.only in ("", place)}


@dataclass(frozen=True)
class Figure:
    """A figure of the results."""

    name: str
    section: str
    title: str
    alternative: str  # for those who cannot see it
    caption: str  # how to read it
    drawn_by: str  # module:function below drawing/figures
    # whence each of that function's parameters comes: 'table:NAME', 'arrays:NAME',
    # 'notes:STEP.KEY' or 'settings:PART.KEY'; in a figure of one query also 'rows:NAME', the rows
    # of a table on it, 'query:specimen' or 'query:taxon', the taxon that it is held against
    needs: Mapping[str, str] = field(default_factory=dict)
    # why it may hold only a message; blank where it never does, or is left out then
    nothing: str = ""
    beside: tuple[str, ...] = ()  # tables that belong to it beyond those it is drawn from
    per: Literal["element", "query", "study"] = "element"

    @property
    def module(self) -> str:
        """Module of drawing/figures that draws it."""
        return self.drawn_by.partition(":")[0]

    @property
    def reads(self) -> tuple[str, ...]:
        """Results that it is drawn from, by folder and name, as 'tables/membership'."""
        folders = {"table": "tables", "rows": "tables", "arrays": "arrays", "notes": "notes"}
        whence = (source.partition(":") for source in self.needs.values())
        found = [f"{folders[kind]}/{name.split('.')[0]}" for kind, _, name in whence
                 if kind in folders]  # fmt: skip
        return tuple(dict.fromkeys(found))

    @property
    def tables(self) -> tuple[str, ...]:
        """Tables that it shows."""
        drawn = [one.removeprefix("tables/") for one in self.reads if one.startswith("tables/")]
        return tuple(dict.fromkeys((*drawn, *self.beside)))
