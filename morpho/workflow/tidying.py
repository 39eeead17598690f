"""Before a run: what was edited by hand is kept aside, what nothing makes any longer goes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from morpho.workflow.records import drop, forget
from morpho.workflow.state import EDITED, State

__all__ = ["make_way"]


def _free(path: Path) -> Path:
    """A name beside a file that nothing bears yet."""
    found, number = path.with_name(path.name + EDITED), 1
    while os.path.lexists(found):
        number += 1
        found = path.with_name(f"{path.name}{EDITED}-{number}")
    return found


def make_way(state: State) -> Iterator[str]:
    """Keep aside what was edited by hand, and take away what was made for what is no more.

    Parameters
    ----------
    state : State
        As it was when what is due was decided.

    Yields
    ------
    str
        What was done, file by file, for people.
    """
    results = state.config.results
    for name in state.edited:
        path = results / name
        aside = _free(path)
        os.replace(path, aside)
        yield f"{name} was edited by hand: kept as {aside.name} beside it, and made anew."
    for key, record in state.left_over.items():
        drop(results, record.makes)
        forget(results, key)
        _drop_empty(results, record.makes)
        yield f"{key} is no part of the study any more: what was made for it was taken away."
    for name in state.foreign:
        yield f"{name} in the results was not made by the run, and is left alone."


def _drop_empty(results: Path, paths: Iterable[str]) -> None:
    """Take away folders that have become empty."""
    for name in paths:
        for folder in (results / name).parents:
            if folder == results or not folder.is_dir() or any(folder.iterdir()):
                break
            folder.rmdir()
