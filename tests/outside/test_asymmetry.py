"""Sides compared, against statsmodels and a published count of degrees of freedom."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.spatial.transform import Rotation
from statsmodels.formula.api import ols

from morpho.inference.data.asymmetry import shape_dimensions, side_anova
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.symmetry.sides import asymmetric_component, exchange_sides, mirror

PARTNERS = np.array([1, 0, 3, 2, 5, 4, 6, 7, 8])
SOURCES = ["individual", "side", "individual by side", "error"]


def objects(rng, counts):
    """Bones with a plane of symmetry and asymmetry of every kind, in any pose and size."""
    mean = rng.normal(size=(9, 3))
    mean[[1, 3, 5]] = mean[[0, 2, 4]] * [1, 1, -1]
    mean[6:, 2] = 0
    true = mean + 0.05 * rng.normal(size=(len(counts), 9, 3)) + 0.03 * rng.normal(size=(9, 3))
    individuals = np.repeat(np.arange(len(counts)), counts)
    X = true[individuals] + 0.02 * rng.normal(size=(len(individuals), 9, 3))
    turns = Rotation.random(len(X), rng=rng).as_matrix()
    sizes = rng.uniform(5, 10, size=(len(X), 1, 1))
    return sizes * (X @ turns) + rng.normal(size=(len(X), 1, 3)), individuals


def two_way(Z, individuals, sides):
    """Sequential sums of squares of statsmodels, added up over coordinates."""
    total = np.zeros(4)
    for column in Z.T:
        data = pd.DataFrame({"y": column, "i": individuals.astype(str), "s": sides.astype(str)})
        total += sm.stats.anova_lm(ols("y ~ i + s + i:s", data).fit(), typ=1)["sum_sq"].to_numpy()
    return total


@pytest.mark.parametrize("counts", [[2, 2, 2, 2], [3, 1, 2, 4]])
def test_object_symmetry_against_statsmodels(counts):
    """Original and relabelled image as two sides of a two-way analysis, unequal numbers too."""
    X, individuals = objects(np.random.default_rng(0), counts)
    table = side_anova(X, individuals, PARTNERS, permutations=0).set_index("source")
    both = GeneralizedProcrustes().fit_transform(np.concatenate([X, exchange_sides(X, PARTNERS)]))
    expected = two_way(
        both.reshape(len(both), -1), np.tile(individuals, 2), np.repeat([0, 1], len(X))
    )
    np.testing.assert_allclose(table.loc[SOURCES, "sum_of_squares"], expected, rtol=1e-8)
    assert table.loc["total", "sum_of_squares"] == pytest.approx(expected.sum())


@pytest.mark.parametrize("counts", [[2, 2, 2], [3, 1, 2]])
def test_matching_symmetry_against_statsmodels(counts):
    """Left bones and mirrored right ones; numbers of replicates differ between the cells."""
    rng = np.random.default_rng(1)
    X, individuals = objects(rng, [2 * c for c in counts])
    sides = np.concatenate([np.repeat(["left", "right"], [c, c]) for c in counts])
    if counts[0] == 3:
        sides[0], keep = "left", np.arange(len(X)) != 1  # one replicate less on one side
        X, individuals, sides = X[keep], individuals[keep], sides[keep]
    table = side_anova(X, individuals, sides=sides, permutations=0).set_index("source")
    aligned = GeneralizedProcrustes().fit_transform(
        np.where((sides == "right")[:, None, None], mirror(X), X)
    )
    expected = two_way(aligned.reshape(len(X), -1), individuals, sides)
    np.testing.assert_allclose(table.loc[SOURCES, "sum_of_squares"], expected, rtol=1e-8)


def test_symmetric_and_asymmetric_squares_add_up():
    """Total squares are those of symmetric parts about their mean and of asymmetric parts.

    Mardia, Bookstein & Moreton (2000): the two live in orthogonal spaces.
    """
    X, individuals = objects(np.random.default_rng(2), [2] * 6)
    table = side_anova(X, individuals, PARTNERS, permutations=0).set_index("source")
    both = GeneralizedProcrustes().fit_transform(np.concatenate([X, exchange_sides(X, PARTNERS)]))
    original, image = both[: len(X)], both[len(X) :]
    symmetric, asymmetric = (original + image) / 2, (original - image) / 2
    squares = [
        2 * ((symmetric - symmetric.mean(axis=0)) ** 2).sum(),
        2 * (asymmetric**2).sum(),
    ]
    assert sum(squares) == pytest.approx(table.loc["total", "sum_of_squares"])
    # each bone on its own, superimposed on its image only, has nearly the same asymmetry
    size = np.linalg.norm(X - X.mean(axis=1, keepdims=True), axis=(1, 2))
    alone = asymmetric_component(X, PARTNERS) / size[:, None, None]
    assert 2 * (alone**2).sum() == pytest.approx(squares[1], rel=0.01)
    # and without replicates the lines are those two parts
    first = np.r_[True, individuals[1:] != individuals[:-1]]
    one = side_anova(X[first], individuals[first], PARTNERS, permutations=0).set_index("source")
    assert one["sum_of_squares"].iloc[:3].sum() == pytest.approx(one.loc["total", "sum_of_squares"])


@pytest.mark.parametrize(
    ("pairs", "midline", "n_dimensions", "expected"),
    [
        # 2D: 2p + m - 2 both; 3D: 3p + 2m - 4 and 3p + m - 3
        (5, 3, 2, (11, 11)),
        (6, 6, 3, (26, 21)),
        (4, 0, 3, (8, 9)),
    ],
)
def test_degrees_of_freedom_as_published(pairs, midline, n_dimensions, expected):
    """Klingenberg, Barluenga & Meyer (2002), Evolution 56, 1909-1920; formulas from memory."""
    k = 2 * pairs + midline
    partners = np.arange(k)
    partners[: 2 * pairs] ^= 1
    found = shape_dimensions(partners, n_dimensions)
    assert found == expected
    shape_space = k * n_dimensions - {2: 4, 3: 7}[n_dimensions]
    assert sum(found) == shape_space
