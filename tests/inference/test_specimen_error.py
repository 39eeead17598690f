"""How well specimens were digitised, and what of it is left in shapes and in verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.inference.data.specimen_error import point_errors, specimen_errors
from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.robustness.reanalysis import Material, frame_of, shape_error

RULES = Rules(0.05, 5, None, 1)


def digitised(rng, errors, count=3, k=8):
    """Bones digitised `count` times each in any pose, with an error of so many mm a landmark."""
    bones = 20 * rng.normal(size=(len(errors), k, 3))
    X = np.repeat(bones, count, axis=0)
    X += rng.normal(size=X.shape) * np.repeat(errors, count)[:, None, None] / np.sqrt(3)
    X = X @ Rotation.random(len(X), rng=rng).as_matrix() + rng.normal(size=(len(X), 1, 3))
    return X, np.repeat([f"s{i:03}" for i in range(len(errors))], count)


# ---------------------------------------------------------------- of specimens


@pytest.mark.parametrize(("count", "k"), [(2, 5), (3, 20)])
def test_the_error_is_the_one_that_was_made(count, k):
    """Sixty specimens, half of them three times as bad: right on average."""
    rng = np.random.default_rng(k)
    X, names = digitised(rng, np.repeat([0.2, 0.6], 30), count, k)
    table = specimen_errors(X, names, np.full(len(X), "one"))
    assert (table["told_by"] == "itself").all()
    assert (table["digitisations"] == count).all()
    squares = table["error_mm"].to_numpy() ** 2
    for part, true in ((squares[:30], 0.2), (squares[30:], 0.6)):
        assert np.sqrt(part.mean()) == pytest.approx(true, rel=0.12)


def test_the_nearest_replicates_tell_it(rng):
    """Its own; else those of others by the same hand; else those of anybody."""
    X, names = digitised(rng, np.array([0.1, 0.1, 5.0, 0.1, 0.1]), 2)
    groups = np.repeat(["ann", "ann", "bob", "ann", "cy"], 2)
    kept = np.array([0, 1, 2, 3, 4, 5, 6, 8])  # the last two but once
    table = specimen_errors(X[kept], names[kept], groups[kept]).set_index("specimen")
    assert table["told_by"].tolist() == ["itself"] * 3 + ["group", "others"]
    assert table["digitisations"].tolist() == [2, 2, 2, 1, 1]
    error = table["error_mm"].to_numpy()
    assert error[3] == pytest.approx(np.sqrt((error[:2] ** 2).mean()))
    assert error[4] == pytest.approx(np.sqrt((error[:3] ** 2).mean()))
    assert error[2] > 10 * error[0]


def test_replicates_by_two_hands_tell_nothing_of_either(rng):
    X, names = digitised(rng, np.array([0.1]), 2)
    row = specimen_errors(X, names, ["ann", "bob"]).iloc[0]
    assert row["told_by"] == ""
    assert np.isnan(row["error_mm"])


def test_more_replicates_weigh_by_their_degrees_of_freedom(rng):
    X, names = digitised(rng, np.array([0.1, 3.0, 1.0]), 4)
    kept = np.array([0, 1, 2, 3, 4, 5, 8])  # four, two and one
    error = specimen_errors(X[kept], names[kept], np.full(7, ""))["error_mm"].to_numpy()
    assert error[2] == pytest.approx(np.sqrt((3 * error[0] ** 2 + error[1] ** 2) / 4))


def test_landmarks_missing_in_one_replicate_are_left_out_of_all(rng):
    X, names = digitised(rng, np.array([0.1, 0.1]), 2)
    holes = X.copy()
    holes[0, 0], holes[2, :5] = np.nan, np.nan
    table = specimen_errors(holes, names, np.full(4, "ann"))
    plain = specimen_errors(X[:2, 1:], names[:2], np.full(2, "ann"))
    assert table["error_mm"].iloc[0] == pytest.approx(plain["error_mm"].iloc[0])
    # three landmarks are too few to compare by
    assert table["told_by"].tolist() == ["itself", "group"]


# ---------------------------------------------------------------- of points


def test_points_differ_as_they_do_over_all_specimens():
    found = point_errors([0.5, 1.0], [1, 4], [0.3, np.nan, 0.6, 0.9])
    points = np.array([0.3, 0.6, 0.6, 0.9])
    np.testing.assert_allclose(found[0], found[1])
    np.testing.assert_allclose(found[0] / found[0, 0], points / 0.3)
    np.testing.assert_allclose(np.sqrt((found**2).mean(axis=1)), [0.5, 0.5])
    np.testing.assert_allclose(point_errors([2.0], [1], [0.0, 0.0]), [[2.0, 2.0]])


# ---------------------------------------------------------------- in shapes


@pytest.mark.parametrize("partners", [None, [1, 0, 3, 2, 5, 4, 6, 7]])
def test_what_is_left_of_it_in_shapes(partners):
    """Bones digitised again and again: as much variance as is told, but for what a fit takes.

    Of 3k coordinates a superimposition takes seven; of symmetric parts, which turn in a plane of
    symmetry, shift in it and grow, it takes four of as many as there are.
    """
    rng, k = np.random.default_rng(3), 8
    base = 10 * rng.normal(size=(k, 3))
    if partners is not None:
        partners = np.array(partners)
        base[[1, 3, 5]] = base[[0, 2, 4]] * [-1, 1, 1]
        base[6:, 0] = 0
    sizes = np.repeat([1.0, 3.0], 1500)
    error = np.full((3000, k), 0.05)
    noise = rng.normal(size=(3000, k, 3)) * error[..., None] / np.sqrt(3)
    X = sizes[:, None, None] * base + noise
    material = Material(X, np.full(3000, "a"), np.full(3000, True), partners, error)
    told = 3 * k * shape_error(material)
    found = frame_of(material).tangent
    left = 17 / 24 if partners is None else (3 * 3 + 2 * 2 - 4) / (3 * 3 + 2 * 2)
    for part in (slice(0, 1500), slice(1500, 3000)):
        total = found[part].var(axis=0).sum()
        assert total == pytest.approx(left * told[part].mean(), rel=0.1)
    np.testing.assert_allclose(told[:1500].mean() / told[1500:].mean(), 9, rtol=0.01)
    assert shape_error(replace(material, error_mm=None)) is None


# ---------------------------------------------------------------- in verdicts


def study(rng, k=10, n=30, error=1.0, queries=40, sizes=0.1):
    """A taxon, and members of it digitised with `error` times the error of the known ones."""
    p, own = 3 * k, 0.5

    def draw(count, times):
        shapes = np.geomspace(3, 0.1, p) * rng.normal(size=(count, p))
        return shapes + times * own * rng.normal(size=(count, p))

    known = Shapes(draw(n, 1), rng.normal(3, sizes, n), np.full(n, "a"), np.full(n, own**2))
    variance = np.full(queries, (error * own) ** 2)
    sample = draw(queries, error), rng.normal(3, sizes, queries), np.full(queries, "")
    return known, Shapes(*sample, variance, np.full(queries, False))


def outside(known, queries):
    return [v.verdict for v in judge(known, queries, RULES).verdicts].count("outside")


def test_a_query_digitised_worse_is_not_outside_for_that():
    """Three times the error, 5 studies of 40 members: at the level where it is told, else most."""
    rng, told, untold = np.random.default_rng(1), 0, 0
    for _ in range(5):
        known, queries = study(rng, error=3.0)
        told += outside(known, queries)
        untold += outside(replace(known, error=None), replace(queries, error=None))
    assert told <= 0.1 * 200
    assert untold > 0.5 * 200


def test_a_query_digitised_better_has_no_excess(rng):
    known, queries = study(rng, error=0.2)
    one = judge(known, queries, RULES).evidence[False].relative_distance
    same = replace(known, error=None), replace(queries, error=None)
    np.testing.assert_array_equal(one, judge(*same, RULES).evidence[False].relative_distance)


def far_off(known, queries, share):
    """The first query so far off that the test rejects by so much and no more."""
    found = judge(known, queries, RULES)
    model = found.models[False]
    critical = found.reference.critical()[0]
    away = queries.tangent[:1] - model.predict(None, 1)[0]
    away *= share * critical / found.evidence[False].relative_distance[0, 0]
    shape = model.predict(None, 1)[0] + away
    return replace(
        queries, tangent=shape, log_size=known.log_size[:1], error=queries.error[:1],
        unmeasured=queries.unmeasured[:1],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("unmeasured", "share", "ground"),
    [(False, 1.15, "all_reject"), (True, 1.15, "error_unknown"), (True, 6.0, "all_reject")],
)
def test_outside_must_stand_with_twice_an_error_that_nobody_measured(
    rng, unmeasured, share, ground
):
    known, queries = study(rng, queries=1)
    query = replace(far_off(known, queries, share), unmeasured=np.array([unmeasured]))
    verdict = judge(known, query, RULES).verdicts[0]
    assert verdict.ground == ground
    assert verdict.verdict == ("outside" if ground == "all_reject" else "undecided")


@pytest.mark.parametrize(("smaller", "ground"), [(0.0, "all_reject"), (1.5, "error_unknown")])
def test_without_any_error_a_smaller_query_may_have_the_most_that_can_be(rng, smaller, ground):
    """What varies least in known specimens is at most error; it weighs more in a smaller bone."""
    known, queries = study(rng, queries=1, sizes=0.0)
    query = far_off(known, queries, 1.3)
    query = replace(query, log_size=known.log_size[:1] - smaller, error=None)
    found = judge(replace(known, error=None), query, RULES)
    assert set(found.evidence) == {False}
    assert found.verdicts[0].ground == ground
