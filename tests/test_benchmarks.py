"""Benchmarks are run by hand; here only that each of them still works, on tiny data."""

from __future__ import annotations

import importlib
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

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
    others = {"run", "measuring", "verdicts"}
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


# Level and power of the verdict, on fewer studies than verdicts.md tells of


def test_power_and_level_of_the_test(load):
    """Cells with 19 known specimens or more; 33, 60, 31 and 66 in a hundred are the floors."""
    verdicts = load("verdicts")
    grid = tuple(cell for cell in verdicts.GRID if cell[0] * cell[1] >= 19 and cell[2] < 60)[::2]
    found = verdicts.in_tangent_space("normal", 1, seed=5, grid=grid)["shares"]
    few = np.sqrt(0.25 / (4 * len(grid)))  # standard error of a share of a half
    floors = {"random 6": 0.33, "random 9": 0.60, "major 4": 0.31, "major 6": 0.66}
    for kind, floor in floors.items():
        assert found[kind] > floor - few
    assert binomtest(round(found["member"] * 4 * len(grid)), 4 * len(grid), 0.05).pvalue > 0.001


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario",
    ["tails of t(4), 20 SD apart", "one taxon twice as wide", "4 to 40 specimens", "young queries"],
)
def test_level_of_the_test_where_taxa_are_unlike(load, scenario):
    verdicts = load("verdicts")
    grid = tuple(cell for cell in verdicts.GRID if cell[2] < 60)
    found = verdicts.in_tangent_space(scenario, 1, seed=6, grid=grid)["shares"]
    for kind in ("member", "member (few)"):
        if kind in found:
            assert found[kind] < 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / 4 / 24)


@pytest.mark.slow
def test_level_and_power_of_the_whole_procedure(load):
    """Members, members digitised worse, and forms: told outside, and never inside unheard."""
    verdicts = load("verdicts")
    plans = (verdicts.Bones(3, 8, k=10),)
    found = verdicts.whole(plans, ("member", "major 6", "young 3"), 3, seed=4, draws=5)
    after = {kind: [row["after"] for row in rows] for kind, rows in found.items()}
    assert after["major 6"].count("outside") >= 6
    assert after["major 6"].count("inside") <= 1
    assert after["member"].count("outside") <= 2
    assert after["young 3"].count("outside") <= 3
