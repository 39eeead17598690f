"""The command line: ``formkin new FOLDER`` and ``formkin check FOLDER``."""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from typing import TYPE_CHECKING

from morpho import __version__
from morpho.study.wording import listed, visible

if TYPE_CHECKING:
    from morpho.study.check import Study
    from morpho.study.problems import Problems

__all__ = ["main"]

FINE, PROBLEMS, USAGE = 0, 1, 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="formkin",
        description="Does this form belong with its kin? Start a study, or check one.",
        epilog="The study itself is run with: snakemake --cores all --configfile "
        "MY_STUDY/study.yaml",
    )
    parser.add_argument("--version", action="version", version=f"formkin {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    new = commands.add_parser("new", help="write the files of a new study into a folder")
    new.add_argument("folder", metavar="FOLDER", help="made if it does not exist")
    check = commands.add_parser("check", help="tell every problem of every file of a study")
    check.add_argument("study", metavar="STUDY", help="folder of the study, or its study.yaml")
    check.add_argument(
        "--without-scans", action="store_true", help="leave out reading the scans, which takes long"
    )
    return parser


def _new(folder: str) -> int:
    from morpho.study.problems import StudyError
    from morpho.study.start import start_study

    try:
        written = start_study(folder)
    except StudyError as error:
        print(error, file=sys.stderr)
        return PROBLEMS
    print(f"A new study is in {folder}:")
    for path in written:
        print(f"  {os.path.relpath(path, os.path.abspath(folder))}")
    print(
        "Next:\n"
        "  1. Write your scheme into schemes/bone.yaml, in place of the example.\n"
        "  2. Fill in specimens.csv, and put your landmark tables into landmarks.\n"
        "  3. Go through study.yaml; every key is explained in it.\n"
        f"  4. formkin check {folder}"
    )
    return FINE


def _number(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def _summary(study: Study) -> str:
    specimens = study.specimens
    title = visible(study.config.settings.get("title", "The study"))
    lines = [f"{title}: {_number(len(specimens), 'specimen')}"]
    known = Counter(specimens.loc[specimens["role"] == "known", "taxon"])
    for taxon, number in sorted(known.items()):
        lines.append(f"  {visible(taxon) or '(no taxon)'}: {number} known")
    queries = [visible(name) for name in specimens.index[specimens["role"] == "query"]]
    lines.append(f"  queries: {len(queries)}" + (f" ({listed(queries)})" if queries else ""))
    for element, rows in study.landmarks.items():
        number = len(rows[["specimen", "replicate", "observer"]].drop_duplicates())
        lines.append(
            f"  {element}: {_number(number, 'digitisation')} of "
            f"{_number(rows['specimen'].nunique(), 'specimen')}"
        )
    return "\n".join(lines)


def _verdict(problems: Problems) -> str:
    if problems.errors:
        return "Put the errors right, then check again."
    if problems.warnings:
        return "The study can be run; read the warnings first."
    return "The study can be run."


def _check(path: str, scans: bool) -> int:
    from morpho.study.check import check_study

    study, problems = check_study(path, scans=scans)
    if len(problems):
        print(problems.render())
        print()
    if study is not None:
        print(_summary(study))
    print(f"{problems.count()}. {_verdict(problems)}")
    return PROBLEMS if problems.errors else FINE


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        By default those of the process.

    Returns
    -------
    int
        0 where all is well (there may be warnings), 1 where there are errors, 2 where the command
        cannot be understood.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that lacks the letters
    try:
        given = _parser().parse_args(arguments)
    except SystemExit as stop:  # argparse has said why
        return int(stop.code or 0)
    try:
        if given.command == "new":
            return _new(given.folder)
        return _check(given.study, scans=not given.without_scans)
    except BrokenPipeError:  # the reader, such as a pager, was closed
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PROBLEMS
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return PROBLEMS


if __name__ == "__main__":
    sys.exit(main())
