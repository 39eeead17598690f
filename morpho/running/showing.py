"""A run as it is shown: lines that follow one another, or a few that change on a terminal."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Protocol, TextIO

from morpho.running.schedule import Schedule, roughly
from morpho.study.reading.wording import visible
from morpho.wording import counted
from morpho.workflow.phrases import doing

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Group

    from morpho.workflow.plan import Job

__all__ = ["Shown", "shown_on"]

# Steps under way that are named; of more, how many.
_NAMED = 6


class Shown(Protocol):
    """How a run is shown."""

    def say(self, text: str) -> None:
        """Say something that stays."""

    def waiting(self, text: str) -> None:
        """Say what is being done before the first step."""

    def look(self, now: float) -> None:
        """Show how far it is now."""

    def done(self, key: str, taken: float, now: float) -> None:
        """A step is done."""

    def close(self) -> None:
        """The run has ended."""


def _seconds(taken: float) -> str:
    return f"{taken:.0f} s" if taken < 100 else f"{taken / 60:.0f} min"


def _left(schedule: Schedule, now: float) -> str:
    return f"{roughly(schedule.left(now))} left"


class _Lines:
    """Plain lines, one a step, for a pipe, a log or a terminal that knows no better."""

    def __init__(self, stream: TextIO, calls: Mapping[str, list[Job]], schedule: Schedule) -> None:
        self._stream, self._calls, self._schedule = stream, calls, schedule

    def say(self, text: str) -> None:
        print(text, file=self._stream, flush=True)

    def waiting(self, text: str) -> None:
        self.say(text)

    def look(self, now: float) -> None:
        pass

    def done(self, key: str, taken: float, now: float) -> None:
        done, total = len(self._schedule.done), self._schedule.total
        line = f"{done:>{len(str(total))}} of {total}  {visible(doing(*self._calls[key]))}, "
        line += _seconds(taken)
        if done < total:
            line += f"; {_left(self._schedule, now)}"
        self.say(line)

    def close(self) -> None:
        pass


class _Live:
    """Lines that change in place: what is being done, and how far it is."""

    def __init__(self, stream: TextIO, calls: Mapping[str, list[Job]], schedule: Schedule) -> None:
        from rich.console import Console
        from rich.live import Live

        self._calls, self._schedule = calls, schedule
        self._console = Console(file=stream, highlight=False, markup=False, emoji=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def say(self, text: str) -> None:
        self._console.print(text, soft_wrap=True)

    def waiting(self, text: str) -> None:
        from rich.text import Text

        self._live.update(Text(f"{text} ..."), refresh=True)

    def look(self, now: float) -> None:
        self._live.update(self._picture(now), refresh=True)

    def done(self, key: str, taken: float, now: float) -> None:
        self.look(now)

    def close(self) -> None:
        from rich.text import Text

        self._live.update(Text(""), refresh=True)
        self._live.stop()

    def _picture(self, now: float) -> Group:
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        schedule = self._schedule
        under_way = list(schedule.running.items())
        lines = [
            Text(
                f"  {visible(doing(*self._calls[key]))}, {_seconds(now - begun)}",
                overflow="ellipsis", no_wrap=True,
            )
            for key, begun in under_way[:_NAMED]
        ]  # fmt: skip
        if len(under_way) > _NAMED:
            lines.append(Text(f"  and {counted(len(under_way) - _NAMED, 'step')} more"))
        done, total = len(schedule.done), schedule.total
        bar = Table.grid(padding=(0, 2))
        words = f"{done} of {counted(total, 'step')} done, {_left(schedule, now)}"
        bar.add_row(ProgressBar(total=max(total, 1), completed=done, width=30), Text(words))
        return Group(*lines, bar)


def shown_on(stream: TextIO, calls: Mapping[str, list[Job]], schedule: Schedule) -> Shown:
    """How a run is shown on a stream: it changes in place on a terminal that can do that."""
    plain = not stream.isatty() or "NO_COLOR" in os.environ
    if plain or os.environ.get("TERM", "dumb") in ("dumb", "unknown", ""):
        return _Lines(stream, calls, schedule)
    return _Live(stream, calls, schedule)


def to_stderr(text: str) -> None:
    """Say what stopped the run."""
    print(text, file=sys.stderr, flush=True)
