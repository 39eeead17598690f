"""Bones for the tests of geometry."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation


@pytest.fixture
def make_bones():
    """Return a maker of configurations about one mean, each in its own pose and size."""

    def make(n=12, k=7, d=3, spread=0.05, seed=0):
        rng = np.random.default_rng(seed)
        bones = rng.normal(size=(k, d)) + spread * rng.normal(size=(n, k, d))
        turns = Rotation.random(n, random_state=seed).as_matrix()
        if d == 2:
            angles = rng.uniform(0, 2 * np.pi, n)
            c, s = np.cos(angles), np.sin(angles)
            turns = np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2)
        sizes = rng.uniform(5, 20, size=(n, 1, 1))
        return sizes * (bones @ turns) + rng.normal(scale=50, size=(n, 1, d))

    return make


@pytest.fixture
def turn():
    """One rotation in space, far from the identity."""
    return Rotation.from_euler("xyz", [0.7, -1.1, 2.3]).as_matrix()
