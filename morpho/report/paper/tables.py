"""The tables that go into the paper, rounded and under their headings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from morpho.report.words.filters import is_probability, probability
from morpho.results.columns import ROLE, SPECIMEN, TAXON
from morpho.results.describing import Column, Table
from morpho.results.rows import rows_on
from morpho.results.tables import JOINED, TABLES
from morpho.wording import number

__all__ = [
    "PRINTED", "ROUNDING", "SAMPLE", "ManuscriptTable", "cell", "cells", "differential_diagnosis",
    "manuscript_tables", "sample_counts", "stacked",
]  # fmt: skip

Tables = Mapping[str, pd.DataFrame]
Rows = tuple[tuple[str, ...], ...]

ROUNDING = (
    "Numbers are rounded to three significant digits, or to the unit where that is more, and "
    "probabilities to three decimals; a dash stands where there is no number. The tables as CSV "
    "and XLSX hold all digits."
)
# Distances of the differential diagnosis.
_DISTANCES = 10

SAMPLE = Table(
    "sample", "Specimens of each taxon.", "supplement",
    section="sample",
    paper="Specimens digitised and specimens used.",
    columns=(
        TAXON,
        ROLE.here(head="role", only="paper"),
        Column("digitised", "how many were digitised", head="digitised"),
        Column("used", "how many take part", head="used"),
    ),
)  # fmt: skip

_MEASURED = [column for column in TABLES["measurement_summary"].columns if column.head]
_VALUE = next(column for column in TABLES["measurements"].columns if column.name == "value")
_DIAGNOSIS = Table(
    "differential_diagnosis", "Measurements of each taxon and of each query.", "supplement",
    section="differs",
    paper=(
        "Measurements as taken: those named in the scheme, and the ten distances that rank first "
        "in setting each query apart, at its own size where that can be heeded; which of them pass "
        "the adjustment for their number is told in the results."
    ),
    columns=(SPECIMEN, *_MEASURED[:2], _VALUE, *_MEASURED[2:]),
)  # fmt: skip

# Sections in the order in which their tables are numbered.
_SECTIONS = ("sample", "membership", "sure", "growth", "together", "differs", "groups", "data")

# Every table that is printed, in the order of its number. One that a study does not have, or
# that is empty, is left out.
PRINTED: tuple[Table, ...] = tuple(
    sorted(
        (table for table in (SAMPLE, _DIAGNOSIS, *(TABLES | JOINED).values()) if table.paper),
        key=lambda table: _SECTIONS.index(table.section),
    )
)


def stacked(elements: Mapping[str, Mapping[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Tables of several elements one below the other, with a first column that says which."""
    names = dict.fromkeys(name for tables in elements.values() for name in tables)
    result = {}
    for name in names:
        parts = []
        for element, tables in elements.items():
            if name in tables:
                table = tables[name].copy()
                if "element" not in table:
                    table.insert(0, "element", element)
                parts.append(table)
        # an empty part has no types of its own, and would spoil those of the others
        full = [part for part in parts if len(part)]
        result[name] = pd.concat(full, ignore_index=True) if full else parts[0]
    return result


def sample_counts(tables: Tables) -> pd.DataFrame:
    """How many specimens of each taxon were digitised, and how many take part."""
    table = tables["specimens"]
    table = table.assign(taxon=table["taxon"].mask(table["role"] == "query", "–"))
    counts = table.groupby(["role", "taxon"])["used"].agg(digitised="size", used="sum")
    return counts.reset_index()[["taxon", "role", "digitised", "used"]].astype({"used": int})


def _ranked(tables: Tables, specimen: str) -> list[str]:
    """The distances that set a query apart best, at its own size where that can be heeded."""
    table = tables["measurement_ranking"]
    table = rows_on(table[table["kind"] == "distance"], specimen)
    return table.sort_values("rank", kind="stable")["measurement"].head(_DISTANCES).tolist()


def differential_diagnosis(tables: Tables) -> pd.DataFrame:
    """Measurements of each taxon with the value of each query that was compared beside them.

    Those named in the scheme (in whose names there is no blank) and the ten distances that rank
    first; where no query was compared, the named ones alone.
    """
    needed = {"measurement_summary", "measurement_ranking", "measurements"}
    if not needed <= set(tables) or tables["measurement_summary"].empty:
        return pd.DataFrame(columns=_DIAGNOSIS.header())
    summary, values = tables["measurement_summary"], tables["measurements"]
    own = [str(m) for m in dict.fromkeys(summary["measurement"]) if " " not in str(m)]
    parts = []
    for specimen in dict.fromkeys(tables["measurement_ranking"]["specimen"]) or ["–"]:
        names = dict.fromkeys([*own, *_ranked(tables, specimen)])
        part = summary[summary["measurement"].isin(list(names))].copy()
        order = {name: place for place, name in enumerate(names)}
        part = part.assign(specimen=specimen).sort_values(
            "measurement", key=lambda column: column.map(order), kind="stable"
        )
        mine = values[(values["specimen"] == specimen) & (values["role"] == "query")]
        part["value"] = part["measurement"].map(mine.set_index("measurement")["value"])
        parts.append(part[_DIAGNOSIS.header()])
    return pd.concat(parts, ignore_index=True)


def _from_nearest(table: str, tables: Tables) -> pd.DataFrame:
    """Rows on each query beside its nearest taxon, at its own size where there are any."""
    given = tables.get(table)
    if given is None or given.empty:
        return pd.DataFrame(columns=TABLES[table].header())
    nearest = tables["verdicts"].set_index("specimen")["nearest_taxon"]
    part = given[given["taxon"] == given["specimen"].map(nearest)]
    heeded = part.groupby("specimen")["size_heeded"].transform("any")
    part = part[part["size_heeded"] == heeded]
    return part[(part["kind"] == "landmark") & part["counted"]] if "kind" in part else part


# What is printed is made of the tables of an element by these, where it is none of them as it is.
_MADE: Mapping[str, Callable[[Tables], pd.DataFrame]] = {
    "sample": sample_counts,
    "differential_diagnosis": differential_diagnosis,
    "displacements": partial(_from_nearest, "displacements"),
    "region_displacements": partial(_from_nearest, "region_displacements"),
}


@dataclass(frozen=True)
class ManuscriptTable:
    """A table as it is printed."""

    name: str
    caption: str
    head: tuple[str, ...]
    rows: Rows
    numeric: tuple[bool, ...]


def cell(value: Any, column: str = "") -> str:
    """A value as page and paper show it."""
    if isinstance(value, str):
        return value
    if value is None or value is pd.NA or value != value:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if is_probability(column):
        return probability(float(value))
    return number(float(value))


def cells(table: pd.DataFrame, columns: Iterable[str]) -> tuple[Rows, tuple[bool, ...]]:
    """Chosen columns of a table as page and paper show them."""
    chosen = table[list(columns)]
    rows = tuple(
        tuple(cell(value, column) for value, column in zip(row, chosen.columns, strict=True))
        for row in chosen.astype(object).to_numpy().tolist()
    )
    kinds = chosen.dtypes
    return rows, tuple(is_numeric_dtype(kind) and not is_bool_dtype(kind) for kind in kinds)


def manuscript_tables(
    elements: Mapping[str, Tables], joined: Tables | None = None
) -> list[ManuscriptTable]:
    """Round tables and put them under headings."""
    result = []
    for about in PRINTED:
        name, make = about.name, _MADE.get(about.name)
        whole = (joined or {}).get(name)
        parts = {
            element.replace("_", " "): {name: make(tables) if make else tables[name]}
            for element, tables in elements.items()
            if make or name in tables
        }
        if whole is None and not parts:
            continue
        table = stacked(parts)[name] if whole is None else whole
        if table.empty:
            continue
        headings = about.headings("paper")
        if whole is None and len(elements) > 1:
            headings = {"element": "element"} | headings
        shown = ManuscriptTable(
            name, about.paper, tuple(headings.values()), *cells(table, headings)
        )
        result.append(shown)
    return result
