"""Sides compared: planted asymmetry is found, nothing else is, and slips are told."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from morpho.inference.data.asymmetry import shape_dimensions, side_anova
from morpho.inference.models.design import InferenceError
from morpho.shape.checks import ShapeError
from morpho.shape.symmetry.sides import mirror

# four pairs and three landmarks on the midline
PARTNERS = np.array([1, 0, 3, 2, 5, 4, 7, 6, 8, 9, 10])
NAMES = ["individual", "side", "individual by side", "error", "total"]


def turned(X, rng):
    turns = Rotation.random(len(X), rng=rng).as_matrix()
    return X @ turns + 30 * rng.normal(size=(len(X), 1, 3))


def both_sides(A):
    """Symmetric arrays from any: left as it is, right its mirror image, midline flattened."""
    A = A.copy()
    A[..., 1:8:2, :] = A[..., 0:8:2, :] * [1, 1, -1]
    A[..., 8:, 2] = 0
    return A


def symmetric_object(rng, n=12, replicates=2, side=0.0, fluctuating=0.0, error=0.05, spread=0.4):
    """Bones with a plane of symmetry; `side` and `fluctuating` are added to the left only."""
    mean = 5 * rng.normal(size=(11, 3))
    true = both_sides(mean + spread * rng.normal(size=(n, 11, 3)))
    left = [0, 2, 4, 6]
    true[:, left] += side * rng.normal(size=(4, 3))
    true[:, left] += fluctuating * rng.normal(size=(n, 4, 3))
    individuals = np.repeat(np.arange(n), replicates)
    X = true[individuals] + error * rng.normal(size=(len(individuals), 11, 3))
    return turned(X, rng), individuals


def matching_bones(rng, n=10, replicates=2, side=0.0, fluctuating=0.0, error=0.05, spread=0.4):
    mean = 5 * rng.normal(size=(8, 3))
    true = mean + spread * rng.normal(size=(n, 1, 8, 3)) * np.ones((1, 2, 1, 1))
    true = true + fluctuating * rng.normal(size=(n, 2, 8, 3))
    true[:, 1] += side * rng.normal(size=(8, 3))
    X = np.repeat(true.reshape(-1, 8, 3), replicates, axis=0)
    X = X + error * rng.normal(size=X.shape)
    individuals = np.repeat(np.arange(n), 2 * replicates)
    sides = np.tile(np.repeat(["left", "right"], replicates), n)
    X = np.where((sides == "right")[:, None, None], mirror(X), X)
    return turned(X, rng), individuals, sides


def rows(table):
    return table.set_index("source")


def test_planted_asymmetry_of_an_object_is_found(rng):
    X, who = symmetric_object(rng, side=0.3, fluctuating=0.2)
    table = rows(side_anova(X, who, PARTNERS, permutations=199, random_state=0))
    assert table.index.tolist() == NAMES
    assert (table["p_value"].iloc[:3] == 0.005).all()


def test_without_asymmetry_none_is_found(rng):
    X, who = symmetric_object(rng)
    table = rows(side_anova(X, who, PARTNERS, permutations=199, random_state=0))
    assert table.loc["individual", "p_value"] == 0.005
    assert table.loc["side", "p_value"] > 0.05
    assert table.loc["individual by side", "p_value"] > 0.05
    assert table.loc["individual by side", "f_ratio"] == pytest.approx(1, abs=0.3)


def test_planted_asymmetry_of_matching_bones_is_found(rng):
    X, who, sides = matching_bones(rng, side=0.3, fluctuating=0.2)
    table = rows(side_anova(X, who, sides=sides, permutations=999, random_state=0))
    assert table.index.tolist() == NAMES
    assert table["p_value"].iloc[:3].tolist() == [0.001, 1 / 512, 0.001]  # 512 ways of sides
    # 3 x 8 - 7 = 17 dimensions
    assert table["degrees_of_freedom"].tolist() == [9 * 17, 17, 9 * 17, 20 * 17, 39 * 17]


def test_degrees_of_freedom_of_an_object():
    """Four pairs, three on the midline: 3p + 2m - 4 = 14 and 3p + m - 3 = 12 of 26."""
    rng = np.random.default_rng(0)
    X, who = symmetric_object(rng, n=6, replicates=3)
    table = rows(side_anova(X, who, PARTNERS, permutations=0))
    assert shape_dimensions(PARTNERS) == (14, 12)
    assert table["degrees_of_freedom"].tolist() == [5 * 14, 12, 5 * 12, 12 * 26, 17 * 26 + 12]
    mean = table["mean_square"]
    assert table.loc["side", "f_ratio"] == pytest.approx(mean["side"] / mean["individual by side"])
    assert table.loc["individual by side", "f_ratio"] == pytest.approx(
        mean["individual by side"] / mean["error"]
    )
    assert table["p_value"].isna().all()


@pytest.mark.parametrize(("pairs", "midline"), [(3, 0), (1, 3), (6, 6)])
@pytest.mark.parametrize("d", [2, 3])
def test_dimensions_are_ranks_of_symmetric_and_asymmetric_change(pairs, midline, d):
    """Counted: the rank of each kind of change once moving, turning and scaling are out."""
    k = 2 * pairs + midline
    partners = np.arange(k)
    partners[: 2 * pairs] = partners[: 2 * pairs].reshape(-1, 2)[:, ::-1].ravel()
    flip = np.ones(d)
    flip[-1] = -1
    rng = np.random.default_rng(0)
    bone = rng.normal(size=(k, d))
    bone = (bone + bone[partners] * flip) / 2
    basis = np.eye(k * d).reshape(-1, k, d)
    images = basis[:, partners] * flip
    pose = [np.tile(axis, (k, 1)) for axis in np.eye(d)] + [bone]
    for i in range(d):
        for j in range(i):
            turn = np.zeros((d, d))
            turn[i, j], turn[j, i] = 1, -1
            pose.append(bone @ turn)
    pose = np.linalg.qr(np.array(pose).reshape(len(pose), -1).T)[0]
    counts = []
    for part in (basis + images, basis - images):
        flat = part.reshape(len(part), -1)
        counts.append(np.linalg.matrix_rank(flat - flat @ pose @ pose.T, tol=1e-8))
    assert shape_dimensions(partners, d) == tuple(counts)


def test_without_replicates_there_is_no_error(rng):
    X, who = symmetric_object(rng, replicates=1)
    table = rows(side_anova(X, who, PARTNERS, permutations=99, random_state=0))
    assert table.index.tolist() == ["individual", "side", "individual by side", "total"]
    assert np.isnan(table.loc["individual by side", ["f_ratio", "p_value"]].astype(float)).all()
    assert np.isnan(table.loc["individual", "p_value"])
    assert 0 < table.loc["side", "p_value"] <= 1
    assert table["share_of_variance"].iloc[:3].sum() == pytest.approx(1)


def test_replicates_that_are_copies_leave_no_ratio_to_their_error(rng):
    X, who = symmetric_object(rng, replicates=1)
    table = rows(side_anova(np.repeat(X, 2, axis=0), np.repeat(who, 2), PARTNERS, permutations=0))
    assert table.loc["error", "mean_square"] == 0
    assert np.isnan(table.loc["individual by side", "f_ratio"])
    assert table.loc["side", "f_ratio"] > 0


def test_few_individuals_are_gone_through_exactly(rng):
    """Five individuals: 16 ways to exchange sides; the observed way is one of them."""
    X, who = symmetric_object(rng, n=5, replicates=1, side=1.0)
    table = rows(side_anova(X, who, PARTNERS, permutations=999, random_state=0))
    assert table.loc["side", "p_value"] == pytest.approx(1 / 16)


def test_pose_size_and_order_do_not_matter(rng):
    X, who = symmetric_object(rng, side=0.1)
    order = rng.permutation(len(X))
    other = turned(X * rng.uniform(0.5, 2, size=(len(X), 1, 1)), rng)[order]
    one = side_anova(X, who, PARTNERS, permutations=0)
    two = side_anova(other, who[order], PARTNERS, permutations=0)
    np.testing.assert_allclose(one["sum_of_squares"], two["sum_of_squares"], rtol=1e-6)


def test_two_runs_with_one_seed_are_the_same(rng):
    X, who, sides = matching_bones(rng)
    one, two = (side_anova(X, who, sides=sides, permutations=99, random_state=4) for _ in range(2))
    assert one.equals(two)


@pytest.mark.parametrize("kind", ["object", "matching"])
@pytest.mark.long
def test_levels_hold_without_asymmetry(kind):
    """P-values of side, and of individual by side, on bones that are alike on both sides."""
    rng = np.random.default_rng(3)
    p = []
    for _ in range(300):
        if kind == "object":
            X, who = symmetric_object(rng, n=6)
            table = side_anova(X, who, PARTNERS, permutations=99, random_state=rng)
        else:
            X, who, sides = matching_bones(rng, n=6)
            table = side_anova(X, who, sides=sides, permutations=99, random_state=rng)
        p.append(rows(table).loc[["side", "individual by side"], "p_value"].to_numpy())
    p = np.array(p)
    # all 32 ways to exchange the sides of six individuals: levels are multiples of 1/32
    for column, level in ((0, 2 / 32), (1, 0.05)):
        rejected = int((p[:, column] <= level + 1e-9).sum())
        low, high = stats.binom.ppf([0.0005, 0.9995], 300, level)
        assert low <= rejected <= high, column


@pytest.mark.long
def test_level_for_individuals_who_are_all_alike():
    rng = np.random.default_rng(4)
    p = []
    for _ in range(300):
        X, who = symmetric_object(rng, n=6, spread=0.0)
        table = side_anova(X, who, PARTNERS, permutations=99, random_state=rng)
        p.append(rows(table).loc["individual", "p_value"])
        X, who, sides = matching_bones(rng, n=6, spread=0.0)
        table = side_anova(X, who, sides=sides, permutations=99, random_state=rng)
        p.append(rows(table).loc["individual", "p_value"])
    low, high = stats.binom.ppf([0.0005, 0.9995], 600, 0.05)
    assert low <= int((np.array(p) <= 0.05).sum()) <= high


def test_what_is_refused(rng):
    X, who = symmetric_object(rng, n=4)
    with pytest.raises(InferenceError, match="either `partners`"):
        side_anova(X, who)
    with pytest.raises(InferenceError, match="either `partners`"):
        side_anova(X, who, PARTNERS, sides=np.tile(["left", "right"], 4))
    with pytest.raises(InferenceError, match="at least two individuals"):
        side_anova(X, np.zeros(8), PARTNERS)
    with pytest.raises(InferenceError, match=r"individuals of shape \(3,\) for 8"):
        side_anova(X, who[:3], PARTNERS)
    with pytest.raises(InferenceError, match="'left' or 'right'"):
        side_anova(X, who, sides=np.tile(["left", "l"], 4))
    with pytest.raises(InferenceError, match=r"Only one side of these individuals is there: 2, 3"):
        side_anova(X, who, sides=["left", "right"] * 2 + ["left"] * 4)
    with pytest.raises(ShapeError, match="pairs no landmarks"):
        side_anova(X, who, np.arange(11))
    one = both_sides(rng.normal(size=(11, 3)))
    with pytest.raises(InferenceError, match="do not vary"):
        side_anova(np.repeat(one[None], 4, axis=0), [0, 0, 1, 1], PARTNERS)


def test_a_pair_listed_as_midline_is_told(rng):
    X, who = symmetric_object(rng)
    wrong = PARTNERS.copy()
    wrong[:2] = [0, 1]
    with pytest.raises(ShapeError, match="is said to lie on the midline"):
        side_anova(X, who, wrong)
