"""Screening: each kind of slip is found and named; sound samples pass; data are not touched."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.inference.data.medians import References
from morpho.inference.data.screening import COLUMNS, _cycles, screen
from morpho.inference.models.design import InferenceError
from morpho.shape.checks import ShapeError
from morpho.shape.symmetry.sides import mirror

K = 12
PARTNERS = np.array([1, 0, 3, 2, 5, 4, 7, 6, 8, 9, 10, 11])
NAMES = [f"mark_{j}" for j in range(K)]


def sample(n=10, spread=0.05, seed=0, symmetric=False):
    """Two taxa, sizes and poses at random."""
    rng = np.random.default_rng(seed)
    mean = rng.normal(size=(K, 3))
    means = np.stack([mean, mean + 0.1 * rng.normal(size=(K, 3))])
    if symmetric:
        means[:, [1, 3, 5, 7]] = means[:, [0, 2, 4, 6]] * [1, 1, -1]
        means[:, 8:, 2] = 0
    X = np.repeat(means, n, axis=0) + spread * rng.normal(size=(2 * n, K, 3))
    turns = Rotation.random(2 * n, rng=rng).as_matrix()
    X = rng.uniform(8, 12, size=(2 * n, 1, 1)) * (X @ turns)
    return X + 40 * rng.normal(size=(2 * n, 1, 3)), np.repeat(["coast", "marsh"], n)


def only(table):
    """The one row there should be."""
    assert len(table) == 1, table.to_string()
    return table.iloc[0]


@pytest.mark.parametrize("symmetric", [False, True])
def test_a_sound_sample_passes(symmetric):
    X, taxa = sample(n=20, symmetric=symmetric)
    table = screen(X, taxa, partners=PARTNERS if symmetric else None)
    assert table.empty
    assert table.columns.tolist() == list(COLUMNS)


def test_exchanged_names_are_named_and_the_data_left_alone():
    X, taxa = sample()
    X[4, [2, 9]] = X[4, [9, 2]]
    before = X.copy()
    row = only(screen(X, taxa, names=NAMES))
    assert (row["digitisation"], row["kind"], row["landmarks"]) == (4, "swapped", "mark_2;mark_9")
    assert row["distance_after"] < row["threshold"]
    assert row["distance_after"] < 0.6 * row["distance_before"]
    assert row["true_names"] == "mark_9;mark_2"
    np.testing.assert_array_equal(X, before)


def test_a_cycle_of_three_and_two_pairs_at_once():
    X, taxa = sample()
    true = X.copy()
    X[4, [1, 5, 7]] = true[4, [5, 7, 1]]  # what is called mark_1 is mark_5, ...
    row = only(screen(X, taxa, names=NAMES))
    assert row["landmarks"] == "mark_1;mark_5;mark_7"
    assert row["true_names"] == "mark_5;mark_7;mark_1"
    X = true.copy()
    X[4, [1, 5]], X[4, [3, 8]] = true[4, [5, 1]], true[4, [8, 3]]
    found = screen(X, taxa, names=NAMES)
    assert set(found["landmarks"]) == {"mark_1;mark_5", "mark_3;mark_8"}
    assert (found["digitisation"] == 4).all()


def test_a_displaced_landmark():
    X, taxa = sample()
    X[13, 6] += 9.0
    row = only(screen(X, taxa, names=NAMES))
    assert (row["digitisation"], row["kind"], row["landmarks"]) == (13, "displaced", "mark_6")
    assert float(row["deviations"]) > 8


def test_a_landmark_left_at_zero_far_from_the_bone():
    X, taxa = sample()
    X += 400
    X[13, 6] = 0
    row = only(screen(X, taxa))
    assert (row["kind"], row["landmarks"]) == ("displaced", "6")


def test_an_exchange_and_a_displaced_landmark_together():
    X, taxa = sample()
    X[4, [2, 9]] = X[4, [9, 2]]
    X[4, 6] += 9.0
    found = screen(X, taxa)
    assert set(zip(found["kind"], found["landmarks"], strict=True)) == {
        ("swapped", "2;9"),
        ("displaced", "6"),
    }


def test_a_mirror_image_of_matching_bones():
    X, taxa = sample()
    sides = np.tile(["left", "right"], 10)
    X = np.where((sides == "left")[:, None, None], mirror(X), X)
    assert screen(X, taxa, sides=sides).empty
    told = sides.copy()
    told[5] = "left"  # it is a right one
    row = only(screen(X, taxa, sides=told))
    assert (row["digitisation"], row["kind"], row["landmarks"]) == (5, "mirror", "")
    assert row["side"] == "left"
    # without sides, left ones of a sample of right ones
    Y, taxa = sample()
    Y[5] = mirror(Y[5])
    row = only(screen(Y, taxa))
    assert (row["kind"], row["digitisation"], row["side"]) == ("mirror", 5, "")


def test_left_and_right_exchanged_throughout():
    X, taxa = sample(symmetric=True, spread=0.03)
    X[7] = X[7][PARTNERS]
    row = only(screen(X, taxa, names=NAMES, partners=PARTNERS))
    assert (row["digitisation"], row["kind"]) == (7, "swapped")
    assert row["landmarks"] == ";".join(NAMES[:8])
    assert row["true_names"] == ""


def test_a_single_pair_exchanged_left_for_right():
    X, taxa = sample(symmetric=True, spread=0.03)
    X[7, [2, 3]] = X[7, [3, 2]]
    row = only(screen(X, taxa, partners=PARTNERS))
    assert (row["landmarks"], row["true_names"]) == ("2;3", "3;2")


def test_sizes():
    X, taxa = sample()
    X[3] *= 10
    row = only(screen(X, taxa))
    assert (row["digitisation"], row["kind"]) == (3, "size")
    assert row["factor"] == 10
    assert 8 < row["times_usual"] < 12
    sizes = np.ones(20)
    sizes[8] = 1000
    row = only(screen(X, taxa, sizes=sizes))
    assert (row["digitisation"], row["kind"]) == (8, "size")


def test_what_has_no_simple_cause_is_unusual():
    X, taxa = sample()
    rng = np.random.default_rng(5)
    X[2] += 6 * rng.normal(size=(K, 3))
    row = only(screen(X, taxa, names=NAMES))
    assert (row["digitisation"], row["kind"]) == (2, "unusual")
    assert row["distance_after"] == row["distance_before"] > row["threshold"]
    assert len(row["landmarks"].split(";")) == 3
    assert row["times_usual"] > 1


def test_a_new_form_is_not_called_unusual_but_its_slips_are_found():
    X, taxa = sample()
    rng = np.random.default_rng(5)
    taxa = taxa.astype(object)
    taxa[2] = ""
    strange = X.copy()
    strange[2] += 6 * rng.normal(size=(K, 3))
    assert screen(strange, taxa).empty
    taxa[2] = np.nan
    X[2, [0, 4]] = X[2, [4, 0]]
    assert only(screen(X, taxa))["landmarks"] == "0;4"


def test_missing_landmarks_and_specimens_with_next_to_nothing():
    X, taxa = sample()
    X[1, [0, 3]] = np.nan
    X[6] = np.nan
    X[8, 3:] = np.nan
    X[4, [2, 9]] = X[4, [9, 2]]
    X[4, 0] = np.nan
    row = only(screen(X, taxa))
    assert (row["digitisation"], row["landmarks"]) == (4, "2;9")


def test_a_landmark_that_a_taxon_never_has():
    X, taxa = sample()
    X[:10, 3] = np.nan
    assert screen(X, taxa).empty
    X[12, [2, 9]] = X[12, [9, 2]]
    assert only(screen(X, taxa))["digitisation"] == 12


def test_small_taxa_are_held_against_the_nearest():
    X, taxa = sample()
    taxa[17:] = "ridge"  # three: too few for a median of their own
    assert screen(X, taxa).empty
    X[18, [2, 9]] = X[18, [9, 2]]
    assert only(screen(X, taxa))["digitisation"] == 18
    # no taxon at all
    assert only(screen(X[10:], np.full(10, "")))["digitisation"] == 8


def test_several_slips_do_not_drag_the_reference():
    """Three of ten digitisations of a taxon have the same exchange; they are still the odd ones."""
    X, taxa = sample()
    for i in (0, 1, 2):
        X[i, [2, 9]] = X[i, [9, 2]]
    found = screen(X, taxa)
    assert found["digitisation"].tolist() == [0, 1, 2]
    assert (found["landmarks"] == "2;9").all()


def test_order_pose_and_units_do_not_matter():
    X, taxa = sample()
    X[4, [2, 9]] = X[4, [9, 2]]
    rng = np.random.default_rng(1)
    order = rng.permutation(20)
    turns = Rotation.random(20, rng=rng).as_matrix()
    moved = (0.01 * X @ turns - 3)[order]
    one, two = only(screen(X, taxa)), only(screen(moved, taxa[order]))
    assert order[two["digitisation"]] == one["digitisation"] == 4
    assert two["landmarks"] == one["landmarks"]
    assert two["distance_before"] == pytest.approx(one["distance_before"], rel=0.02)


def test_what_is_refused():
    X, taxa = sample()
    with pytest.raises(ShapeError, match="must have shape"):
        screen(X[0], taxa)
    with pytest.raises(ShapeError, match="finite or missing"):
        screen(np.where(X > 1e9, X, np.inf), taxa)
    with pytest.raises(InferenceError, match=r"taxa of shape \(3,\) for 20"):
        screen(X, taxa[:3])
    with pytest.raises(InferenceError, match="2 names for 12"):
        screen(X, taxa, names=["a", "b"])
    with pytest.raises(InferenceError, match=r"sizes of shape \(2,\)"):
        screen(X, taxa, sizes=[1, 2])
    with pytest.raises(ShapeError, match="mutual"):
        screen(X, taxa, partners=np.roll(np.arange(K), 1))
    with pytest.raises(InferenceError, match="at least 4 digitisations"):
        screen(X[:3], taxa[:3])


def test_cycles_of_a_permutation():
    found = [cycle.tolist() for cycle in _cycles(np.array([2, 1, 0, 4, 5, 3]))]
    assert found == [[0, 2], [3, 4, 5]]
    assert _cycles(np.arange(4)) == []


def test_the_reference_is_the_middle_of_its_taxon():
    X, taxa = sample(n=30, spread=0.02)
    references = References(X, taxa.astype(object), np.ones(60, dtype=bool))
    assert references.taxa == ["coast", "marsh"]
    assert references.own.all()
    assert references.middle < references.distance.max() < references.limit
    np.testing.assert_allclose(
        references.sizes, np.sqrt(((X - X.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))),
        rtol=0.05,
    )  # fmt: skip
    distance, aligned, target = references.judge(3, X[3])
    assert distance == pytest.approx(references.distance[3], rel=1e-6)
    assert np.linalg.norm(aligned - target, axis=1).max() < 0.1
