"""Make the demo study: invented bones, digitised and scanned, with a known truth.

Run as a script, or call `make_demo` from another. The same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

if __package__ in (None, ""):  # run as a script: the repository's folder must be importable
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from demo_landmarks.digitising import digitise
from demo_landmarks.individuals import (
    ELEMENTS,
    TEMPLATE,
    known_individuals,
    query_individuals,
)
from demo_landmarks.slips_with_queries import write_slips_with_queries
from demo_landmarks.write_demo import (
    write_landmarks,
    write_scans,
    write_slips,
    write_specimens,
    write_truth,
)

__all__ = ["main", "make_demo"]

ATLAS_SCANNED = (TEMPLATE, "RIDGE-02", "MARSH-01", "COAST-01", "PYGMY-01")


def make_demo(seed: int, folder: Path | str) -> None:
    """Write the whole demo study.

    Parameters
    ----------
    seed : int
        Not negative. The same seed gives the same bytes.
    folder : Path or str
        Made if it is not there; files of the same names are overwritten.

    Raises
    ------
    ValueError
        When the seed is negative.
    """
    if seed < 0:
        raise ValueError(f"the seed is {seed}; give a whole number from 0 up")
    folder = Path(folder)
    known, queries = known_individuals(seed), query_individuals()
    everyone = known + queries
    write_specimens(folder / "specimens.csv", everyone)
    for element in ELEMENTS:
        having = [individual for individual in everyone if element in individual.elements]
        for individual in having:
            path = folder / "landmarks" / element / f"{individual.specimen}.csv"
            rows = digitise(individual, element, seed)
            write_landmarks(path, individual.specimen, element, rows)
        scanned = [
            i
            for i in having
            if element == "lower_jaw" or i.role == "query" or i.specimen in ATLAS_SCANNED
        ]
        write_scans(folder / "scans" / element, scanned, element, seed)
    write_truth(folder / "truth.csv", queries, seed)
    write_slips(folder / "with_slips", known, seed)
    write_slips_with_queries(folder / "slips_with_queries", everyone, seed)


def main(arguments: list[str] | None = None) -> None:
    """Read the command line and make the demo study."""
    parser = argparse.ArgumentParser(description="Make the invented demo study.")
    parser.add_argument("--seed", type=int, default=20, help="whole number from 0 up (20)")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(__file__).resolve().parent,
        help="folder to write to (the script's own)",
    )
    given = parser.parse_args(arguments)
    make_demo(given.seed, given.out)


if __name__ == "__main__":
    main()
