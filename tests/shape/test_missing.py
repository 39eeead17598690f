"""What is there of each specimen."""

from __future__ import annotations

import numpy as np

from morpho.shape.missing import landmarks_present, share_present


def test_a_landmark_is_there_if_all_its_coordinates_are():
    X = np.zeros((3, 4, 3))
    X[1, 2] = np.nan
    X[2, 0, 1] = np.nan
    X[2, 3] = np.nan
    present = landmarks_present(X)
    assert present.dtype == bool
    assert np.argwhere(~present).tolist() == [[1, 2], [2, 0], [2, 3]]
    np.testing.assert_allclose(share_present(X), [1, 0.75, 0.5])


def test_nothing_left():
    np.testing.assert_array_equal(share_present(np.full((1, 3, 2), np.nan)), [0])
