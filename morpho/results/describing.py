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
    """

    name: str
    meaning: str
    kind: Literal["number", "text", "flag", "maybe"] = "number"
    head: str = ""
    only: Literal["", "page", "paper"] = ""

    def here(self, **other: str) -> Column:
        """The same column as it is in one table.

        Parameters
        ----------
        **other : str
            What is another there.

        Returns
        -------
        Column
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

    def column(self, name: str) -> Column | None:
        """Look up a column.

        Parameters
        ----------
        name : str
            As in the file; of a family, any of its members.

        Returns
        -------
        Column or None
        """
        family = f"{name.rstrip('0123456789')}*"
        return next((one for one in self.columns if one.name in (name, family)), None)

    def header(self, there: Iterable[str] = ()) -> list[str]:
        """Names of its columns, in the order of the file.

        Parameters
        ----------
        there : iterable of str
            Columns of the file, which tell how many each family has.

        Returns
        -------
        list of str
        """
        given, names = list(there), []
        for column in self.columns:
            stem, star = column.name.removesuffix("*"), column.name.endswith("*")
            count = sum(one.startswith(stem) and one[len(stem) :].isdigit() for one in given)
            names += [f"{stem}{i + 1}" for i in range(count)] if star else [column.name]
        return names

    def headings(self, place: Literal["page", "paper"]) -> dict[str, str]:
        """Columns that are shown, with their headings.

        Parameters
        ----------
        place : {'page', 'paper'}

        Returns
        -------
        dict of str to str
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
        Parameters of that function, each with whence it comes: 'table:NAME',
        'notes:STEP.KEY' or 'settings:PART.KEY'.
    nothing : str
        Why it may hold only a message; blank where it always shows something.
    per : {'element', 'study'}
    """

    name: str
    section: str
    title: str
    alternative: str
    caption: str
    drawn_by: str
    needs: Mapping[str, str] = field(default_factory=dict)
    nothing: str = ""
    per: Literal["element", "study"] = "element"
