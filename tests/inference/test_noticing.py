"""What a sample notices: moves against scipy's Procrustes, shares against judged queries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial.polynomial import polyval
from scipy.spatial import procrustes
from scipy.spatial.transform import Rotation
from statsmodels.stats.proportion import proportion_confint

from morpho.inference.membership.calibrated import Reference
from morpho.inference.membership.judging import Rules, Shapes, fitted, judge
from morpho.inference.models.design import InferenceError
from morpho.inference.models.proportion import exact_interval
from morpho.inference.robustness import noticing as module
from morpho.inference.robustness.noticing import landmark_moves, noticing
from morpho.shape.symmetry.sides import symmetric_component

RULES = Rules(0.05, 5, None, 1)
SPREAD = np.geomspace(0.02, 0.002, 15)


def sample(rng, counts=(24, 24), apart=0.3, spread=SPREAD):
    """Taxa of one spread; growth lines are flat."""
    taxon = np.repeat(list("abc")[: len(counts)], counts)
    place = np.unique(taxon, return_inverse=True)[1]
    means = apart * np.eye(3, len(spread))
    tangent = means[place] + spread * rng.normal(size=(len(taxon), len(spread)))
    return Shapes(tangent, rng.normal(3, 0.1, len(taxon)), taxon)


@pytest.fixture
def mean(rng):
    X = rng.normal(size=(5, 3))
    X -= X.mean(axis=0)
    return X / np.linalg.norm(X)


# ---------------------------------------------------------------- moves of landmarks


def test_moves_are_what_a_procrustes_fit_leaves_of_them(rng, mean):
    """Outside reference: scipy's fit of a bone of which one landmark is moved a little."""
    directions, step = rng.normal(size=(3, 3)), 1e-6
    for k in (0, 3):
        found = landmark_moves(mean, k, directions)
        for direction, move in zip(directions, found, strict=True):
            moved = mean.copy()
            moved[k] += step * direction
            fixed, aligned, _ = procrustes(mean, moved)
            np.testing.assert_allclose(move, (aligned - fixed).ravel() / step, atol=1e-4)


@pytest.mark.parametrize("k", [0, 1, 4])
def test_of_symmetric_bones_both_sides_move_and_the_midline_in_its_plane(rng, k):
    """A pair moves as in a mirror; of a landmark between them the symmetric part is left."""
    partners, flip = np.array([1, 0, 3, 2, 4, 5]), np.array([-1.0, 1, 1])
    X = rng.normal(size=(6, 3))
    X[[1, 3]] = X[[0, 2]] * flip
    X[4:, 0] = 0
    turn = Rotation.random(rng=rng).as_matrix()
    X = (X - X.mean(axis=0)) @ turn / np.linalg.norm(X - X.mean(axis=0))
    direction, step = rng.normal(size=3), 1e-6
    moved = X.copy()
    moved[k] += step * direction
    if partners[k] != k:
        moved[partners[k]] += step * (direction @ turn.T * flip) @ turn
    moved = symmetric_component(moved[None], partners)[0]
    fixed, aligned, _ = procrustes(X, moved)
    # scipy's fit may turn the configuration round: by the same turn as the bone itself
    found = landmark_moves(X, k, direction[None], partners)[0]
    np.testing.assert_allclose(found, (aligned - fixed).ravel() / step, atol=1e-4)


# ---------------------------------------------------------------- how far is far enough


@pytest.mark.parametrize("counts", [(8, 7), (24, 22, 5)])
def test_from_the_least_move_on_all_taxa_reject(rng, counts):
    """As long as the move is any shorter, one of them keeps it, in one of the two ways."""
    known = sample(rng, counts, apart=0.05)
    models, _, _ = fitted(known, RULES)
    models = list(models.values())
    reference = Reference.of([m.left_out for m in models], models[0].columns, 0.05)
    critical, who = reference.critical(), np.arange(len(known.taxon))
    moves = rng.normal(size=(len(who), 15))
    least = module._least_moves(models, critical, who, moves)

    def nearest(t):
        """Share of the critical distance to the nearest taxon, moved by t."""
        shares = []
        for m in models:
            whole, each = m.left_out.moved(who, moves)
            squares, sixths = (polyval(t[:, None], path, tensor=False) for path in (whole, each))
            shares.append(((squares**3 * sixths) ** (1 / 12) / critical).min(axis=1))
        return np.min(shares, axis=0)

    assert (least > 0).sum() > 0.8 * len(who)
    for beyond in (1e-6, 0.1, 1.0, 10.0):
        assert (nearest(least * (1 + beyond) + 1e-12) > 1).all()
    some = least > 0
    assert (nearest(least * (1 - 1e-6))[some] <= 1).all()


def test_the_smallest_difference_is_noticed_in_four_of_five_cases(rng, mean):
    known = sample(rng, (25,))

    def found(difference):
        return noticing(known, RULES, mean, difference=difference, rng=np.random.default_rng(1))

    smallest = found(None).smallest
    assert found(smallest).power == pytest.approx(0.8, abs=0.001)
    powers = [found(share * smallest).power for share in (0.01, 0.5, 1.5, 9)]
    assert powers == sorted(powers)
    assert powers[0] < 0.1
    assert powers[-1] == 1


@pytest.mark.whole
@pytest.mark.parametrize(("counts", "off"), [((12,), 0.3), ((26, 22), 0.25)])
def test_power_is_the_share_of_queries_that_are_told_outside(mean, counts, off):
    """Queries drawn from the truth, moved along its variation, and judged: 8 samples of 60.

    Few specimens show only some of the directions in which a taxon varies, and in those a move
    is the hardest to notice: power is then told too low, never too high.
    """
    rng, powers, shares = np.random.default_rng(len(counts)), [], []
    for _ in range(8):
        known = sample(rng, counts)
        found = noticing(known, RULES, mean, difference=0.05, rng=rng)
        moves = SPREAD * rng.normal(size=(60, 15))
        moves *= 0.05 / np.linalg.norm(moves, axis=1, keepdims=True)
        queries = SPREAD * rng.normal(size=(60, 15)) + moves + 0.3 * np.eye(1, 15)
        sizes = rng.normal(3, 0.1, 60)
        told = judge(known, Shapes(queries, sizes, np.full(60, "")), RULES).verdicts
        powers.append(found.power)
        shares.append(np.mean([v.verdict == "outside" for v in told]))
    assert 0.2 < np.mean(shares) < 0.95
    assert -0.08 < np.mean(shares) - np.mean(powers) < off


# ---------------------------------------------------------------- what is asked about


def test_the_two_nearest_taxa_are_asked_about_unless_a_difference_is_stated(rng, mean):
    known = sample(rng, (9, 8, 10))
    tangent = known.tangent.copy()
    tangent[known.taxon == "c"] -= 0.2 * np.eye(3, 15)[2]
    known = replace(known, tangent=tangent)
    found = noticing(known, replace(RULES, slopes_p_value=None), mean, rng=rng)
    assert found.nearest_taxa in [("a", "c"), ("b", "c")]
    assert found.difference == pytest.approx(np.hypot(0.3, 0.1), abs=0.03)
    stated = noticing(known, RULES, mean, difference=0.01, rng=rng)
    assert stated.difference == 0.01
    assert stated.nearest_taxa == found.nearest_taxa
    assert stated.power < found.power
    interval = proportion_confint(round(27 * stated.power), 27, method="beta")
    np.testing.assert_allclose([stated.power_low, stated.power_high], interval)


def test_one_taxon_has_no_yardstick_of_its_own(rng, mean):
    found = noticing(sample(rng, (12,)), RULES, mean, rng=rng)
    assert found.nearest_taxa == ()
    assert np.isnan([found.difference, found.power, found.power_low, found.power_high]).all()
    assert 0 < found.smallest < 1
    assert np.isfinite(found.landmarks_mm).all()


def test_landmarks_that_vary_less_are_noticed_earlier_and_in_mm(rng):
    mean = rng.normal(size=(10, 3))
    mean = (mean - mean.mean(axis=0)) / np.linalg.norm(mean - mean.mean(axis=0))
    known = sample(rng, (80,), spread=np.repeat([0.002, 0.02], 15))
    found, larger = (
        noticing(
            replace(known, log_size=known.log_size + more), RULES, mean,
            rng=np.random.default_rng(2),
        )
        for more in (0, np.log(2))
    )  # fmt: skip
    assert found.landmarks_mm[:5].max() < found.landmarks_mm[5:].min()
    np.testing.assert_allclose(larger.landmarks_mm, 2 * found.landmarks_mm, rtol=1e-6)
    assert larger.smallest == pytest.approx(found.smallest)


def test_a_sample_too_small_is_refused(rng, mean):
    with pytest.raises(InferenceError, match="leave too little variation") as told:
        noticing(sample(rng, (1, 1)), RULES, mean, rng=rng)
    assert told.value.code == "few_per_taxon"
    alike = Shapes(np.eye(3, 15), np.full(3, 2.0), np.full(3, "a"))
    with pytest.raises(InferenceError, match="Too few specimens can be left out"):
        noticing(alike, RULES, mean, rng=rng)


# ---------------------------------------------------------------- shares


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_exact_intervals_are_those_of_statsmodels(level):
    """Outside reference: Clopper and Pearson's interval by the beta distribution."""
    for total in (1, 4, 17, 60):
        for count in {0, 1, total // 3, total}:
            expected = proportion_confint(count, total, 1 - level, method="beta")
            np.testing.assert_allclose(exact_interval(count, total, level), expected, atol=1e-9)


def test_an_interval_as_printed():
    """81 of 263: 0.2527 to 0.3676.

    Newcombe (1998), Statistics in Medicine 17, 857-872, table I, method 5 (Clopper and
    Pearson); cited from memory, as are 15 of 148: 0.0578 to 0.1617, and 1 of 29: 0.0009 to
    0.1776.
    """
    np.testing.assert_allclose(exact_interval(81, 263), (0.2527, 0.3676), atol=5e-5)
    np.testing.assert_allclose(exact_interval(15, 148), (0.0578, 0.1617), atol=5e-5)
    np.testing.assert_allclose(exact_interval(1, 29), (0.0009, 0.1776), atol=5e-5)


def test_no_count_has_no_interval():
    assert np.isnan(exact_interval(0, 0)).all()
