"""A step under watch: whoever kills it, somebody is left to say what it died of."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from typing import Any

from morpho.workflow.mishaps import in_bytes, killed_words

__all__ = ["watched"]


def watched(call: Callable[[list[str]], int], arguments: list[str]) -> int:
    """Do a call in a process of its own, and say in words what killed it, if anything did.

    Gives the exit code that a shell gives: 128 and the number of the signal of what was killed.
    """
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        return call(arguments)

    def pass_on(number: int, _: Any) -> None:
        os.kill(child, number)

    # the terminal tells both; a queue, or the engine, may tell this one alone
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, pass_on)
    _, status, used = os.wait4(child, 0)
    if not os.WIFSIGNALED(status):
        return os.WEXITSTATUS(status)
    killed_by = os.WTERMSIG(status)
    said = killed_words(killed_by, in_bytes(used.ru_maxrss))
    print(f"{' '.join(_named(arguments))}: {said}", file=sys.stderr, flush=True)
    return 128 + killed_by


def _named(arguments: list[str]) -> list[str]:
    """A step with what it is called for, without the study."""
    step, *rest = [one for one in arguments if not one.startswith("--")] or ["a step"]
    return [step, *rest[1:]]
