"""`formkin run`: the check, then what is due, told in the words of the study."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.house.place import workflow_folder
from morpho.running.ending import conclusions, page_of
from morpho.running.schedule import Schedule, expected_seconds, roughly
from morpho.running.showing import Shown, shown_on, to_stderr
from morpho.running.telling import (
    edited_words,
    failure_words,
    warnings_of_check,
)
from morpho.study.reading.wording import visible
from morpho.wording import counted
from morpho.workflow.at_work import UnderWayError, holder, make_free
from morpho.workflow.mishaps import killed_words, said_of_folders
from morpho.workflow.state import BEGUN, State
from morpho.workflow.tidying import make_way

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig
    from morpho.workflow.plan import Job

__all__ = ["Asked", "run_study"]

FINE, FAILED = 0, 1
# Seconds between two looks at what is shown, and what a run that is stopped is given to end.
_LOOK, _PATIENCE = 0.25, 30
_ENGINE = Path(__file__).parent / "engine"
# Below the results.
LOG = "logs/engine.log"


@dataclass(frozen=True)
class Asked:
    """What the user asks for."""

    command: str  # how it is given again
    cores: int | None = None  # None for all
    profile: str | None = None
    again: frozenset[str] = frozenset()
    opened: bool = False


class _Stopped(KeyboardInterrupt):
    """The run was stopped from the keyboard, or by a signal."""


@contextmanager
def _stoppable() -> Iterator[None]:
    """Meet a signal that ends a process as Ctrl-C is met."""

    def stop(*_: Any) -> None:
        raise _Stopped

    told = (signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, stop) for number in told]
    try:
        yield
    finally:
        for number, old in zip(told, before, strict=True):
            signal.signal(number, old)


def _check(config: StudyConfig) -> bool:
    """Tell every error of every file; whether there is none."""
    command = [sys.executable, "-P", "-m", "morpho.steps", "check", str(config.path), "look"]
    parent = str(Path(__file__).parents[2])
    return subprocess.run(command, env=os.environ | {"PYTHONPATH": parent}).returncode == 0


def _command(config: StudyConfig, asked: Asked) -> list[str]:
    """How the engine is called: as the guide says, and with an ear for its events."""
    house = workflow_folder()
    command = [sys.executable, "-P", "-m", "snakemake"]
    command += ["--snakefile", str(house / "Snakefile"), "--configfile", str(config.path)]
    ours = house / "config" / "profiles" / (asked.profile or "local")
    if ours.is_dir() or asked.profile is None:
        command += ["--workflow-profile", str(ours)]
    else:
        command += ["--profile", os.path.abspath(asked.profile)
                    if os.path.isdir(asked.profile) else asked.profile]  # fmt: skip
    if asked.cores is not None or asked.profile is None:
        command += ["--cores", str(asked.cores or "all")]
    if asked.again:
        command += ["--forcerun", *sorted(asked.again)]
    return [*command, "--logger", "formkin"]


@dataclass
class _Run:
    """The engine at work, and what it tells."""

    config: StudyConfig
    calls: dict[str, list[Job]]
    schedule: Schedule
    shown: Shown
    asked: Asked
    keys: dict[int, str] = field(default_factory=dict)  # of jobs, by the engine's number
    logs: dict[int, list[str]] = field(default_factory=dict)
    error: str = ""  # what stopped the engine itself

    def hear(self, event: dict[str, Any]) -> None:
        """Take in one event of the engine."""
        now, number = time.monotonic(), event.get("id", -1)
        if event["event"] == "error":
            self.error = event["error"]
        elif event["event"] == "job_info":
            # of elements that differ in what there is to make, rules bear their names
            step, _, element = event["step"].partition("_")
            parts = (event["of"].get("element", element), step)
            key = "/".join(part for part in parts if part)
            if key in self.schedule.seconds:
                self.keys[number], self.logs[number] = key, event["log"]
                self.schedule.start(key, now)
        elif number in self.keys:
            key = self.keys[number]
            if event["event"] == "job_finished" and key not in self.schedule.done:
                self._finished(key, now)
            elif event["event"] == "job_error" and key not in self.schedule.failed:
                self.schedule.fail(key)
                log = self.config.results.parent / next(iter(self.logs[number]), "")
                self.shown.say(failure_words(self.calls[key], log))
        self.shown.look(now)

    def _finished(self, key: str, now: float) -> None:
        taken = self.schedule.finish(key, now)
        self.shown.done(key, taken, now)
        if key == "check":
            for line in warnings_of_check(self.config):
                self.shown.say(line)

    def follow(self, reading: int, engine: subprocess.Popen[bytes]) -> None:
        """Hear the engine until it has ended."""
        rest = b""
        while True:
            ready, _, _ = select.select([reading], [], [], _LOOK)
            if ready:
                part = os.read(reading, 1 << 16)
                if not part:
                    break
                *lines, rest = (rest + part).split(b"\n")
                for line in lines:
                    self.hear(json.loads(line))
            else:
                self.shown.look(time.monotonic())
                if engine.poll() is not None:  # and somebody else holds its end of the pipe
                    break
        engine.wait()


def _tell_group(engine: subprocess.Popen[bytes], number: int) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(engine.pid, number)


def _end(engine: subprocess.Popen[bytes]) -> None:
    """Stop the engine and its steps: with good manners, and then without."""
    for number, patience in ((signal.SIGINT, _PATIENCE), (signal.SIGTERM, 5)):
        _tell_group(engine, number)
        try:
            engine.wait(patience)
            break
        except subprocess.TimeoutExpired:
            continue
        except KeyboardInterrupt:  # once more, impatiently
            break
    _tell_group(engine, signal.SIGKILL)
    engine.wait()


def _work(run: _Run, log: Path) -> int:
    """Call the engine and follow it; gives its exit code."""
    reading, writing = os.pipe()
    path = os.pathsep.join(filter(None, [str(_ENGINE), os.environ.get("PYTHONPATH", "")]))
    more = {"PYTHONPATH": path, "FORMKIN_EVENTS": str(writing), BEGUN: "yes"}
    with open(log, "wb") as file:
        engine = subprocess.Popen(
            _command(run.config, run.asked),
            cwd=run.config.results.parent, env=os.environ | more, pass_fds=[writing],
            stdin=subprocess.DEVNULL, stdout=file, stderr=file, start_new_session=True,
        )  # fmt: skip
    os.close(writing)
    try:
        run.follow(reading, engine)
    except BaseException:
        _end(engine)
        raise
    finally:
        os.close(reading)
    if engine.returncode < 0:  # it was killed, and its steps were not
        _tell_group(engine, signal.SIGKILL)
    return engine.returncode


def _end_words(config: StudyConfig, asked: Asked) -> int:
    """Tell the conclusions and the page, and open it if that was asked for."""
    for line in conclusions(config):
        print(line)
    page = page_of(config)
    print(f"The page: {page}")
    if asked.opened:
        import webbrowser

        if not webbrowser.open(page.resolve().as_uri()):
            to_stderr("No browser could be started here: open the page yourself.")
    return FINE


def _begin(config: StudyConfig, state: State) -> None:
    """Note the run's start, and make way for what it makes."""
    from morpho.steps.provenance import mark_start

    mark_start(config)
    for said in make_way(state):
        print(said)
    for said in edited_words(state):
        print(said)
    (config.results / LOG).parent.mkdir(parents=True, exist_ok=True)


def _why_it_stopped(run: _Run, code: int) -> str:
    """One sentence on a run that ended although no step failed."""
    config, log = run.config, run.config.results / LOG
    by = holder(config)
    if by is not None:
        return str(UnderWayError(by, config.results.parent / ".snakemake" / "locks"))
    told = said_of_folders(config.folder, config.results.parent, config.results)
    if told:
        return told
    if code < 0:
        return f"The workflow engine was ended. {killed_words(-code, 0)}"
    return (
        f"The workflow engine stopped{f' ({run.error})' if run.error else ''}; what it said is in "
        f"{log}."
    )


def _failed(run: _Run, code: int) -> int:
    """Tell how a run ended that did not do everything."""
    schedule, config = run.schedule, run.config
    if schedule.failed:
        told = said_of_folders(config.folder, config.results.parent)
        if told:
            to_stderr(told)
        to_stderr(
            f"{counted(len(schedule.failed), 'step')} failed; {len(schedule.done)} of "
            f"{schedule.total} are done and kept. The log of each step is in "
            f"{config.results / 'logs'}, that of the engine is {config.results / LOG}. When the "
            f"cause is mended, the same command goes on: {run.asked.command}"
        )
    else:
        to_stderr(_why_it_stopped(run, code))
        done = f"{len(schedule.done)} of {counted(schedule.total, 'step')} are done and kept."
        to_stderr(f"{done} Go on with: {run.asked.command}")
    return FAILED


def _changed_meanwhile(config: StudyConfig) -> bool:
    """Say what does not hold although everything was done, as a file edited meanwhile."""
    left = State(config)
    if left.due:
        to_stderr("Run the study again, as this changed while it ran:")
        for one in left.differences()[:12]:
            to_stderr(f"  {visible(one.what)} {one.words}")
    return bool(left.due)


def run_study(config: StudyConfig, state: State, asked: Asked) -> int:
    """Do what is due of a study; gives 0 where all went well, as the engine does."""
    try:
        for said in make_free(config):
            print(said)
    except UnderWayError as error:
        to_stderr(str(error))
        return FAILED
    if not state.due:
        print(f"{visible(config.settings.title)}: nothing to do, all results are as they were.")
        return _end_words(config, asked)
    plan, cores = state.plan, asked.cores or os.cpu_count() or 1
    calls = plan.calls(state.due)
    schedule = Schedule(plan, expected_seconds(config.results, plan, state.due), cores)
    print(f"{visible(config.settings.title)}: checking every file first.", flush=True)
    if not _check(config):
        to_stderr("Nothing was run: see the problems of the input above.")
        return FAILED
    try:
        _begin(config, state)
    except OSError as error:
        from morpho.study.checks.results_folder import cannot_be_written

        to_stderr("\n".join(cannot_be_written(config.results, error)))
        to_stderr("Nothing was run.")
        return FAILED
    print(f"{counted(schedule.total, 'step')} to do, {roughly(schedule.left(0))}.", flush=True)
    shown = shown_on(sys.stdout, calls, schedule)
    run = _Run(config, calls, schedule, shown, asked)
    try:
        with _stoppable():
            code = _work(run, config.results / LOG)
    except KeyboardInterrupt:
        shown.close()
        with suppress(UnderWayError, OSError):
            make_free(config)
        to_stderr(
            f"Stopped: {len(schedule.done)} of {counted(schedule.total, 'step')} are done and "
            f"kept. The same command goes on from there: {asked.command}"
        )
        return FAILED
    shown.close()
    if code != 0 or schedule.failed:
        return _failed(run, code)
    if _changed_meanwhile(config):
        return FINE
    return _end_words(config, asked)


def planned(state: State, cores: int | None, again: Sequence[str] = ()) -> list[str]:
    """Say what would be done, step by step, and how long that takes."""
    from morpho.workflow.phrases import doing

    seconds = expected_seconds(state.config.results, state.plan, state.due)
    schedule = Schedule(state.plan, seconds, cores or os.cpu_count() or 1)
    lines = [f"{counted(schedule.total, 'step')} to do, {roughly(schedule.left(0))}:"]
    calls = state.plan.calls(state.due).values()
    return lines + [f"  {visible(doing(*jobs))}" for jobs in calls]
