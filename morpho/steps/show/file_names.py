"""Names of files that are made of names of specimens and taxa: no two the same."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count

from morpho.study.reading.paths import safe_name

__all__ = ["free_name"]


def free_name(name: str, taken: Iterable[str]) -> str:
    """A name that a file can have beside others, also where capitals are not told apart.

    Examples
    --------
    >>> free_name("mean_A/B", ["mean_a_b"])
    'mean_A_B_2'
    """
    safe, others = safe_name(name), {other.casefold() for other in taken}
    if safe.casefold() not in others:
        return safe
    return next(f"{safe}_{i}" for i in count(2) if f"{safe}_{i}".casefold() not in others)
