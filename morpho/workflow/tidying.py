"""What was edited by hand is kept aside, and what nothing makes any longer goes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.workflow.records import Record, changed, drop, forget

if TYPE_CHECKING:
    from morpho.workflow.state import State

__all__ = ["EDITED", "keep_aside", "make_way"]

# Ending of a result that was edited by hand and is kept aside.
EDITED = ".edited"
# Files of the user's own that are named one by one.
_NAMED = 8


def _free(path: Path) -> Path:
    """A name beside a file that nothing bears yet."""
    found, number = path.with_name(path.name + EDITED), 1
    while os.path.lexists(found):
        number += 1
        found = path.with_name(f"{path.name}{EDITED}-{number}")
    return found


def keep_aside(results: Path, record: Record) -> Iterator[str]:
    """Move results of a job that were edited by hand out of its way; say so, file by file.

    Where the job was cut off, what differs may be its own work, and is left.
    """
    other = {} if record.under_way else changed(results, record.makes)
    for name, now in other.items():
        if now != "absent":
            aside = _free(results / name)
            os.replace(results / name, aside)
            yield f"{name} was edited by hand: kept as {aside.name} beside it, and made anew."


def make_way(state: State) -> Iterator[str]:
    """Before a run: take away what was made for what is no more, and name what nobody made."""
    results = state.config.results
    for key, record in state.left_over.items():
        kept = drop(results, record.makes)
        forget(results, key)
        _drop_empty(results, record.makes)
        yield f"{key} is no part of the study any more: what was made for it was taken away."
        for name in kept:
            yield f"{name}, which was made for it, was edited by hand, and is left."
    own = [name for name in state.foreign if EDITED not in Path(name).name]
    for name in own[:_NAMED]:
        yield f"{name} in the results was not made by the run, and is left alone."
    if own[_NAMED:]:
        yield f"So are {len(own) - _NAMED} more files there."


def _drop_empty(results: Path, paths: Iterable[str]) -> None:
    """Take away folders that have become empty."""
    for name in paths:
        for folder in (results / name).parents:
            if folder == results or not folder.is_dir() or any(folder.iterdir()):
                break
            folder.rmdir()
