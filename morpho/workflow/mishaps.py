"""What befell a run and is nobody's slip: memory, disk, signals, folders that vanished."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sys
from pathlib import Path

__all__ = ["killed_words", "mishap_words", "most_memory", "said_of_folders"]

_GOES_ON = "What was finished is kept, and the same command goes on from there."
# With less room than this nothing can be written.
_ROOM = 1 << 20
# A step that used this share of the memory there is was most likely killed for it.
_MUCH = 0.5

_SIGNALS = {
    "SIGTERM": "it was asked to end, by somebody or by the queue of a cluster",
    "SIGINT": "it was stopped from the keyboard",
    "SIGHUP": "its terminal was closed",
    "SIGXCPU": "it was ended, as it used more time than it is allowed",
    "SIGXFSZ": "it was ended, as it wrote a larger file than it is allowed",
    "SIGSEGV": "it crashed within a library",
    "SIGBUS": "it crashed within a library, or the disk is full or gone",
    "SIGABRT": "it crashed within a library",
    "SIGILL": "it crashed, as a library was made for another processor",
    "SIGFPE": "it crashed within a library",
}


def _size(count: float) -> str:
    """Bytes as people read them."""
    if count < 1e9:
        return f"{count / 1e6:.0f} MB"
    return f"{count / 1e9:.1f} GB"


def most_memory() -> int:
    """Memory that a process can have here, in bytes: all there is, or what is allowed of it."""
    import psutil

    most = int(psutil.virtual_memory().total)
    for name in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        try:
            most = min(most, int(Path(name).read_text()))
        except (OSError, ValueError):  # there is none, or no limit
            continue
    return most


def _memory(used: float) -> str:
    return (
        f"it used {_size(used)} of the {_size(most_memory())} of memory that there are. Close "
        "other programs, or run fewer steps at a time (--cores 1)"
    )


def killed_words(number: int, used: float) -> str:
    """Say what most likely ended a step: the number of the signal, and the memory it used in bytes.

    >>> killed_words(15, 3e8)
    'Killed: it was asked to end, by somebody or by the queue of a cluster (signal 15).'
    """
    try:
        name = signal.Signals(number).name
    except ValueError:
        name = ""
    if name == "SIGKILL":
        if used > _MUCH * most_memory():
            return f"Killed, most likely because memory ran out: {_memory(used)}. {_GOES_ON}"
        return (
            f"Killed (signal 9) by somebody, or by the system because other programs took the "
            f"memory: it used {_size(used)} itself. {_GOES_ON}"
        )
    return f"Killed: {_SIGNALS.get(name, 'nobody knows why')} (signal {number})."


def mishap_words(error: BaseException, folder: Path, used: float) -> str | None:
    """Say what an error of memory or of files means, and what to do; None for any other error.

    `folder` is where the step writes, `used` the memory it used, in bytes.
    """
    if isinstance(error, MemoryError):
        return f"Memory ran out: {_memory(used)}. {_GOES_ON}"
    if not isinstance(error, OSError):
        return None
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        allowed = "full" if error.errno == errno.ENOSPC else "full, as far as you may use it"
        return f"The disk is {allowed}: nothing more can be written into {folder}. {_make_room()}"
    if error.errno in (errno.EROFS, errno.EIO, errno.ESTALE, errno.ENODEV, errno.ENXIO):
        return (
            f"The disk with {folder} can no longer be used ({os.strerror(error.errno)}). See that "
            f"it is there and can be written. {_GOES_ON}"
        )
    return said_of_folders(folder)


def _make_room() -> str:
    return f"Make room on it. {_GOES_ON}"


def said_of_folders(*folders: Path) -> str | None:
    """Say of folders that are needed that one is not there any more, or that its disk is full."""
    for folder in folders:
        if not folder.is_dir():
            return (
                f"The folder {folder} is not there any more: it was moved, renamed or deleted, or "
                "its disk was taken away. Put it back, or run the study where it is now."
            )
    for folder in folders:
        try:
            free = shutil.disk_usage(folder).free
        except OSError:
            continue
        if free < _ROOM:
            return f"The disk is full: nothing more can be written into {folder}. {_make_room()}"
    return None


def in_bytes(resident: int) -> int:
    """What the system tells of the memory used at most, in bytes."""
    return resident if sys.platform == "darwin" else resident * 1024
