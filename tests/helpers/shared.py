"""What takes long to make, made once for all processes that the tests are spread over."""

from __future__ import annotations

import fcntl
import os
import pickle
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

__all__ = ["made_once"]

Made = TypeVar("Made")


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Made]) -> Made:
    """Make something by the first process that asks for it; others wait, and read what it was.

    Parameters
    ----------
    factory : pytest.TempPathFactory
        Its base folder is shared by the processes.
    name : str
        Under which it is kept.
    make : callable
        Takes an empty folder; what it gives is pickled.

    Returns
    -------
    Made
        An own copy for this process; the folder's files are shared, and to be left as they are.

    Raises
    ------
    AssertionError
        If it could not be made, with the same words in each process.
    """
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    root = root / "made_once"
    root.mkdir(exist_ok=True)
    kept = root / f"{name}.pickle"
    with open(root / f"{name}.lock", "w") as lock:
        # the lock goes with the process that holds it, however that ends
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            folder = root / name
            folder.mkdir()
            try:
                result = make(folder), ""
            except Exception:
                result = None, traceback.format_exc()
            kept.write_bytes(pickle.dumps(result))
    value, told = pickle.loads(kept.read_bytes())
    assert not told, told
    return value
