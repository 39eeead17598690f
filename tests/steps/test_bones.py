"""From labelled rows to arrays: order does not matter, and replicates are averaged."""

import numpy as np
import pandas as pd
import pytest

from morpho.shape.replicates import average_replicates
from morpho.steps.prepare.averaged import average_bones, digitisation_arrays
from morpho.study.scheme.reading import read_scheme

LANDMARKS = ["tip", "notch", "heel", "knob", "hole"]
SCHEME = """\
landmarks: [{name: tip}, {name: notch}, {name: heel}, {name: knob}, {name: hole}]
curves: [{name: border, from: tip, to: heel, semilandmarks: 3}]
"""


@pytest.fixture
def scheme(tmp_path):
    (tmp_path / "bone.yaml").write_text(SCHEME)
    return read_scheme(tmp_path / "bone.yaml", "bone")


def rows(who, curve=0):
    """A digitisation each: specimen, replicate, observer; with so many points of the curve."""
    table = []
    names = LANDMARKS + [f"border.{i + 1}" for i in range(curve)]
    for i, key in enumerate(who):
        points = np.random.default_rng(i).normal(0, 5, (len(names), 3))
        table += [(*key, name, *point) for name, point in zip(names, points, strict=True)]
    columns = ["specimen", "replicate", "observer", "landmark", "x", "y", "z"]
    return pd.DataFrame(table, columns=columns)


def points(table, specimen, replicate="", observer=""):
    """Landmarks of one digitisation, in the scheme's order."""
    wanted = [specimen, replicate, observer]
    key = (table[["specimen", "replicate", "observer"]] == wanted).all(axis=1)
    return table[key].set_index("landmark").loc[LANDMARKS, ["x", "y", "z"]].to_numpy()


def test_each_point_comes_to_its_own_place(scheme):
    table = rows([("b", "", ""), ("a", "", "")])
    bones = average_bones(table, scheme)
    assert bones.specimens == ["a", "b"]
    assert bones.digitisations.tolist() == [1, 1]
    np.testing.assert_allclose(bones.landmarks, [points(table, "a"), points(table, "b")])


def test_the_order_of_points_is_the_one_asked_for():
    table = rows([("a", "", "")])
    keys, X = digitisation_arrays(table, LANDMARKS)
    assert keys["specimen"].tolist() == ["a"]
    np.testing.assert_array_equal(X, digitisation_arrays(table, LANDMARKS[::-1])[1][:, ::-1])
    np.testing.assert_array_equal(X[0], points(table, "a"))


@pytest.mark.parametrize("seed", range(4))
def test_the_order_of_rows_has_no_bearing(scheme, seed):
    """To the last bit, with replicates, observers and more than nine points of a curve."""
    who = [("b", "1", "x"), ("b", "1", "y"), ("b", "2", "x"), ("a", "", ""), ("c", "", "")]
    table = rows(who, curve=12)
    first = average_bones(table, scheme)
    second = average_bones(table.sample(frac=1, random_state=seed), scheme)
    assert first.specimens == second.specimens == ["a", "b", "c"]
    np.testing.assert_array_equal(first.landmarks, second.landmarks)
    np.testing.assert_array_equal(first.polylines["border"], second.polylines["border"])


def test_digitisations_are_told_by_replicate_and_observer(scheme):
    """Two observers with one label each are two digitisations, not one."""
    who = [("a", "1", "x"), ("a", "1", "y"), ("a", "2", "x")]
    table = rows(who)
    bones = average_bones(table, scheme)
    assert bones.digitisations.tolist() == [3]
    mean = average_replicates([points(table, *key) for key in who])
    np.testing.assert_allclose(bones.landmarks[0], mean)


def test_a_landmark_missing_in_one_replicate_is_taken_from_the_other(scheme):
    table = rows([("a", "1", ""), ("a", "2", ""), ("b", "", "")])
    gone = (table["landmark"] == "heel") & (
        (table["replicate"] == "1") | (table["specimen"] == "b")
    )
    table.loc[gone, ["x", "y", "z"]] = np.nan
    missing = np.isnan(average_bones(table, scheme).landmarks).any(axis=2)
    assert not missing[0].any()
    assert [name for name, lost in zip(LANDMARKS, missing[1], strict=True) if lost] == ["heel"]


def test_a_curve_runs_from_its_first_landmark_to_its_last(scheme):
    """Through its points in the order of their numbers: 2 before 10."""
    table = rows([("a", "", "")])
    along = [(i, i * i / 10, 0) for i in range(13)]
    ends = {"tip": along[0], "heel": along[-1]}
    for name, place in ends.items():
        table.loc[table["landmark"] == name, ["x", "y", "z"]] = [float(c) for c in place]
    curve = [("a", "", "", f"border.{i}", *map(float, along[i])) for i in range(1, 12)]
    whole = pd.concat([table, pd.DataFrame(curve[::-1], columns=table.columns)])
    line = average_bones(whole, scheme).polylines["border"][0]
    np.testing.assert_allclose(line[[0, -1]], [along[0], along[-1]], atol=1e-12)
    assert (np.diff(line[:, 0]) > 0).all()
    np.testing.assert_allclose(line[:, 1], np.interp(line[:, 0], *np.array(along).T[:2]), atol=0.1)


@pytest.mark.parametrize("lost", ["tip", "heel", "border.1"])
def test_a_curve_without_an_end_or_without_points_is_missing_as_a_whole(scheme, lost):
    table = rows([("a", "", ""), ("b", "", "")], curve=1)
    gone = (table["landmark"] == lost) & (table["specimen"] == "a")
    table.loc[gone, ["x", "y", "z"]] = np.nan
    line = average_bones(table, scheme).polylines["border"]
    assert np.isnan(line[0]).all()
    assert not np.isnan(line[1]).any()


def test_curves_can_be_left_out(scheme):
    table = rows([("a", "", "")], curve=4)
    bones = average_bones(table, scheme, curves=False)
    assert bones.polylines == {}
    np.testing.assert_array_equal(bones.landmarks[0], points(table, "a"))
