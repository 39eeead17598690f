"""One run of a study at a time: locks that outlived their process go, those in use name it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from types import SimpleNamespace

import psutil
import pytest

from morpho.workflow.at_work import UnderWayError, claim, holder, make_free, release

# An engine, as far as can be seen from outside, which works in a folder.
ENGINE = "import time; print('up', flush=True); time.sleep(600)"


@pytest.fixture
def config(tmp_path):
    folder = tmp_path.resolve()
    return SimpleNamespace(results=folder / "results")


@pytest.fixture
def started():
    """Starts a process in a folder under a name, as a module of which it could be called."""
    all_of_them = []

    def start(folder, *words):
        process = subprocess.Popen(
            [sys.executable, "-c", ENGINE, *words], cwd=folder, stdout=subprocess.PIPE, text=True
        )
        all_of_them.append(process)
        assert process.stdout.readline() == "up\n"
        return process

    yield start
    for process in all_of_them:
        process.kill()
        process.communicate()


def locked(config, number=0):
    """The engine's own lock."""
    path = config.results.parent / ".snakemake" / "locks" / f"{number}.output.lock"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("results/check.csv\n")
    return path


def noted(config, process, **other):
    """The note of a run, by another process."""
    told = {"process": process.pid, "since": psutil.Process(process.pid).create_time(),
            "host": os.uname().nodename}  # fmt: skip
    path = config.results.parent / ".snakemake" / "formkin" / "results.run.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(told | other))
    return path


def test_where_nobody_is_at_work_nothing_is_said_or_made(config):
    assert holder(config) is None
    assert make_free(config) == []
    assert list(config.results.parent.iterdir()) == []


def test_a_run_notes_itself_and_takes_the_note_away(config):
    claim(config)
    assert holder(config).process == os.getpid()
    assert make_free(config) == []
    claim(config)
    release(config, os.getpid() + 1)
    assert holder(config) is not None
    release(config, os.getpid())
    assert holder(config) is None


def test_a_lock_in_use_names_the_process(config, started):
    process = started(config.results.parent, "snakemake")
    lock, note = locked(config), noted(config, process)
    with pytest.raises(UnderWayError) as found:
        make_free(config)
    when = time.strftime("%H:%M", time.localtime(psutil.Process(process.pid).create_time()))
    assert f"(process {process.pid}, since {when} on " in str(found.value)
    assert f"kill {process.pid}" in str(found.value)
    assert lock.exists()
    assert note.exists()
    assert process.poll() is None


def test_a_lock_that_nobody_holds_is_taken_away_and_told(config, started):
    process = started(config.results.parent, "snakemake")
    lock, note = locked(config), noted(config, process)
    process.kill()
    process.wait()
    (said,) = make_free(config)
    assert "the lock was taken away" in said
    assert not lock.exists()
    assert not note.exists()
    assert make_free(config) == []


def test_another_process_with_the_number_is_not_the_run(config, started):
    """Numbers of processes come round again."""
    process = started("/", "something else")
    locked(config)
    noted(config, process, since=psutil.Process(process.pid).create_time() - 3600)
    assert holder(config) is None
    assert len(make_free(config)) == 1
    assert process.poll() is None


def test_a_clock_that_was_set_is_no_other_process(config, started):
    process = started(config.results.parent, "snakemake")
    noted(config, process, since=1.0)
    assert holder(config).process == process.pid


def test_a_run_on_another_machine_is_left_alone(config):
    """On a disk that several see: it cannot be told from here whether it lives."""
    lock = locked(config)
    noted(config, SimpleNamespace(pid=os.getpid()), host="far-away")
    with pytest.raises(UnderWayError, match=r"on far-away.*delete .*locks"):
        make_free(config)
    assert lock.exists()


def test_steps_that_outlived_their_engine_are_ended(config, started, tmp_path_factory):
    """They would go on writing; those of another study are none of our business."""
    engine = started(config.results.parent, "snakemake")
    locked(config)
    noted(config, engine)
    # as a killed engine leaves them: with another parent than it
    step = started(config.results.parent, "morpho.steps")
    other = started(tmp_path_factory.mktemp("another"), "morpho.steps")
    engine.kill()
    engine.wait()
    first, second = make_free(config)
    assert first == "1 step of a run that was killed still worked on this study, and was ended."
    assert "taken away" in second
    assert step.wait(10) is not None
    assert other.poll() is None


def test_a_broken_note_is_no_lock(config):
    note = noted(config, SimpleNamespace(pid=os.getpid()))
    note.write_text("{")
    assert holder(config) is None
    claim(config)
    assert holder(config).process == os.getpid()
