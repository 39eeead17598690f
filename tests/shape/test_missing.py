"""What is there of each specimen."""

from __future__ import annotations

import numpy as np

from morpho.shape.missing import enough_present, landmarks_present


def test_a_landmark_is_there_if_all_its_coordinates_are():
    X = np.zeros((3, 4, 3))
    X[1, 2] = np.nan
    X[2, 0, 1] = np.nan
    X[2, 3] = np.nan
    present = landmarks_present(X)
    assert present.dtype == bool
    assert np.argwhere(~present).tolist() == [[1, 2], [2, 0], [2, 3]]


def test_enough_is_what_spans_the_bone():
    X = np.random.default_rng(0).normal(size=(5, 6, 3))
    X[1, 4:] = np.nan  # four left
    X[2, 3:] = np.nan  # three left
    X[3, 4:] = np.nan
    X[3, :4, 2] = 1e-5 * X[3, :4, 2]  # four near one plane
    X[4] = np.nan
    assert enough_present(X).tolist() == [True, True, False, False, False]
    assert enough_present(1e-3 * X + 500).tolist() == [True, True, False, False, False]
    assert not enough_present(np.zeros((1, 6, 3)))[0]  # all in one place


def test_enough_in_the_plane():
    X = np.array([[[0.0, 0], [1, 0], [0, 1], [np.nan, np.nan]], [[0, 0], [1, 0], [2, 0], [3, 0]]])
    assert enough_present(X).tolist() == [True, False]
