"""A run as it is shown: on a terminal, in a pipe, on a terminal that knows no better."""

from __future__ import annotations

import io
import os
import pty
import re
import threading
from types import SimpleNamespace

import pytest

from morpho.running.schedule import Schedule
from morpho.running.showing import shown_on
from morpho.workflow.plan import Job
from morpho.workflow.rules import BY_STEP

JOBS = {
    "femur/slide": Job(BY_STEP["slide"], "femur"),
    "femur/place": Job(BY_STEP["place"], "femur"),
}


@pytest.fixture
def schedule():
    plan = SimpleNamespace(jobs=JOBS, sources=lambda job: [])
    return Schedule(plan, dict.fromkeys(JOBS, 60.0), cores=1)


def play(stream, schedule):
    """Two jobs one after the other, and something found between them."""
    shown = shown_on(stream, {key: [job] for key, job in JOBS.items()}, schedule)
    for i, key in enumerate(JOBS):
        schedule.start(key, 100.0 * i)
        shown.look(100.0 * i)
        shown.done(key, schedule.finish(key, 100 * i + 60.0), 100 * i + 60.0)
        if i == 0:
            shown.say("specimens.csv\n  warning: [bold]a suspected slip[/bold]")
    shown.close()


def on_terminal(schedule):
    """What a terminal is sent."""
    ours, theirs = pty.openpty()
    told = []

    def read():
        while True:
            try:
                part = os.read(ours, 4096)
            except OSError:
                part = b""
            if not part:
                return
            told.append(part)

    reader = threading.Thread(target=read)
    reader.start()
    with os.fdopen(theirs, "w", encoding="utf-8") as stream:
        play(stream, schedule)
        stream.flush()
    reader.join(10)
    os.close(ours)
    return b"".join(told).decode().replace("\r\n", "\n")


LINES = (
    "1 of 2  femur: sliding semilandmarks, 60 s; about a minute left\n"
    "specimens.csv\n  warning: [bold]a suspected slip[/bold]\n"
    "2 of 2  femur: judging queries, 60 s\n"
)


def test_in_a_pipe_it_is_one_line_a_step(schedule):
    stream = io.StringIO()
    play(stream, schedule)
    assert stream.getvalue() == LINES


@pytest.mark.parametrize(("name", "value"), [("TERM", "dumb"), ("NO_COLOR", "1"), ("TERM", None)])
def test_on_a_terminal_that_knows_no_better_it_is_the_same(schedule, monkeypatch, name, value):
    monkeypatch.setenv("TERM", "xterm")
    if value is None:
        monkeypatch.delenv(name)
    else:
        monkeypatch.setenv(name, value)
    assert on_terminal(schedule) == LINES


def test_on_a_terminal_it_changes_in_place(schedule, monkeypatch):
    """What is being done, done of all, time left; what was found stays, the rest goes."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    told = on_terminal(schedule)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", told)
    assert "\x1b[" in told
    assert "femur: sliding semilandmarks, 0 s" in plain
    assert "0 of 2 steps done, about 2 minutes left" in plain
    assert "1 of 2 steps done, about a minute left" in plain
    assert "warning: [bold]a suspected slip[/bold]" in plain
    assert "\x1b[1A" in told or "\x1b[2K" in told


def test_what_a_name_holds_cannot_steer_the_terminal(schedule, monkeypatch):
    job = Job(BY_STEP["carry"], "femur", "a\x1b[2Jb")
    monkeypatch.setitem(JOBS, "femur/slide", job)
    stream = io.StringIO()
    play(stream, schedule)
    assert "\x1b" not in stream.getvalue()
    assert r"scan of a\x1b[2Jb" in stream.getvalue()
