"""README of the results: what each table and each of its columns holds."""

from __future__ import annotations

from morpho.results.columns import EVERYWHERE
from morpho.results.tables import ALL_ELEMENTS, JOINED, TABLES

__all__ = ["readme"]

_HEAD = """\
# Results

Made by the workflow; everything here can be deleted and made again.

- `report.html`: the report, one page that opens offline. Start there.
- `check.csv`: what was noticed about the input: `severity`, `file`, `line`, `element`,
  `specimen`, `landmark`, `found`, `remedy`.
- `<element>/figures/`: each figure as SVG, PDF and PNG (300 dpi).
- `<element>/tables/`: the tables below, CSV in UTF-8, a point as decimal mark.
- `<element>/arrays/`, `<element>/notes/`: what one step leaves for the next.
- `all-elements/tables/`: what is joined from all elements.
- `logs/`, `benchmarks/`: what each step said, and the time and memory it took.

## Tables

Columns that mean the same in every table:
"""


def readme() -> str:
    """Text of the results' README, as Markdown."""
    common = {column.name: column.meaning for column in EVERYWHERE}
    lines = [_HEAD, *[f"- `{name}`: {meaning}" for name, meaning in common.items()]]
    for name, table in (TABLES | JOINED).items():
        place = f"{ALL_ELEMENTS}/tables/" if name in JOINED else ""
        lines += ["", f"### {place}{name}.csv", "", table.meaning]
        own = [one for one in table.written if one.meaning != common.get(one.name)]
        lines += [""] if own else []
        lines += [f"- `{column.name}`: {column.meaning}" for column in own]
    return "\n".join(lines) + "\n"
