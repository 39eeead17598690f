"""The command line: ``formkin new``, ``check``, ``run`` and ``status``."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections import Counter
from typing import TYPE_CHECKING

from morpho import __version__
from morpho.study.reading.wording import quoted, visible
from morpho.wording import counted, listed

if TYPE_CHECKING:
    from morpho.study.check import Study
    from morpho.study.reading.problems import Problems
    from morpho.workflow.provenance import Difference

__all__ = ["main"]

FINE, PROBLEMS, USAGE, CHANGED = 0, 1, 2, 3

# Differences of one kind that are told one by one.
_TOLD = 12
_KINDS = {
    "wanted": "To be done again",
    "input": "Inputs",
    "setting": "Settings in study.yaml",
    "program": "The program",
    "result": "Files of the results",
    "note": "Not counted",
}


def _run_command(folder: str) -> str:
    """Write the command that runs a study."""
    if os.path.basename(folder) == "study.yaml":
        folder = os.path.dirname(folder)
    here = folder in ("", ".", "./")
    return "formkin run" if here else f"formkin run {shlex.quote(folder)}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="formkin",
        description="Does this form belong with its kin? Start a study, check it, run it.",
    )
    parser.add_argument("--version", action="version", version=f"formkin {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    new = commands.add_parser("new", help="write the files of a new study into a folder")
    new.add_argument("folder", metavar="FOLDER", help="made if it does not exist")
    check = commands.add_parser("check", help="tell every problem of every file of a study")
    check.add_argument(
        "--without-scans", action="store_true", help="leave out reading the scans, which takes long"
    )
    run = commands.add_parser("run", help="run a study, or what of it is not up to date")
    run.add_argument("--open", action="store_true", help="open the page in the browser at the end")
    run.add_argument(
        "--cores", type=_cores, metavar="N", help="steps at a time; by default one for each core"
    )
    run.add_argument(
        "--again", action="append", default=[], metavar="STEP",
        help="do a step again although it still holds, and what rests on it; may be repeated",
    )  # fmt: skip
    run.add_argument(
        "--dry-run", action="store_true", help="tell what would be done and why, and do nothing"
    )
    run.add_argument(
        "--profile", metavar="NAME",
        help="where it runs: local or slurm, or a profile of Snakemake's of your own",
    )  # fmt: skip
    status = commands.add_parser(
        "status", help="tell whether the results of a study still match its files"
    )
    for one in (check, status):
        one.add_argument("study", metavar="STUDY", help="folder of the study, or its study.yaml")
    run.add_argument(
        "study", metavar="STUDY", nargs="?", default=".",
        help="folder of the study, or its study.yaml; by default the folder you are in",
    )  # fmt: skip
    return parser


def _cores(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of cores: 1 or more")
    return int(text)


def _new(folder: str) -> int:
    from morpho.study.reading.problems import StudyError
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
        f"  4. formkin check {shlex.quote(folder)}\n"
        f"  5. {_run_command(folder)}"
    )
    return FINE


def _summary(study: Study) -> str:
    from morpho.study.reading.file_count import with_scans

    specimens = study.specimens
    title = visible(study.config.settings.title or "The study")
    lines = [f"{title}: {counted(len(specimens), 'specimen')}"]
    known = Counter(specimens.loc[specimens["role"] == "known", "taxon"])
    for taxon, number in sorted(known.items()):
        lines.append(f"  {visible(taxon) or '(no taxon)'}: {number} known")
    queries = [visible(name) for name in specimens.index[specimens["role"] == "query"]]
    lines.append(f"  queries: {len(queries)}" + (f" ({listed(queries)})" if queries else ""))
    for element, rows in study.landmarks.items():
        number = len(rows[["specimen", "replicate", "observer"]].drop_duplicates())
        line = f"  {element}: {counted(number, 'digitisation')} of "
        line += counted(rows["specimen"].nunique(), "specimen")
        if study.config.scan_pattern is not None:
            scanned = with_scans(study.config, element, sorted(set(rows["specimen"])))
            line += f", {len(scanned)} of them with a scan"
        lines.append(line)
    return "\n".join(lines)


def _publication(study: Study) -> list[str]:
    """What of the tables will be published, before it is."""
    from morpho.study.checks.publication import publication_words
    from morpho.study.reading.problems import StudyError

    try:
        words = publication_words(study.config)
    except StudyError:  # told above
        return []
    return ["What the archive will hold of the tables:", *(f"  {line}" for line in words)]


def _verdict(problems: Problems) -> str:
    if problems.errors:
        return "Put the errors right, then check again."
    if problems.warnings:
        return "The study can be run; read the warnings first."
    return "The study can be run."


def _check(path: str, scans: bool) -> int:
    from morpho.steps.prepare.suspected import check_and_screen

    study, problems = check_and_screen(path, scans=scans)
    if len(problems):
        print(problems.render())
        print()
    if study is not None:
        print(_summary(study))
        for line in _publication(study):
            print(line)
    print(f"{problems.count()}. {_verdict(problems)}")
    return PROBLEMS if problems.errors else FINE


def _told(differences: list[Difference]) -> list[str]:
    lines = []
    for kind, words in _KINDS.items():
        found = [one for one in differences if one.kind == kind]
        if found:
            lines.append(f"{words}:")
        lines += [f"  {visible(one.what)} {visible(one.words)}" for one in found[:_TOLD]]
        if len(found) > _TOLD:
            lines.append(f"  and {len(found) - _TOLD} more")
    return lines


def _status(path: str) -> int:
    from morpho.steps.provenance import NoRecordError, read_record
    from morpho.study.reading.problems import StudyError
    from morpho.study.settings.config import read_config
    from morpho.workflow.provenance import Difference, file_sum
    from morpho.workflow.state import State

    try:
        config = read_config(path)
        command = f"Run the study again: {_run_command(path)}"
        state = State(config)
        due, differences = state.due, state.differences()
    except StudyError as error:
        print(error, file=sys.stderr)
        return PROBLEMS
    try:
        recorded = read_record(config.results)
        now = file_sum(config.path)
        if recorded["study_file"] != now and not any(one.kind == "setting" for one in differences):
            words = "was edited, but every setting is as it was"
            differences.append(Difference("note", "study.yaml", words))
        made = f"made with formkin {visible(recorded['versions'].get('formkin', '?'))}"
        if recorded.get("finished"):
            made += f", finished {visible(recorded['finished'])}"
    except NoRecordError as error:
        if not state.records:
            print(f"{error}\n{command}", file=sys.stderr)
            return PROBLEMS
        recorded, made = {}, "not complete"
    print(f"{visible(config.settings.title)}: results {made}")
    for line in _told(differences):
        print(line)
    if due:
        print(f"The results no longer match: {counted(len(due), 'step')} to do. {command}")
        return CHANGED
    files = sum(len(state.records[key].makes) for key in state.plan.jobs)
    inputs = counted(len(recorded.get("inputs", ())), "input")
    print(
        f"The results match: {inputs}, every setting, the "
        f"program and {counted(files, 'file')} of results are as they were."
    )
    return FINE


def _steps(asked: list[str]) -> frozenset[str] | None:
    """Rules of the steps that were asked for by name or in words; None where one is not known."""
    from morpho.study.reading.wording import looks_alike
    from morpho.workflow.phrases import PHRASES

    found = set()
    for one in asked:
        known = [
            step
            for step, phrase in PHRASES.items()
            if looks_alike(one, step) or looks_alike(one, phrase.says.replace("{name}", "").strip())
        ]
        if not known:
            print(f"There is no step {quoted(one)}. The steps are:", file=sys.stderr)
            for step, phrase in PHRASES.items():
                says = phrase.says.replace(" of {name}", "").replace("{name}", "figures")
                print(f"  {step:<13}{says}", file=sys.stderr)
            return None
        found.update(known)
    return frozenset(found)


def _run(given: argparse.Namespace) -> int:
    again = _steps(given.again)
    if again is None:
        return USAGE
    from morpho.running.run import Asked, planned, run_study
    from morpho.study.checks.results_folder import check_results_folder
    from morpho.study.reading.problems import Problems, StudyError
    from morpho.study.settings.config import read_config
    from morpho.workflow.state import State

    command = _run_command(given.study)
    try:
        config = read_config(given.study)
        found = Problems(base=config.folder)
        check_results_folder(config, found)
        found.raise_if_errors()
        state = State(config, forced=again)
        due = state.due
    except StudyError as error:
        print(error, file=sys.stderr)
        print("The study cannot be run: see the problems above.", file=sys.stderr)
        return PROBLEMS
    if given.dry_run:
        print(visible(config.settings.title))
        for line in _told(state.differences()) if state.records else ["Nothing was made yet."]:
            print(line)
        if not due:
            print("Nothing to do.")
        else:
            print("\n".join(planned(state, given.cores)))
            print("Nothing was done, as --dry-run was given.")
        return FINE
    return run_study(config, state, Asked(command, given.cores, given.profile, again, given.open))


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Gives 0 where all is well (there may be warnings), 1 where there are errors, 2 where the command
    cannot be understood, 3 where results no longer match the files of their study.
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
        if given.command == "run":
            return _run(given)
        if given.command == "status":
            return _status(given.study)
        return _check(given.study, scans=not given.without_scans)
    except BrokenPipeError:  # the reader, such as a pager, was closed
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PROBLEMS
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return PROBLEMS


if __name__ == "__main__":
    sys.exit(main())
