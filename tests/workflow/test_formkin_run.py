"""`formkin run`: what is told of a run, and what becomes of one that something happens to."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from helpers.scenarios import SCENARIOS
from morpho.cli import main
from morpho.running.ending import conclusions
from morpho.running.telling import failure_words, warnings_of_check
from morpho.study.settings.config import read_config
from morpho.workflow.state import State

HOUSE = Path(__file__).parents[2]
# What tells when a run was, and how long it took.
OF_TIME = ("logs", "benchmarks", "history", "provenance.json")


def start(folder, *arguments, **more):
    """Start `formkin run` as a user does, from somewhere else."""
    environment = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM")}
    return subprocess.Popen(
        [sys.executable, "-m", "morpho.cli", "run", str(folder), *arguments],
        cwd=folder.parent, text=True,
        env=environment | {"PYTHONPATH": str(HOUSE), "TERM": "xterm", "COLUMNS": "120"},
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more),
    )  # fmt: skip


def run(folder, *arguments):
    started = start(folder, *arguments)
    out, err = started.communicate(timeout=900)
    return started.returncode, out, err


def on_terminal(folder):
    """What a run writes on a terminal."""
    ours, theirs = pty.openpty()
    started = start(folder, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    told = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        told += part
    os.close(ours)
    assert started.wait() == 0, told
    return told.decode()


def left_locked(folder):
    """As a run leaves it that was killed."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    hidden = folder / ".snakemake"
    (hidden / "locks").mkdir(parents=True)
    (hidden / "locks" / "0.output.lock").write_text("results/archive.zip\n")
    (hidden / "formkin").mkdir(exist_ok=True)
    told = {"process": gone.pid, "since": 1.0, "host": os.uname().nodename}
    (hidden / "formkin" / "results.run.json").write_text(json.dumps(told))


@pytest.mark.whole
def test_a_run_in_a_pipe_and_on_a_terminal(copy):
    """A line a step with what is done of all, verdicts and page at the end; a lock that heals."""
    folder = copy()
    (folder / "results" / "archive.zip").unlink()
    left_locked(folder)
    before = {path.name for path in folder.parent.iterdir()}
    code, out, err = run(folder, "--cores", "1")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert "the lock was taken away" in lines[0]
    assert lines[1] == "An invented study: checking every file first."
    assert re.fullmatch(r"2 steps to do, (a few|about \d+) seconds\.", lines[2])
    assert re.fullmatch(r"1 of 2  packing the archive, \d+ s; (a few|about).* left", lines[3])
    assert re.fullmatch(r"2 of 2  noting what the results are made of, \d+ s", lines[4])
    assert lines[5:-1] == conclusions(read_config(folder))
    assert lines[-1] == f"The page: {folder}/results/report.html"
    log = (folder / "results" / "logs" / "engine.log").read_text()
    assert "rule finish" in log
    assert {path.name for path in folder.parent.iterdir()} == before
    assert State(read_config(folder)).due == {}
    record = (folder / "results" / "provenance.json").read_text()
    assert str(folder.parent) not in record

    (folder / "results" / "provenance.json").unlink()
    told = on_terminal(folder)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", told)
    assert "noting what the results are made of" in plain
    assert "0 of 1 step done" in plain
    assert "1 of 1  " not in plain
    assert told != plain
    assert plain.rstrip().endswith("results/report.html")


def test_a_run_with_nothing_to_do_starts_no_engine(copy, capsys, monkeypatch):
    folder = copy()
    monkeypatch.chdir(folder)
    opened = []
    monkeypatch.setattr("webbrowser.open", lambda where: opened.append(where) or True)
    assert main(["run", "--open"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "An invented study: nothing to do, all results are as they were."
    assert lines[-1].startswith("The page: ")
    assert opened == [(folder / "results" / "report.html").as_uri()]
    assert not (folder / "results" / "logs").exists()


def test_the_conclusions_are_those_of_the_tables(copy):
    """One line a query, outside first, in the page's words; taxa that keep it are named."""
    folder = copy()
    config = read_config(folder)
    path = config.results / "all-elements" / "tables" / "individuals.csv"
    head = path.read_text().splitlines()[0]
    rows = [
        'a,1,inside,femur: inside,ash,0.4', 'b,2,undecided,femur: outside; tibia: inside,ash,0.1',
        'c\x1b[1m,1,outside,femur: outside,ash,0.001', 'd,0,undecided,,,',
    ]  # fmt: skip
    path.write_text("\n".join([head, *rows]) + "\n")
    verdicts = config.results / "femur" / "tables" / "verdicts.csv"
    names = verdicts.read_text().splitlines()[0].split(",")
    row = dict.fromkeys(names, "") | {"specimen": "a", "taxa_not_rejected": "birch; ash"}
    verdicts.write_text(",".join(names) + "\n" + ",".join(row.values()) + "\n")
    assert conclusions(config) == [
        r"c\x1b[1m falls outside every known taxon of this sample (femur outside).",
        "b can be told neither outside nor inside (femur outside and tibia inside).",
        "d could not be held against the known taxa.",
        "a is compatible with birch and ash (femur inside).",
    ]


CHANGES = ("nothing", "a setting", "the archive deleted", "a corrected landmark", "the page forged")


@pytest.mark.parametrize("name", CHANGES)
def test_a_dry_run_agrees_with_status(copy, capsys, name):
    """The same reasons, as many steps; and nothing is written."""
    folder = copy()
    next(one for one in SCENARIOS if one.name == name).change(folder)
    state = State(read_config(folder))
    calls = state.plan.calls(state.due)
    code = main(["status", str(folder)])
    status = capsys.readouterr().out
    before = sorted(folder.rglob("*"))
    assert main(["run", str(folder), "--dry-run"]) == 0
    told = capsys.readouterr().out
    assert sorted(folder.rglob("*")) == before
    assert status.splitlines()[1:-1] == told.splitlines()[1 : len(status.splitlines()) - 1]
    if code == 0:
        assert told.endswith("Nothing to do.\n")
        assert state.due == {}
    else:
        count = int(re.search(r"(?m)^(\d+) steps? to do, ", told)[1])
        assert count == len(calls)
        assert f": {count} step" in status


def test_a_step_again_takes_what_rests_on_it_along(copy, capsys):
    folder = copy()
    assert main(["run", str(folder), "--dry-run", "--again", "Writing the page"]) == 0
    told = capsys.readouterr().out
    assert "To be done again:\n  report is to be done again\n" in told
    assert "\n3 steps to do, " in told
    for words in ("writing the page", "packing the archive", "noting what"):
        assert f"\n  {words}" in told


def test_warnings_of_the_check_are_told_when_it_is_done(copy):
    folder = copy()
    config = read_config(folder)
    (config.results / "check.csv").write_text(
        "severity,file,line,element,specimen,landmark,found,remedy\n"
        "note,study.yaml,,,,,A note.,Nothing.\n"
        'warning,landmarks/femur/all.csv,12,femur,ash 1,point_2,"This looks exchanged.",Look.\n'
    )
    assert list(warnings_of_check(config)) == [
        "landmarks/femur/all.csv\n"
        "  warning, line 12, element femur, specimen ash 1, landmark point_2: "
        "This looks exchanged.\n    Look."
    ]


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("vary: 10 of 20\nvary femur: Killed (signal 9).\n",
         "femur: judging again with other choices: could not be done.\n"
         "  vary: 10 of 20\n  vary femur: Killed (signal 9)."),
        ("Traceback (most recent call last):\n  File x\nTypeError: no \x1b number\n",
         r"stopped by a mistake in the program (TypeError: no \x1b number). Its whole account is"),
    ],
)  # fmt: skip
def test_a_step_that_fails_says_why(made, tmp_path, said, told):
    log = tmp_path / "vary.log"
    log.write_text(said)
    job = State(read_config(made)).plan.job("vary", "femur")
    assert told in failure_words([job], log)


def at_work(folder):
    """Steps that work on a study: the watched ones, each the child of its watch."""
    for process in psutil.process_iter():
        try:
            if "morpho.steps" in process.cmdline() and Path(process.cwd()) == folder.resolve():
                parent = process.parent()
                if parent is not None and "morpho.steps" in parent.cmdline():
                    yield process
        except psutil.Error:
            pass


def wait_for_a_step(folder, started):
    while started.poll() is None:
        found = next(at_work(folder), None)
        if found is not None:
            return found
        time.sleep(0.05)
    raise AssertionError(started.communicate())


def bytes_of(results):
    found = {}
    for path in sorted(results.rglob("*")):
        inside = path.relative_to(results)
        hidden = any(part.startswith(".") for part in inside.parts)  # of what was killed
        if path.is_file() and inside.parts[0] not in OF_TIME and not hidden:
            found[inside.as_posix()] = path.read_bytes()
    return found


@pytest.mark.slow
def test_a_run_that_something_happens_to_is_taken_up_again(copy):
    """A step is killed, the user stops it, its engine is killed; the last has the bytes of before.

    Each time it is said what happened, what is kept, and that the same command goes on.
    """
    folder = copy()
    before = bytes_of(folder / "results")
    (folder / "results" / "archive.zip").unlink()

    started = start(folder)
    wait_for_a_step(folder, started).kill()
    out, err = started.communicate()
    assert started.returncode == 1
    assert "packing the archive: could not be done.\n  archive: Killed (signal 9)" in out
    assert re.search(r"it used \d+ MB itself", out)
    assert "1 step failed; 0 of 2 are done and kept" in err
    assert err.endswith(f"the same command goes on: formkin run {folder}\n")
    assert "Traceback" not in out + err

    started = start(folder)
    wait_for_a_step(folder, started)
    started.send_signal(signal.SIGINT)
    out, err = started.communicate()
    assert started.returncode == 1
    assert err == (
        "Stopped: 0 of 2 steps are done and kept. The same command goes on from there: "
        f"formkin run {folder}\n"
    )
    assert list(at_work(folder)) == []

    started = start(folder)
    step = wait_for_a_step(folder, started)
    second, out, err = run(folder)
    engine = next(one for one in step.parents() if "snakemake" in one.cmdline())
    assert second == 1
    assert f"This study is being run already (process {engine.pid}, since " in err
    engine.kill()
    out, err = started.communicate()
    assert started.returncode == 1
    assert "The workflow engine was ended. Killed" in err
    assert err.endswith(f"0 of 2 steps are done and kept. Go on with: formkin run {folder}\n")
    # ended, though a machine may lack what buries the children of the dead
    assert not step.is_running() or step.status() == psutil.STATUS_ZOMBIE

    code, out, err = run(folder)
    assert (code, err) == (0, "")
    assert list(at_work(folder)) == []
    after = bytes_of(folder / "results")
    assert sorted(name for name in before if after.get(name) != before[name]) == []
    assert set(after) == set(before)


@pytest.mark.long
def test_both_ways_do_the_same(copy, tmp_path):
    """formkin run, and the engine's own line as the guide has it: the same jobs, the same bytes."""
    found = []
    for way in range(2):
        folder = copy()
        path = folder / "study.yaml"
        path.write_text(path.read_text().replace("simulations: 2", "simulations: 3"))
        if way:
            assert run(folder, "--cores", "2")[0] == 0
        else:
            command = [
                sys.executable, "-m", "snakemake", "--cores", "2",
                "--snakefile", str(HOUSE / "Snakefile"), "--configfile", str(path),
                "--workflow-profile", str(HOUSE / "config" / "profiles" / "local"),
            ]  # fmt: skip
            environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
            done = subprocess.run(command, cwd=folder, env=environment, capture_output=True)
            assert done.returncode == 0, done.stderr[-3000:]
        logs = {p.relative_to(folder).as_posix() for p in (folder / "results/logs").rglob("*.log")}
        found.append((bytes_of(folder / "results"), logs - {"results/logs/engine.log"}))
        folder.rename(tmp_path / f"study {way}")
    (plain, plain_logs), (ours, our_logs) = found
    assert sorted(name for name in plain if ours.get(name) != plain[name]) == []
    assert set(ours) == set(plain)
    assert our_logs == plain_logs
    assert len(our_logs) > 5
