"""Progress of long steps, told in tenths."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["told_in_tenths"]


def told_in_tenths(what: str) -> Callable[[int, int], None]:
    """Make a function that tells each tenth of the way once.

    Parameters
    ----------
    what : str
        What is being done, in words.

    Returns
    -------
    callable
        Takes the number done and the total.
    """
    told = 0

    def tell(done: int, total: int) -> None:
        nonlocal told
        tenth = 10 * done // total
        if tenth > told:
            told = tenth
            print(f"{what}: {done} of {total}", flush=True)

    return tell
