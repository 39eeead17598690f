"""How tables and figures are described: each once, for files, page, paper and workbook."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

__all__ = ["Column", "Figure", "Table"]


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name : str
        With a star at its end it stands for a family: as many columns as the study has, numbered
        from 1.
    meaning : str
        For the README of the results and the workbook.
    kind : {'number', 'text', 'flag', 'maybe'}
        maybe: a flag that is blank where there was nothing to tell it by.
    head : str
        Heading on the page and in the paper; blank where it is shown in neither.
    only : {'', 'page', 'paper'}
        Where alone it is shown.
    told : bool
        Whether it holds words that page and paper make of the others: no file has it.
    """

    name: str
    meaning: str
    kind: Literal["number", "text", "flag", "maybe"] = "number"
    head: str = ""
    only: Literal["", "page", "paper"] = ""
    told: bool = False

    def here(self, **other: str) -> Column:
        """The same column as it is in one table.

        Parameters
        ----------
        **other : str
            What is another there.
        """
        return replace(self, **other)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Table:
    """A table that a step writes.

    Attributes
    ----------
    name : str
    meaning : str
    step : str
        Rule that makes it.
    columns : tuple of Column
        In the order of the file, of the page and of the paper.
    section : str
        Section of the page that it stands in; blank where it is not shown.
    page, paper : str
        Title on the page, caption in the paper; blank where it is not there.
    per : {'element', 'study'}
        Whether there is one for each element, or one for all.
    """

    name: str
    meaning: str
    step: str
    columns: tuple[Column, ...] = ()
    section: str = ""
    page: str = ""
    paper: str = ""
    per: Literal["element", "study"] = "element"

    @property
    def written(self) -> tuple[Column, ...]:
        """Columns of the file."""
        return tuple(one for one in self.columns if not one.told)

    def column(self, name: str) -> Column | None:
        """Look up a column.

        Parameters
        ----------
        name : str
            As in the file; of a family, any of its members.
        """
        family = f"{name.rstrip('0123456789')}*"
        return next((one for one in self.columns if one.name in (name, family)), None)

    def header(self, there: Iterable[str] = ()) -> list[str]:
        """Names of its columns, in the order of the file.

        Parameters
        ----------
        there : iterable of str
            Columns of the file, which tell how many each family has.
        """
        given, names = list(there), []
        for column in self.written:
            stem, star = column.name.removesuffix("*"), column.name.endswith("*")
            count = sum(one.startswith(stem) and one[len(stem) :].isdigit() for one in given)
            names += [f"{stem}{i + 1}" for i in range(count)] if star else [column.name]
        return names

    def headings(self, place: Literal["page", "paper"]) -> dict[str, str]:
        """Columns that are shown, with their headings.

        Parameters
        ----------
        place : {'page', 'paper'}
        """
        return {one.name: one.head for one in self.columns if one.head and one.only in ("", place)}


@dataclass(frozen=True)
class Figure:
    """A figure of the results.

    Attributes
    ----------
    name : str
    section : str
        Section of the page that it stands in.
    title : str
    alternative : str
        For those who cannot see it.
    caption : str
        How to read it.
    drawn_by : str
        module:function below drawing/figures.
    needs : mapping of str to str
        Parameters of that function, each with whence it comes: 'table:NAME', 'arrays:NAME',
        'notes:STEP.KEY' or 'settings:PART.KEY'; of a figure of one query also 'rows:NAME', the
        rows of a table on it, and 'query:specimen' or 'query:taxon', its name and the taxon that
        it is held against.
    nothing : str
        Why it may hold only a message; blank where it always shows something, or is left out
        where it does not.
    beside : tuple of str
        Tables that belong to it beyond those it is drawn from.
    per : {'element', 'query', 'study'}
        What there is one for.
    """

    name: str
    section: str
    title: str
    alternative: str
    caption: str
    drawn_by: str
    needs: Mapping[str, str] = field(default_factory=dict)
    nothing: str = ""
    beside: tuple[str, ...] = ()
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
