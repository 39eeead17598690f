"""Curves: turned where they run backwards, rid of repeated points, and told of."""

import numpy as np
import pytest

from morpho.study.element import read_element
from morpho.study.settings.config import read_config

FILE = "landmarks/jaw/A-2.csv"
POINTS = {1: (2.0, -0.8, 0.8), 2: (4.0, -1.4, 1.2), 3: (6.0, -1.5, 1.5), 4: (8.0, -0.9, 1.8)}


def put_curve(tiny, points, blank=()):
    """Put another curve in place of a jaw's; give the line of its first point."""
    rows = [r for r in tiny.read(FILE).splitlines() if ",border." not in r]
    rows = [",".join(r.split(",")[:4]) + ",,," if r.split(",")[3] in blank else r for r in rows]
    first = len(rows) + 1
    rows += [f"A-2,jaw,,border.{n},{x},{y},{z}" for n, (x, y, z) in enumerate(points, start=1)]
    tiny.write(FILE, "\n".join(rows) + "\n")
    return first


def curve_of(tiny, specimen="A-2"):
    rows = read_element(read_config(tiny.path), "jaw")[2]
    rows = rows[(rows["specimen"] == specimen) & rows["landmark"].str.startswith("border.")]
    assert list(rows["landmark"]) == [f"border.{n}" for n in range(1, len(rows) + 1)]
    return rows[["x", "y", "z"]].to_numpy(), rows["line"].tolist()


def test_a_curve_that_runs_backwards_is_turned(tiny):
    """A user digitised a curve from its end: the points come out in the scheme's order."""
    first = put_curve(tiny, [POINTS[n] for n in (4, 3, 2, 1)])
    points, lines = curve_of(tiny)
    assert np.allclose(points, list(POINTS.values()))
    assert lines == [first + 3, first + 2, first + 1, first]
    problems = tiny.check()
    assert not problems.errors
    assert (
        f"{FILE}\n  note, line {first}, element jaw, specimen A-2, landmark border.1: The points "
        "of the curve border run from heel to tip; they were turned." in problems.render(["note"])
    )


def test_a_curve_in_the_right_order_is_left_alone(tiny):
    """A user's curve runs as the scheme says."""
    put_curve(tiny, POINTS.values())
    assert np.allclose(curve_of(tiny)[0], list(POINTS.values()))
    assert "turned" not in tiny.told()


@pytest.mark.parametrize("lost", ["tip", "heel"])
@pytest.mark.parametrize("backwards", [True, False])
def test_one_end_is_enough_to_tell_the_direction(tiny, lost, backwards):
    """The bone is broken at one end of the curve."""
    points = list(POINTS.values())
    put_curve(tiny, points[::-1] if backwards else points, blank=[lost])
    assert np.allclose(curve_of(tiny)[0], points)
    assert ("they were turned" in tiny.told()) == backwards


def test_without_ends_nothing_is_turned(tiny):
    """Both ends of a curve are lost: which way it runs cannot be known."""
    backwards = list(POINTS.values())[::-1]
    put_curve(tiny, backwards, blank=["tip", "heel"])
    assert np.allclose(curve_of(tiny)[0], backwards)


def test_only_the_digitisation_that_runs_backwards_is_turned(tiny):
    """A second digitisation of the same jaw runs backwards, the first does not."""
    rows = tiny.read(FILE).splitlines()
    again = [r.replace("A-2,jaw,,", "A-2,jaw,2,") for r in rows[1:]]
    again[-1], again[-2] = (
        again[-1].replace("border.2", "border.1"),
        again[-2].replace("border.1", "border.2"),
    )
    first = [r.replace("A-2,jaw,,", "A-2,jaw,1,") for r in rows[1:]]
    tiny.write(FILE, "\n".join([rows[0], *first, *again]) + "\n")
    rows = read_element(read_config(tiny.path), "jaw")[2]
    one, two = (
        rows[(rows["specimen"] == "A-2") & (rows["replicate"] == label)][["landmark", "x"]]
        for label in "12"
    )
    assert one.reset_index(drop=True).equals(two.reset_index(drop=True))
    assert 'run from heel to tip (replicate "2"); they were turned' in tiny.told()


def test_repeated_points_are_left_out(tiny):
    """A hand pressed twice, in the middle of a curve."""
    first = put_curve(tiny, [POINTS[1], POINTS[2], POINTS[2], POINTS[2], POINTS[3]])
    points, lines = curve_of(tiny)
    assert np.allclose(points, [POINTS[1], POINTS[2], POINTS[3]])
    assert lines == [first, first + 1, first + 4]
    told = tiny.told()
    assert f"note, line {first + 2}, element jaw, specimen A-2, landmark border.3: " in told
    assert "border.3 and border.4 are in the same place as the point before" in told


def test_points_that_repeat_the_ends_are_left_out(tiny):
    """A user's curve has its end landmarks in it, and runs backwards as well."""
    rows = {r.split(",")[3]: r.split(",")[4:] for r in tiny.read(FILE).splitlines()[1:]}
    tip, heel = ([float(cell) for cell in rows[name]] for name in ("tip", "heel"))
    put_curve(tiny, [heel, POINTS[4], POINTS[1], tip])
    assert np.allclose(curve_of(tiny)[0], [POINTS[1], POINTS[4]])
    told = tiny.told()
    assert "they were turned" in told
    assert "border.1 and border.4 are in the same place" in told


def test_a_curve_of_nothing_but_its_ends_is_empty(tiny):
    """A user's curve has its end landmarks only: it counts as not digitised."""
    rows = {r.split(",")[3]: r.split(",")[4:] for r in tiny.read(FILE).splitlines()[1:]}
    put_curve(tiny, [[float(cell) for cell in rows[name]] for name in ("tip", "heel")])
    assert len(curve_of(tiny)[0]) == 0
    assert len(curve_of(tiny, "A-3")[0]) == 2
    assert "No point is left of it: digitise it again" in tiny.told()


def test_blank_points_stay_in_their_order(tiny):
    """A point of a backward curve is missing on the bone."""
    first = put_curve(tiny, [POINTS[4], POINTS[3], POINTS[2], POINTS[1]])
    tiny.edit(FILE, "border.2,6.0,-1.5,1.5", "border.2,,,")
    points, lines = curve_of(tiny)
    assert np.isnan(points[2]).all()
    assert np.allclose(points[[0, 1, 3]], [POINTS[1], POINTS[2], POINTS[4]])
    assert lines[2] == first + 1
