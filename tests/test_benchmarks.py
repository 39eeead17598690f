"""Benchmarks are run by hand; here only that each of them still works, on tiny data."""

from __future__ import annotations

import importlib
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"

TINY = {
    "superimposing": {"n": 8, "k": 5, "repeats": 1},
    "memory": {"n": 8, "k": 5},
    "permuting": {"n": 16, "k": 4, "permutations": 20, "sampled": 5, "repeats": 1},
    "scaling": {"sizes": (12, 16), "k": 5, "permutations": 9},
    "sliding": {
        "n": 6,
        "landmarks": 12,
        "on_curves": 12,
        "on_surface": 20,
        "dense": 5,
        "repeats": 1,
    },
    "warping": {"rings": 20, "sides": 12, "landmarks": 12, "measured": 50, "repeats": 1},
    "measurements": {"n": 15, "k": 5, "queries": 2, "sampled": 4, "repeats": 1},
    "trials": {"n": 12, "k": 5, "draws": 2, "growing": (9, 12), "few": 4, "repeats": 1},
    "carrying": {"rings": 40, "sides": 20, "points": 20, "measured": 2, "repeats": 1},
}


@pytest.fixture
def load(monkeypatch):
    """Import a module from the folder of the benchmarks."""
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    return importlib.import_module


@pytest.mark.parametrize("name", TINY)
def test_each_benchmark_gives_rows(load, name):
    rows = load(name).run(**TINY[name])
    assert rows
    for row in rows:
        assert np.isfinite(row.result)
        assert row.result > 0
        assert row.what
        assert row.ours


def test_every_benchmark_is_run_and_tried_here(load):
    run = load("run")
    assert set(run.BENCHMARKS) == set(TINY)
    others = {"run", "measuring"}
    assert {path.stem for path in BENCHMARKS.glob("*.py")} == set(TINY) | others


def test_the_table_and_the_exit_code(load, monkeypatch, capsys):
    run, measuring = load("run"), load("measuring")
    good = measuring.Row("walk", "1 s", "2 s", 2.0, "times", ">= 1", True)
    missed = measuring.Row("run", "1 s", "2 s", 2.0, "times", ">= 3", False)
    monkeypatch.setattr(run, "BENCHMARKS", {"good": lambda: [good], "bad": lambda: [missed]})
    assert run.main(["good"]) == 0
    assert "MISSED" not in capsys.readouterr().out
    assert run.main([]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    assert lines[2].endswith("MISSED")
    with pytest.raises(SystemExit):
        run.main(["unknown"])
    assert "no benchmark 'unknown'; there are good, bad" in capsys.readouterr().err


def test_the_peers_find_the_same_shapes(load):
    """A benchmark against a peer that does something else would say nothing."""
    superimposing, measuring = load("superimposing"), load("measuring")
    X = measuring.random_bones(20, 6, spread=0.02)
    loop, svd = superimposing.by_loop(X, 5), superimposing.by_svd(X, 5)

    def distances(aligned):
        Z = aligned / np.linalg.norm(aligned, axis=(1, 2), keepdims=True)
        return np.linalg.norm(Z[:, None] - Z[None], axis=(2, 3))

    np.testing.assert_allclose(distances(loop), distances(svd), atol=1e-4)


def test_a_peer_that_finds_something_else_is_noticed(load, monkeypatch):
    superimposing = load("superimposing")
    real = superimposing.by_svd
    monkeypatch.setattr(superimposing, "by_svd", lambda X, passes: real(X, passes) + 1e-6)
    with pytest.raises(AssertionError, match="two versions differ"):
        superimposing.run(n=8, k=5, repeats=1)


def test_random_bones_are_not_mirrored(load):
    bones = load("measuring").random_bones(50, 5, spread=0.01)
    handedness = np.sign(np.linalg.det(bones[:, 1:4] - bones[:, :1]))
    assert abs(handedness.sum()) == 50
