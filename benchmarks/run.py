"""Speed and memory of the kernels against their peers: ``python benchmarks/run.py``."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

import carrying
import measurements
import memory
import permuting
import scaling
import sliding
import superimposing
import trials
import warping
from measuring import Row

__all__ = ["BENCHMARKS", "as_table", "main"]

BENCHMARKS: dict[str, Callable[[], list[Row]]] = {
    "superimposing": superimposing.run,
    "memory": memory.run,
    "permuting": permuting.run,
    "scaling": scaling.run,
    "sliding": sliding.run,
    "carrying": carrying.run,
    "warping": warping.run,
    "measurements": measurements.run,
    "trials": trials.run,
}


def as_table(rows: Sequence[Row]) -> str:
    """Rows as text in columns."""
    lines = [("what", "ours", "peer or parts", "result", "goal", "")]
    for row in rows:
        met = "" if not row.goal else "met" if row.met else "MISSED"
        result = f"{row.result:.1f} {row.unit}"
        lines.append((row.what, row.ours, row.peer, result, row.goal, met))
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmarks named, or all; returns 1 if a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="name", help=f"any of {', '.join(BENCHMARKS)}")
    names = parser.parse_args(arguments).names or list(BENCHMARKS)
    for name in names:
        if name not in BENCHMARKS:
            parser.error(f"no benchmark {name!r}; there are {', '.join(BENCHMARKS)}")
    rows = [row for name in names for row in BENCHMARKS[name]()]
    print(as_table(rows))
    return 0 if all(row.met for row in rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())
