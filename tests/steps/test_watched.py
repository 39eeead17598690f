"""A step that is killed, or for which the machine is too small, is told in words."""

from __future__ import annotations

import errno
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from morpho.steps import __main__ as steps
from morpho.steps.__main__ import main
from morpho.workflow import mishaps
from morpho.workflow.mishaps import killed_words, mishap_words, said_of_folders

HOUSE = Path(__file__).parents[2]
CALL = """
import os, signal, sys, time
from morpho.steps.watched import watched
def call(arguments):
    {}
    return 5
print("begun", flush=True)
sys.exit(watched(call, ["--if-due", "vary", "study.yaml", "femur"]))
"""


def start(does):
    return subprocess.Popen(
        [sys.executable, "-c", CALL.format(does)], cwd=HOUSE,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("does", "code", "said"),
    [
        ("pass", 5, ""),
        ("sys.exit(3)", 3, ""),
        ("os.kill(os.getpid(), signal.SIGSEGV)", 139,
         "vary femur: Killed: it crashed within a library (signal 11).\n"),
    ],
)  # fmt: skip
def test_the_exit_code_of_a_watched_step_is_its_own(does, code, said):
    started = start(does)
    _, told = started.communicate(timeout=60)
    assert (started.returncode, told) == (code, said)


def test_a_step_that_is_killed_says_how_much_memory_it_used():
    started = start("block = bytearray(150 << 20); os.kill(os.getpid(), signal.SIGKILL)")
    _, told = started.communicate(timeout=60)
    assert started.returncode == 137
    assert "vary femur: Killed (signal 9) by somebody, or by the system" in told
    used = int(told.split("it used ")[1].split(" MB")[0])
    assert 157 <= used < 300


def test_who_asks_the_watcher_to_end_asks_the_step():
    """A queue knows only the process that it started."""
    started = start("print('at work', flush=True); time.sleep(60)")
    assert started.stdout.readline() == "begun\n"
    assert started.stdout.readline() == "at work\n"
    time.sleep(0.2)
    started.send_signal(signal.SIGTERM)
    _, told = started.communicate(timeout=30)
    assert started.returncode == 143
    assert "asked to end" in told


def test_much_memory_and_a_kill_are_put_together(monkeypatch):
    monkeypatch.setattr(mishaps, "most_memory", lambda: 8_000_000_000)
    told = killed_words(9, 6.4e9)
    assert told.startswith("Killed, most likely because memory ran out: it used 6.4 GB of the 8.0 ")
    assert "--cores 1" in told
    assert "most likely" not in killed_words(9, 1e9)
    assert "signal 63" in killed_words(63, 0)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.ENOSPC, "no space"), "The disk is full: nothing more can be written into"),
        (OSError(errno.EDQUOT, "quota"), "as far as you may use it"),
        (OSError(errno.EIO, "broken"), "can no longer be used"),
        (MemoryError(), "Memory ran out: it used 300 MB of the "),
    ],
)
def test_errors_of_disk_and_memory_are_told(tmp_path, error, said):
    told = mishap_words(error, tmp_path, 3e8)
    assert said in told
    assert "the same command goes on" in told


def test_a_mistake_in_the_program_stays_one(tmp_path):
    """It is not taken for a fault of the machine."""
    assert mishap_words(FileNotFoundError(2, "x"), tmp_path, 0) is None
    assert mishap_words(KeyError("x"), tmp_path, 0) is None


def test_a_folder_that_vanished_is_named(tmp_path, monkeypatch):
    assert said_of_folders(tmp_path) is None
    gone = tmp_path / "gone"
    assert f"The folder {gone} is not there any more" in said_of_folders(tmp_path, gone)
    assert "not there any more" in mishap_words(FileNotFoundError(2, "x"), gone, 0)
    monkeypatch.setattr(mishaps, "_ROOM", 1 << 80)
    assert "The disk is full" in said_of_folders(tmp_path)


@pytest.mark.parametrize(
    ("error", "said"),
    [(OSError(errno.ENOSPC, "x"), "The disk is full"), (MemoryError(), "Memory ran out")],
)
def test_a_step_tells_it_in_one_line(tmp_path, monkeypatch, capsys, error, said):
    def broken(*_, **__):
        raise error

    monkeypatch.setattr(steps, "_do", broken)
    monkeypatch.setattr(steps, "_calls", lambda config, step, rest: [rest])
    monkeypatch.setattr("morpho.study.settings.config.read_config", lambda path: _Config(tmp_path))
    assert main(["slide", str(tmp_path / "study.yaml"), "femur"]) == 1
    told = capsys.readouterr().err
    assert told.startswith(f"slide femur: {said}")
    assert told.count("\n") == 1


class _Config:
    def __init__(self, folder):
        self.results, self.path = folder, folder / "study.yaml"
