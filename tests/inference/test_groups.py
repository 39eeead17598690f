"""Differences between groups: naive loops, poor groups, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import procrustes

from morpho.inference.models.design import InferenceError
from morpho.inference.models.permutation import permutation_test
from morpho.inference.taxa.groups import compare_means, group_tests, holm, multivariate_criteria
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.tangent import TangentSpace


def test_criteria_from_planted_eigenvalues(rng):
    """Criteria depend on the eigenvalues of E^-1 H only: plant 3, 1, 0."""
    A = rng.normal(size=(3, 3))
    values = multivariate_criteria(A @ np.diag([3.0, 1.0, 0.0]) @ A.T, A @ A.T)
    np.testing.assert_allclose(values, [1 / 8, 3 / 4 + 1 / 2, 4, 3], atol=1e-9)


def test_criteria_of_a_stack_are_those_of_its_parts(rng):
    A, B = rng.normal(size=(2, 4, 6, 2))
    H, E = (M.swapaxes(1, 2) @ M for M in (A, B))
    one_by_one = [multivariate_criteria(h, e) for h, e in zip(H, E, strict=True)]
    np.testing.assert_allclose(multivariate_criteria(H, E), one_by_one)


def test_a_singular_error_matrix_is_refused():
    with pytest.raises(InferenceError, match="variation within groups is too poor"):
        multivariate_criteria(np.eye(2), np.diag([1.0, 0.0]))


@pytest.mark.parametrize("terms", [["taxon"], ["size", "taxon"]])
def test_permuted_criteria_equal_those_of_a_naive_loop(rng, terms):
    n = 18
    variables = {"size": rng.normal(size=n), "taxon": np.array(list("aaaaaabbbbbbcccccc"))}
    Y = rng.normal(size=(n, 3)) + np.outer(variables["size"], [1, 0, 1])
    dummies = np.array([[t == "b", t == "c"] for t in variables["taxon"]], dtype=float)
    small = np.ones((n, 1))
    if "size" in terms:
        small = np.column_stack([small, variables["size"]])
    large = np.hstack([small, dummies])

    def rest(X, data):
        return data - X @ np.linalg.lstsq(X, data, rcond=None)[0]

    def statistic(orders):
        rows = []
        for order in orders:
            left = rest(small, Y)
            data = (Y - left) + left[order]
            before, after = rest(small, data), rest(large, data)
            E = after.T @ after
            L = np.linalg.eigvals(np.linalg.solve(E, before.T @ before - E)).real
            rows.append([np.log1p(L).sum(), (L / (1 + L)).sum(), L.sum(), L.max()])
        return np.array(rows)

    loop = permutation_test(statistic, n, permutations=50, random_state=3)
    table = group_tests(Y, terms, variables, permutations=50, random_state=3)
    assert table["criterion"].tolist() == ["Wilks", "Pillai", "Hotelling-Lawley", "Roy"]
    expected = loop.observed.copy()
    expected[0] = np.exp(-expected[0])
    np.testing.assert_allclose(table["value"], expected, rtol=1e-9)
    np.testing.assert_allclose(table["effect_size"], loop.effect_size(), rtol=1e-7)
    np.testing.assert_allclose(table["p_value"], loop.p_value)
    assert (table["term"] == "taxon").all()


def test_more_axes_than_room_are_refused(rng):
    with pytest.raises(InferenceError, match=r"5 axes need at least 5 degrees.*there are 4"):
        group_tests(rng.normal(size=(6, 5)), ["g"], {"g": list("aaabbb")}, permutations=9)


def test_axes_without_variation_within_groups_are_refused():
    Y = np.repeat([[0.0, 1.0], [1.0, 0.0]], 4, axis=0)
    with pytest.raises(InferenceError, match="variation within groups is too poor"):
        group_tests(Y, ["g"], {"g": list("aaaabbbb")}, permutations=0)


def test_one_group_only_is_refused(rng):
    with pytest.raises(InferenceError, match="The term g adds nothing"):
        group_tests(rng.normal(size=(6, 2)), ["g"], {"g": ["a"] * 6}, permutations=9)


def test_no_terms_are_refused(rng):
    with pytest.raises(InferenceError, match="term"):
        group_tests(rng.normal(size=(6, 2)), [], {}, permutations=9)


def test_holm_by_hand():
    np.testing.assert_allclose(holm([0.04, 0.01, 0.03, 0.02]), [0.06, 0.04, 0.06, 0.06])
    np.testing.assert_allclose(holm([0.6, 0.7]), [1, 1])


def test_holm_leaves_out_what_is_missing():
    result = holm([0.01, np.nan, 0.02])
    np.testing.assert_allclose(result[[0, 2]], [0.02, 0.02])
    assert np.isnan(result[1])
    assert np.isnan(holm([np.nan])).all()
    assert holm([]).shape == (0,)


def test_distances_between_means(rng):
    Y, labels = rng.normal(size=(15, 4)), np.array(list("aaaaabbbbbccccc"))
    table = compare_means(Y, labels, permutations=99, random_state=0)
    assert list(zip(table["first"], table["second"], strict=True)) == [
        ("a", "b"), ("a", "c"), ("b", "c"),
    ]  # fmt: skip
    for row in table.itertuples():
        apart = Y[labels == row.first].mean(axis=0) - Y[labels == row.second].mean(axis=0)
        assert row.distance == pytest.approx(np.linalg.norm(apart))
    np.testing.assert_allclose(table["p_value_holm"], holm(table["p_value"]))


def test_adjusted_distances_are_differences_at_one_size(rng):
    """Taxa on parallel lines, one larger than the other: the gap between the lines."""
    size = np.r_[np.linspace(0, 1, 8), np.linspace(2, 3, 8)]
    labels = np.repeat(["a", "b"], 8)
    Y = np.outer(size, [1.0, 2.0, 0.0]) + np.outer(labels == "b", [0.0, 0.3, 0.4])
    table = compare_means(Y, labels, covariates={"size": size}, permutations=99, random_state=0)
    assert table["distance"][0] == pytest.approx(0.5)
    assert table["p_value"][0] == 0.01


def test_specimens_of_other_taxa_have_no_part_in_a_pair(rng):
    Y, labels = rng.normal(size=(10, 3)), np.array(list("aaaaabbbbb"))
    alone = compare_means(Y, labels, permutations=99, random_state=0)
    crowd = compare_means(
        np.vstack([Y, 9 + rng.normal(size=(4, 3))]),
        np.append(labels, ["c"] * 4),
        permutations=99,
        random_state=0,
    )
    assert crowd.iloc[0].drop("p_value_holm").equals(alone.iloc[0].drop("p_value_holm"))


def test_a_small_pair_is_tested_exactly(rng):
    table = compare_means(rng.normal(size=(5, 2)), list("aabbb"), permutations=999)
    assert table["permutations"][0] == 120
    # swapping within groups changes nothing: p is a multiple of 2! 3! / 5!
    assert table["p_value"][0] * 10 == pytest.approx(round(table["p_value"][0] * 10))


def test_two_taxa_of_one_cannot_be_tested(rng):
    table = compare_means(rng.normal(size=(4, 2)), list("abcc"), permutations=99)
    pair = table[(table["first"] == "a") & (table["second"] == "b")].iloc[0]
    assert np.isnan(pair["p_value"])
    assert pair["permutations"] == 0
    others = table.drop(pair.name)
    assert others["p_value"].between(0, 1).all()
    # the untestable pair does not count among those adjusted for
    np.testing.assert_allclose(others["p_value_holm"], holm(others["p_value"]))


def test_groups_told_apart_by_size_alone_cannot_be_compared_at_one_size(rng):
    size = np.repeat([1.0, 2.0], 4)
    table = compare_means(
        rng.normal(size=(8, 2)), list("aaaabbbb"), covariates={"size": size}, permutations=99
    )
    assert table[["distance", "p_value", "p_value_holm"]].isna().all(axis=None)


def test_identical_specimens_are_not_different():
    table = compare_means(np.ones((8, 2)), list("aaaabbbb"), permutations=99, random_state=0)
    assert table["distance"][0] == pytest.approx(0, abs=1e-15)
    assert table["p_value"][0] == 1


def test_one_group_has_no_pairs(rng):
    with pytest.raises(InferenceError, match="at least two are needed"):
        compare_means(rng.normal(size=(5, 2)), ["a"] * 5)


def test_labels_of_another_number_are_refused(rng):
    with pytest.raises(InferenceError, match="labels"):
        compare_means(rng.normal(size=(8, 2)), list("aaabbb"), permutations=9)


def test_distances_of_shapes_are_those_that_scipy_finds_between_the_means(rng):
    """scipy.spatial.procrustes: its disparity is the squared sine of the angle."""
    pole = rng.normal(size=(8, 3))
    X = (
        pole
        + 0.15 * rng.normal(size=(12, 8, 3))
        + 0.2 * np.repeat([0, 1], 6)[:, None, None] * pole[::-1]
    )
    labels = np.repeat(["a", "b"], 6)
    aligned = GeneralizedProcrustes().fit_transform(X)
    space = TangentSpace().fit(aligned)
    Y = space.transform(aligned)
    table = compare_means(Y, labels, pole=space.pole_, permutations=0)
    means = [space.inverse_transform(Y[labels == one].mean(axis=0))[0] for one in "ab"]
    disparity = procrustes(*means)[2]
    assert table["distance"][0] == pytest.approx(np.arcsin(np.sqrt(disparity)), rel=1e-9)
    flat = compare_means(Y, labels, permutations=0)["distance"][0]
    assert flat < table["distance"][0] * 0.999
