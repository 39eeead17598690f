"""Who is at work on a study: one run at a time, and no lock that outlives its process.

The engine keeps locks of its own beside the results, and leaves them there when it is killed; its
steps live on and go on writing. A run therefore notes its process, and when that began, in a file
beside those locks. The next one looks whether that process is still there: if so it stops and names
it, if not it takes the locks away and ends what was left behind.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.whole import write_whole
from morpho.wording import counted

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["Holder", "UnderWayError", "claim", "holder", "make_free", "release"]

# Seconds by which the beginning of a process may seem to move when the clock is set.
_SLACK = 5
# Seconds that what is ended is given to end by itself.
_PATIENCE = 5
_STEPS, _ENGINE = "morpho.steps", "snakemake"


@dataclass(frozen=True)
class Holder:
    """The process that runs a study."""

    process: int
    since: float  # seconds of the clock
    host: str

    def words(self) -> str:
        """Name it."""
        when = datetime.fromtimestamp(self.since).strftime("%H:%M on %d %B %Y")
        where = "" if self.host == socket.gethostname() else f" on {self.host}"
        return f"process {self.process}{where}, since {when}"


class UnderWayError(RuntimeError):
    """Another run of the study is under way."""

    def __init__(self, by: Holder, locks: Path) -> None:
        self.by = by
        if by.host == socket.gethostname():
            remedy = f"Wait until it has ended, or stop it: kill {by.process}"
        else:
            remedy = (
                f"Whether it still runs cannot be seen from here. If it does not, delete {locks} "
                f"and {locks.parent / 'formkin'}, and run the study again."
            )
        super().__init__(f"This study is being run already ({by.words()}). {remedy}")


def _hidden(config: StudyConfig) -> Path:
    return config.results.parent / ".snakemake"


def _note(config: StudyConfig) -> Path:
    return _hidden(config) / "formkin" / f"{config.results.name}.run.json"


def _read(path: Path) -> Holder | None:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return Holder(int(found["process"]), float(found["since"]), str(found["host"]))
    except (OSError, ValueError, LookupError, TypeError):
        return None


def _lives(told: Holder, folder: Path) -> bool:
    """Whether a process that was noted is there, and not another one with its number."""
    import psutil

    if told.host != socket.gethostname():
        return True
    try:
        process = psutil.Process(told.process)
        if process.status() == psutil.STATUS_ZOMBIE:
            return False
        if abs(process.create_time() - told.since) < _SLACK:
            return True
        return _called(process, _ENGINE) and Path(process.cwd()) == folder
    except (psutil.Error, OSError):
        return False


def _called(process: Any, word: str) -> bool:
    """Whether a process was called with a program or module of that name."""
    return any(Path(part).name == word for part in process.cmdline()[:6])


def holder(config: StudyConfig) -> Holder | None:
    """The process that runs a study now, if one does."""
    told = _read(_note(config))
    return told if told is not None and _lives(told, config.results.parent) else None


def claim(config: StudyConfig) -> None:
    """Note that this process runs a study."""
    import psutil

    here = Holder(os.getpid(), psutil.Process().create_time(), socket.gethostname())
    write_whole(_note(config), json.dumps(asdict(here)) + "\n")


def release(config: StudyConfig, process: int) -> None:
    """Take away the note of a run that has ended."""
    told = _read(_note(config))
    if told is not None and told.process == process:
        with suppress(OSError):
            _note(config).unlink()


def _left_behind(folder: Path) -> Iterator[Any]:
    """Steps that work in a folder although no engine that called them is there any more."""
    import psutil

    for process in psutil.process_iter():
        try:
            # cheap first: reading of many processes takes long
            if not _called(process, _STEPS) or Path(process.cwd()) != folder:
                continue
            if not any(_called(one, _ENGINE) for one in process.parents()):
                yield process
        except (psutil.Error, OSError):  # ended by now, or somebody else's
            continue


def _end(processes: list[Any]) -> None:
    """End processes, by force where they do not heed."""
    import psutil

    for process in processes:
        with suppress(psutil.Error):
            process.terminate()
    _, living = psutil.wait_procs(processes, timeout=_PATIENCE)
    for process in living:
        with suppress(psutil.Error):
            process.kill()
    psutil.wait_procs(living, timeout=_PATIENCE)


def make_free(config: StudyConfig) -> list[str]:
    """Before a run: stop if another one is under way, and clear away what a killed one left.

    What was cleared away is said.

    Raises
    ------
    UnderWayError
        If the study is being run.
    """
    folder, said = config.results.parent, list[str]()
    by = holder(config)
    if by is not None and (by.process, by.host) != (os.getpid(), socket.gethostname()):
        raise UnderWayError(by, _hidden(config) / "locks")
    locks = sorted((_hidden(config) / "locks").glob("*.lock"))
    if not locks and _read(_note(config)) is None:
        return said
    left = list(_left_behind(folder))
    if left:
        _end(left)
        were = "was" if len(left) == 1 else "were"
        said.append(
            f"{counted(len(left), 'step')} of a run that was killed still worked on this study, "
            f"and {were} ended."
        )
    others = [
        path
        for path in _note(config).parent.glob("*.run.json")
        if path != _note(config) and (one := _read(path)) is not None and _lives(one, folder)
    ]
    if locks and not others:
        for lock in locks:
            lock.unlink(missing_ok=True)
        said.append(
            "The last run was cut off and left the study locked. Its process is gone, so the lock "
            "was taken away."
        )
    _note(config).unlink(missing_ok=True)
    return said
