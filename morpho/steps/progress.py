"""Progress of long steps, told in tenths."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["told_in_tenths"]


def told_in_tenths(what: str) -> Callable[[int, int], None]:
    """A function that tells each tenth of the way once, given the number done and the total."""
    told = 0

    def tell(done: int, total: int) -> None:
        nonlocal told
        tenth = 10 * done // total
        if tenth > told:
            told = tenth
            print(f"{what}: {done} of {total}", flush=True)

    return tell
