"""Random numbers: a stream for each purpose, whatever the order and the number of cores."""

from __future__ import annotations

from zlib import crc32

import numpy as np

__all__ = ["generator", "seed_of"]


def seed_of(seed: int, *names: str) -> int:
    """Seed for one purpose, so that steps draw apart from one another in any order."""
    words = [seed, *(crc32(name.encode()) for name in names)]
    return int(np.random.SeedSequence(words).generate_state(1)[0])


def generator(seed: int, *names: str) -> np.random.Generator:
    """Random numbers for one purpose; see `seed_of`."""
    return np.random.default_rng(seed_of(seed, *names))
