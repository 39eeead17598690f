"""Linear models of shape: a naive loop, degenerate data, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.models.design import InferenceError, term_columns
from morpho.inference.models.linear_model import sequential_bases, term_tests
from morpho.inference.models.permutation import permutation_test


@pytest.fixture
def study(rng):
    n = 21
    variables = {
        "size": rng.normal(size=n),
        "taxon": np.array(list("aaaaabbbbbbbbbbcccccc")),
    }
    Y = rng.normal(size=(n, 5)) + np.outer(variables["size"], [1, 0, 0.5, 0, 0])
    return Y, variables


def naive_f(terms, Y, variables):
    """F of each term by fitting the permuted data anew by least squares."""
    designs = [np.ones((len(Y), 1))]
    for term in terms:
        designs.append(np.hstack([designs[-1], term_columns(term, variables)]))
    ranks = [np.linalg.matrix_rank(X) for X in designs]

    def residual(X, data):
        return data - X @ np.linalg.lstsq(X, data, rcond=None)[0]

    def statistic(orders):
        rows = np.empty((len(orders), len(terms)))
        for i, order in enumerate(orders):
            for j in range(len(terms)):
                rest = residual(designs[j], Y)
                data = (Y - rest) + rest[order]
                before, after = ((residual(X, data) ** 2).sum() for X in designs[j : j + 2])
                rows[i, j] = ((before - after) / (ranks[j + 1] - ranks[j])) / (
                    after / (len(Y) - ranks[j + 1])
                )
        return rows

    return statistic


@pytest.mark.parametrize(
    "terms", [["size"], ["taxon"], ["size", "taxon"], ["taxon", "size", ("size", "taxon")]]
)
@pytest.mark.parametrize("wide", [False, True])
def test_every_permuted_f_equals_that_of_a_naive_loop(study, rng, terms, wide):
    Y, variables = study
    if wide:  # more variables than specimens
        Y = Y @ rng.normal(size=(5, 40)) + 0.1 * rng.normal(size=(21, 40))
    table = term_tests(Y, terms, variables, permutations=60, random_state=7)[: len(terms)]
    loop = permutation_test(naive_f(terms, Y, variables), 21, permutations=60, random_state=7)
    np.testing.assert_allclose(table["f_ratio"], loop.observed, rtol=1e-9)
    # the effect size hangs on every one of the permuted statistics
    np.testing.assert_allclose(table["effect_size"], loop.effect_size(), rtol=1e-9)
    np.testing.assert_allclose(table["p_value"], loop.p_value, rtol=1e-12)


def test_the_table_adds_up(study):
    Y, variables = study
    table = term_tests(Y, ["size", "taxon", ("size", "taxon")], variables, permutations=9)
    assert table["term"].tolist() == ["size", "taxon", "size by taxon", "residual", "total"]
    assert table["degrees_of_freedom"].tolist() == [1, 2, 2, 15, 20]
    parts, total = table["sum_of_squares"][:4], table["sum_of_squares"][4]
    assert parts.sum() == pytest.approx(total)
    assert total == pytest.approx(((Y - Y.mean(axis=0)) ** 2).sum())
    assert table["share_of_variance"][:4].sum() == pytest.approx(1)
    assert table["p_value"][3:].isna().all()


def test_one_term_is_tested_as_among_all(study):
    Y, variables = study
    terms = ["size", "taxon", ["size", "taxon"]]
    every, last = (
        term_tests(Y, terms, variables, tested=tested, permutations=99, random_state=4)
        for tested in (None, [2])
    )
    assert last.iloc[2:].equals(every.iloc[2:])
    sums = ["term", "degrees_of_freedom", "sum_of_squares", "mean_square", "share_of_variance"]
    assert last[sums].equals(every[sums])
    assert last.loc[:1, ["f_ratio", "effect_size", "p_value"]].isna().all(axis=None)
    assert last["permutations"].tolist() == [0, 0, 99, 0, 0]


def test_same_seed_same_table(study):
    Y, variables = study

    def run(seed):
        return term_tests(Y, ["size", "taxon"], variables, permutations=99, random_state=seed)

    assert run(1).equals(run(1))
    assert not run(1).equals(run(2))


def test_no_permutations(study):
    Y, variables = study
    table = term_tests(Y, ["size"], variables, permutations=0)
    assert table["p_value"].isna().all()
    assert table["effect_size"].isna().all()
    assert table["permutations"].tolist() == [0, 0, 0]
    assert table["f_ratio"][0] > 0


def test_few_specimens_are_tested_exactly(rng):
    Y, size = rng.normal(size=(5, 2)), np.arange(5.0)
    tables = [
        term_tests(Y, ["size"], {"size": size}, permutations=9999, random_state=s) for s in (1, 2)
    ]
    assert tables[0].equals(tables[1])
    assert tables[0]["permutations"][0] == 120


def test_a_perfect_fit_is_no_error():
    size = np.arange(8.0)
    Y = np.outer(size, [1.0, 2.0])
    table = term_tests(Y, ["size"], {"size": size}, permutations=99, random_state=0)
    assert table["p_value"][0] == 0.01
    assert table["share_of_variance"][0] == pytest.approx(1)
    assert table["sum_of_squares"][1] == pytest.approx(0, abs=1e-12)


def test_taxa_of_one_and_two(rng):
    Y = rng.normal(size=(7, 3))
    table = term_tests(Y, ["taxon"], {"taxon": list("abbcccc")}, permutations=19, random_state=0)
    assert table["degrees_of_freedom"].tolist() == [2, 4, 6]


@pytest.mark.parametrize("value", [0.0, 0.1, 1 / 3])
@pytest.mark.parametrize("n", [6, 7])
def test_identical_specimens_are_refused(value, n):
    with pytest.raises(InferenceError, match="shapes do not vary"):
        term_tests(np.full((n, 3), value), ["s"], {"s": np.arange(n)}, permutations=9)


@pytest.mark.parametrize(
    ("terms", "message"),
    [
        (["one"], "The term one adds nothing: it does not vary"),
        (["same"], "The term same adds nothing"),
        (["size", "twice"], "The term twice adds nothing.*before it already say the same"),
        (["taxon", "genus"], "The term genus adds nothing"),
        (["each"], "The model has 6 coefficients for 6 specimens"),
        (["short"], "The term short has 3 values for 6 specimens"),
        (["none"], r"No variable \['none'\]"),
    ],
)
def test_models_that_are_refused(rng, terms, message):
    variables = {
        "one": ["a"] * 6,
        "same": np.full(6, 2.5),
        "size": np.arange(6.0),
        "twice": 2 * np.arange(6.0) + 1,
        "taxon": list("aabbcc"),
        "genus": list("xxyyyy"),
        "each": list("abcdef"),
        "short": [1.0, 2.0, 3.0],
    }
    with pytest.raises(InferenceError, match=message):
        term_tests(rng.normal(size=(6, 2)), terms, variables, permutations=9)


def test_a_model_without_terms_is_refused(rng):
    with pytest.raises(InferenceError, match="term"):
        term_tests(rng.normal(size=(6, 2)), [], {}, permutations=9)


def test_bases_are_orthonormal_in_sequence(study):
    _, variables = study
    intercept, bases = sequential_bases(["size", "taxon"], variables, 21)
    together = np.hstack([intercept, *bases])
    assert together.shape == (21, 4)
    np.testing.assert_allclose(together.T @ together, np.eye(4), atol=1e-14)
