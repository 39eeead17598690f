"""Terms of a model as columns."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.models.design import (
    InferenceError,
    check_matrix,
    indicator,
    term_basis,
    term_columns,
)

VARIABLES = {
    "size": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
    "taxon": ["b", "a", "c", "a", "b", "c"],
    "sex": ["f", "f", "m", "m", "f", "m"],
}


@pytest.mark.parametrize(
    ("Y", "message"),
    [
        (np.zeros(5), r"`Y` must have shape \(n_specimens, n_variables\), got \(5,\)"),
        (np.zeros((5, 0)), r"got \(5, 0\)"),
        (np.zeros((1, 3)), "at least 2 specimens, but holds 1"),
        ([[1.0, np.nan], [0.0, 1.0]], "`Y` holds missing or infinite values"),
        ([[1.0, np.inf], [0.0, 1.0]], "`Y` holds missing or infinite values"),
    ],
)
def test_matrices_that_are_refused(Y, message):
    with pytest.raises(InferenceError, match=message):
        check_matrix(Y)


def test_indicator_sorts_groups():
    groups, columns = indicator(["b", "a", "b"])
    assert groups.tolist() == ["a", "b"]
    np.testing.assert_array_equal(columns, [[0, 1], [1, 0], [0, 1]])


def test_a_number_is_one_column():
    np.testing.assert_array_equal(term_columns("size", VARIABLES)[:, 0], VARIABLES["size"])
    assert term_columns("age", {"age": [1, 2, 3]}).dtype == float


def test_labels_are_indicators_of_all_groups_but_the_first():
    columns = term_columns("taxon", VARIABLES)
    np.testing.assert_array_equal(columns[:, 0], [1, 0, 0, 0, 1, 0])  # b
    np.testing.assert_array_equal(columns[:, 1], [0, 0, 1, 0, 0, 1])  # c


def test_yes_and_no_are_labels():
    columns = term_columns("juvenile", {"juvenile": [True, False, True]})
    np.testing.assert_array_equal(columns, [[1], [0], [1]])


def test_interaction_columns_are_products():
    both = term_columns(("size", "taxon"), VARIABLES)
    size, taxon = term_columns("size", VARIABLES), term_columns("taxon", VARIABLES)
    np.testing.assert_array_equal(both, size * taxon)
    groups = term_columns(("taxon", "sex"), VARIABLES)
    np.testing.assert_array_equal(groups, taxon * term_columns("sex", VARIABLES))
    assert term_columns(("size", "taxon", "sex"), VARIABLES).shape == (6, 2)


def test_a_single_group_has_no_columns():
    assert term_columns("taxon", {"taxon": ["a", "a"]}).shape == (2, 0)


def test_unknown_variables_are_named():
    with pytest.raises(InferenceError, match=r"No variable \['stage'\]; there are \['sex', 'size'"):
        term_columns(("size", "stage"), VARIABLES)


def test_a_missing_number_is_refused():
    with pytest.raises(InferenceError, match="numeric term of the model holds missing"):
        term_columns("size", {"size": [1.0, np.nan]})


def test_variables_of_different_length_are_refused():
    with pytest.raises(InferenceError, match=r"size|sex"):
        term_columns(("size", "sex"), {"size": [1.0, 2.0, 3.0], "sex": ["f", "m"]})


def test_a_basis_is_what_is_added(rng):
    before = np.linalg.qr(rng.normal(size=(12, 3)))[0]
    columns = rng.normal(size=(12, 2))
    basis = term_basis(columns, before)
    np.testing.assert_allclose(basis.T @ basis, np.eye(2), atol=1e-14)
    np.testing.assert_allclose(before.T @ basis, 0, atol=1e-14)
    together = np.hstack([before, basis])
    np.testing.assert_allclose(together @ (together.T @ columns), columns, atol=1e-13)


def test_dependent_columns_count_once_or_not_at_all(rng):
    before = np.full((12, 1), 12**-0.5)
    column = rng.normal(size=(12, 1))
    assert term_basis(np.hstack([column, 3 * column - 7]), before).shape == (12, 1)
    assert term_basis(np.full((12, 1), 5.0), before).shape == (12, 0)
    assert term_basis(np.zeros((12, 1)), before).shape == (12, 0)
    assert term_basis(np.empty((12, 0)), before).shape == (12, 0)
    whole = np.hstack([before, term_basis(column, before)])
    assert term_basis(2 * column + 1, whole).shape == (12, 0)


def test_units_do_not_decide_what_depends(rng):
    """The same column in kilometres and in nanometres spans the same space."""
    before = np.full((9, 1), 1 / 3)
    column = rng.normal(size=(9, 1))
    for unit in (1e-12, 1e12):
        assert term_basis(unit * column, before).shape == (9, 1)
