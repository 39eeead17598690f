"""Every table of the results, each described once: the source of all lists of tables."""

from __future__ import annotations

from morpho.results.describing import Table
from morpho.results.tables.data import DATA
from morpho.results.tables.differences import DIFFERENCES
from morpho.results.tables.growth import GROWTH
from morpho.results.tables.individuals import INDIVIDUALS
from morpho.results.tables.membership import MEMBERSHIP
from morpho.results.tables.robustness import ROBUSTNESS
from morpho.results.tables.space import SPACE
from morpho.results.tables.taxa import TAXA

__all__ = ["ALL_ELEMENTS", "JOINED", "TABLES", "described", "made_by"]

# Folder of what is joined from all elements; no element can be named so.
ALL_ELEMENTS = "all-elements"

_ALL = (
    *DATA, *SPACE, *GROWTH, *TAXA, *MEMBERSHIP, *ROBUSTNESS, *DIFFERENCES, *INDIVIDUALS,
)  # fmt: skip

# Tables of an element, and those that are joined from all elements, by name.
TABLES: dict[str, Table] = {one.name: one for one in _ALL if one.per == "element"}
JOINED: dict[str, Table] = {one.name: one for one in _ALL if one.per == "study"}

# Folders of tables that are parts of one, a file for each scan.
_PARTS = {"carried": "carried_points"}


def described(name: str) -> Table:
    """Look up a table by its name, or by that of a part of one, as 'carried/NAME'."""
    whole = _PARTS.get(name.rpartition("/")[0], name)
    found = TABLES.get(whole) or JOINED.get(whole)
    if found is None:
        raise LookupError(f"no table {name} is described in morpho/results/tables")
    return found


def made_by(step: str) -> tuple[str, ...]:
    """Names of the tables that a step makes."""
    return tuple(name for name, table in (TABLES | JOINED).items() if table.step == step)
