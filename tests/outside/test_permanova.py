"""Permutation tests: against scikit-bio, full enumeration, and a naive loop of refits."""

from __future__ import annotations

from itertools import combinations, permutations
from zlib import crc32

import numpy as np
import pytest
from scipy.spatial.distance import pdist, squareform
from skbio.stats.distance import DistanceMatrix, permanova
from threadpoolctl import threadpool_limits

from morpho.inference.models.linear_model import term_tests
from morpho.inference.taxa.groups import compare_means, group_tests


def _by_scikit_bio(Y, labels, count, seed):
    D = DistanceMatrix(squareform(pdist(Y)))
    with threadpool_limits(1):
        result = permanova(D, labels.tolist(), permutations=count, seed=seed)
    return float(result["test statistic"]), float(result["p-value"])


@pytest.mark.parametrize("data_set", ["iris", "skulls", "crabs", "nerves"])
def test_pseudo_f_of_one_factor(data_set, request):
    """scikit-bio `permanova` on Euclidean distances (Anderson 2001, Austral Ecology 26)."""
    Y, labels, *_ = request.getfixturevalue(data_set)
    Y = Y.reshape(len(Y), -1)
    expected, _ = _by_scikit_bio(Y, labels, 9, 1)
    ours = term_tests(Y, ["group"], {"group": labels}, permutations=0)
    assert ours["f_ratio"][0] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("effect", "seed"), [(0.0, 1), (0.25, 2), (0.35, 3), (0.5, 4)])
def test_p_value_of_one_factor(effect, seed):
    """P of scikit-bio and ours, each from draws of its own: equal within Monte-Carlo error."""
    rng = np.random.default_rng(seed)
    labels = np.repeat(["a", "b", "c"], [8, 12, 10])
    Y = rng.normal(size=(30, 6)) + effect * (labels == "b")[:, None]
    count = 1999
    _, expected = _by_scikit_bio(Y, labels, count, seed)
    ours = term_tests(Y, ["group"], {"group": labels}, permutations=count, random_state=seed)
    p = (ours["p_value"][0] + expected) / 2
    error = np.sqrt(2 * p * (1 - p) / count)
    assert abs(ours["p_value"][0] - expected) < 4 * error + 2 / count


def _pseudo_f(D2, labels):
    """Anderson (2001): pseudo-F from squared distances alone."""
    n = len(labels)
    groups = np.unique(labels)
    total = D2.sum() / (2 * n)
    within = sum(
        D2[np.ix_(labels == g, labels == g)].sum() / (2 * (labels == g).sum()) for g in groups
    )
    return ((total - within) / (len(groups) - 1)) / (within / (n - len(groups)))


@pytest.mark.parametrize("shift", [0.0, 1.0, 3.0])
def test_exact_p_value_of_six_specimens(shift):
    """All 20 ways to choose 3 of 6 specimens, gone through by hand, give the exact p."""
    rng = np.random.default_rng(6)
    labels = np.array(["a"] * 3 + ["b"] * 3)
    Y = rng.normal(size=(6, 4)) + shift * (labels == "b")[:, None]
    D2 = squareform(pdist(Y)) ** 2
    observed = _pseudo_f(D2, labels)
    splits = []
    for chosen in combinations(range(6), 3):
        split = np.full(6, "b")
        split[list(chosen)] = "a"
        splits.append(_pseudo_f(D2, split))
    expected = np.mean(np.array(splits) >= observed * (1 - 1e-10))
    table = term_tests(Y, ["group"], {"group": labels}, permutations=720)
    assert table["f_ratio"][0] == pytest.approx(observed, rel=1e-10)
    assert table["permutations"][0] == 720
    assert table["p_value"][0] == pytest.approx(expected, abs=1e-12)
    # the same p from the distance between the two means, with which F goes up and down
    pairs = compare_means(Y, labels, permutations=720)
    assert pairs["p_value"][0] == pytest.approx(expected, abs=1e-12)


# The naive loop: permuted residuals added to fitted values, every model refitted


def _drawn_orders(n, count, seed):
    """The orders that the runner draws from this seed: one block of at most 500."""
    assert count <= 500
    rng = np.random.default_rng(seed)
    return rng.permuted(np.tile(np.arange(n), (count, 1)), axis=1)


def _fit(X, Y):
    fitted = X @ np.linalg.lstsq(X, Y, rcond=None)[0]
    return fitted, Y - fitted


def _naive_f(designs, ranks, j, Y):
    """F of term j: drop in residual squares from model j - 1 to j over those that are left."""
    left = [(_fit(X, Y)[1] ** 2).sum() for X in designs]
    explained = (left[j] - left[j + 1]) / (ranks[j + 1] - ranks[j])
    return explained / (left[j + 1] / (len(Y) - ranks[j + 1]))


def _naive_t2(X, Y, second):
    """Squared difference of two means by its variance, each group spreading by itself.

    The estimate is a weighted sum of the specimens, so that its variance is the sum of their
    squared weights times the variance of their group.
    """
    weights = np.linalg.pinv(X)[-1]
    free = 1 - np.diag(X @ np.linalg.pinv(X))
    rest = (_fit(X, Y)[1] ** 2).sum(axis=1)
    variance = sum((weights[g] ** 2).sum() * rest[g].sum() / free[g].sum()
                   for g in (second, ~second))  # fmt: skip
    return ((weights @ Y) ** 2).sum() / variance


@pytest.fixture(scope="module")
def study():
    """Unbalanced groups, a covariate that differs between them, correlated variables."""
    rng = np.random.default_rng(77)
    n = 24
    taxon = np.repeat(["marsh", "coast", "ridge"], [11, 7, 6])
    size = rng.normal(size=n) + (taxon == "ridge")
    Y = np.outer(size, [0.5, 0.2, 0, 0.1]) + rng.normal(size=(n, 4)) @ rng.normal(size=(4, 4))
    Y[taxon == "coast"] += [0.8, 0, 0.3, 0]
    one = np.ones((n, 1))
    dummies = np.column_stack([taxon == "marsh", taxon == "ridge"]).astype(float)
    designs = [one]
    for columns in (size[:, None], dummies, dummies * size[:, None]):
        designs.append(np.hstack([designs[-1], columns]))
    return Y, {"size": size, "taxon": taxon}, designs


def test_term_tests_are_the_naive_loop(study):
    """Freedman & Lane (1983); Collyer, Sekora & Adams (2015), by refitting every model.

    Two terms and their interaction, the same orders drawn: F, p and effect size of each.
    """
    Y, variables, designs = study
    n, count, seed = len(Y), 300, 5
    ranks = [np.linalg.matrix_rank(X) for X in designs]
    assert ranks == [1, 2, 4, 6]
    ours = term_tests(
        Y,
        ["size", "taxon", ("size", "taxon")],
        variables,
        permutations=count,
        random_state=seed,
    )
    orders = _drawn_orders(n, count, seed)
    for j in range(3):
        observed = _naive_f(designs, ranks, j, Y)
        fitted, residual = _fit(designs[j], Y)
        null = np.array([_naive_f(designs, ranks, j, fitted + residual[o]) for o in orders])
        assert ours["f_ratio"][j] == pytest.approx(observed, rel=1e-9)
        p = (1 + (null >= observed * (1 - 1e-10)).sum()) / (count + 1)
        assert ours["p_value"][j] == pytest.approx(p, abs=1e-12)
        logs = np.log(null)
        z = (np.log(observed) - logs.mean()) / logs.std(ddof=1)
        assert ours["effect_size"][j] == pytest.approx(z, rel=1e-9)
        assert ours["degrees_of_freedom"][j] == ranks[j + 1] - ranks[j]


def test_more_variables_than_specimens(study):
    """The shortcut for wide data changes nothing: 60 variables, the naive loop again."""
    _, variables, designs = study
    Y = np.random.default_rng(8).normal(size=(24, 60))
    ours = term_tests(Y, ["size", "taxon"], variables, permutations=100, random_state=3)
    ranks = [1, 2, 4]
    fitted, residual = _fit(designs[1], Y)
    observed = _naive_f(designs[:3], ranks, 1, Y)
    orders = _drawn_orders(24, 100, 3)
    null = np.array([_naive_f(designs[:3], ranks, 1, fitted + residual[o]) for o in orders])
    assert ours["f_ratio"][1] == pytest.approx(observed, rel=1e-9)
    assert ours["p_value"][1] == pytest.approx((1 + (null >= observed).sum()) / 101, abs=1e-12)


def test_all_720_orders_of_residuals():
    """A factor after a covariate, six specimens: every order by itertools and refitting."""
    rng = np.random.default_rng(9)
    size, taxon = rng.normal(size=6), np.array(["a", "b", "a", "b", "a", "b"])
    Y = rng.normal(size=(6, 3)) + 1.5 * (taxon == "b")[:, None]
    designs = [np.ones((6, 1))]
    for column in (size, taxon == "b"):
        designs.append(np.column_stack([designs[-1], column]))
    fitted, residual = _fit(designs[1], Y)
    observed = _naive_f(designs, [1, 2, 3], 1, Y)
    null = [
        _naive_f(designs, [1, 2, 3], 1, fitted + residual[list(order)])
        for order in permutations(range(6))
    ]
    table = term_tests(Y, ["size", "taxon"], {"size": size, "taxon": taxon}, permutations=720)
    expected = np.mean(np.array(null) >= observed * (1 - 1e-10))
    assert table["p_value"][1] == pytest.approx(expected, abs=1e-12)


def _naive_criteria(before, after, Y):
    """Wilks, Pillai, Hotelling-Lawley, Roy through eigenvalues of the unsymmetric product."""
    smaller, larger = _fit(before, Y)[1], _fit(after, Y)[1]
    E = larger.T @ larger
    H = smaller.T @ smaller - E
    roots = np.linalg.eigvals(np.linalg.solve(E, H)).real
    return np.array(
        [
            np.linalg.det(E) / np.linalg.det(E + H),
            np.trace(H @ np.linalg.inv(H + E)),
            np.trace(H @ np.linalg.inv(E)),
            roots.max(),
        ]
    )


def test_group_tests_are_the_naive_loop(study):
    """Permutation MANOVA of taxon after size, every model refitted, the same orders."""
    Y, variables, designs = study
    count, seed = 200, 4
    ours = group_tests(Y, ["size", "taxon"], variables, permutations=count, random_state=seed)
    observed = _naive_criteria(designs[1], designs[2], Y)
    fitted, residual = _fit(designs[1], Y)
    null = np.array(
        [
            _naive_criteria(designs[1], designs[2], fitted + residual[o])
            for o in _drawn_orders(len(Y), count, seed)
        ]
    )
    np.testing.assert_allclose(ours["value"], observed, rtol=1e-9)
    extreme = np.column_stack(
        [null[:, 0] <= observed[0] * (1 + 1e-12), null[:, 1:] >= observed[1:] * (1 - 1e-12)]
    )
    np.testing.assert_allclose(ours["p_value"], (1 + extreme.sum(axis=0)) / (count + 1))
    logs = np.log(np.column_stack([-np.log(null[:, 0]), null[:, 1:]]))
    seen = np.log([-np.log(observed[0]), *observed[1:]])
    z = (seen - logs.mean(axis=0)) / logs.std(axis=0, ddof=1)
    np.testing.assert_allclose(ours["effect_size"], z, rtol=1e-8)


def test_compare_means_is_the_naive_loop(study):
    """Distances between means at one size, by refitting each pair, the same orders.

    Without covariates the statistic is Welch's, see below.
    """
    Y, variables, _ = study
    count, seed = 150, 6
    size, taxon = variables["size"], variables["taxon"]
    ours = compare_means(Y, taxon, covariates={"size": size}, permutations=count, random_state=seed)
    stream = int(np.random.default_rng(seed).integers(2**63))
    for row in ours.itertuples():
        pair = np.isin(taxon, [row.first, row.second])
        n = pair.sum()
        names = [crc32(str(name).encode()) for name in (row.first, row.second)]
        rng = np.random.default_rng([stream, *names])
        reduced = np.column_stack([np.ones(n), size[pair]])
        full = np.column_stack([reduced, taxon[pair] == row.second])

        def distance(values, full=full):
            return np.linalg.norm(np.linalg.lstsq(full, values, rcond=None)[0][-1])

        fitted, residual = _fit(reduced, Y[pair])
        orders = rng.permuted(np.tile(np.arange(n), (count, 1)), axis=1)
        assert row.distance == pytest.approx(distance(Y[pair]), rel=1e-9)
        second = taxon[pair] == row.second
        null = np.array([_naive_t2(full, fitted + residual[o], second) for o in orders])
        observed = _naive_t2(full, Y[pair], second)
        p = (1 + (null >= observed * (1 - 1e-10)).sum()) / (count + 1)
        assert row.p_value == pytest.approx(p, abs=1e-12)
