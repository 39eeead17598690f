"""The whole procedure again: equal to its pieces, and blind to pose, unit, order and names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.models.linear_model import term_tests
from morpho.inference.robustness.reanalysis import (
    Material,
    _slopes_test,
    _with_slopes,
    analyse,
    frame_of,
)
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.symmetry.sides import symmetric_component
from morpho.shape.tangent import TangentSpace

RULES = Rules(0.05, 5, None, 1)
EVIDENCE = ("p_value", "comparable_distance", "relative_distance", "posterior_probability")


def bones(rng, counts=(9, 8, 10), queries=2, k=7, partners=None):
    """Taxa with forms and growth of their own; queries are members of the first taxon."""
    base, growth = rng.normal(size=(2, k, 3))
    X, taxon = [], []
    for g, count in enumerate(counts):
        form = base + 0.25 * rng.normal(size=(k, 3))
        own = growth + (g == 1) * rng.normal(size=(k, 3))
        for i in range(count + (queries if g == 0 else 0)):
            s = rng.normal(0, 0.2)
            X.append(20 * np.exp(s) * (form + 0.4 * s * own + 0.08 * rng.normal(size=(k, 3))))
            taxon.append("abcdef"[g] if i < count else "")
    taxon = np.array(taxon)
    return Material(np.array(X), taxon, taxon != "", partners)


def compare(one, other, order=slice(None)):
    """The same evidence on the same queries, to rounding."""
    assert set(one.evidence) == set(other.evidence) == {False, True}
    for heeded, found in one.evidence.items():
        for name in EVIDENCE:
            expected = getattr(found, name)[order]
            np.testing.assert_allclose(
                getattr(other.evidence[heeded], name), expected, rtol=1e-6, atol=1e-9
            )
    assert [v.verdict for v in other.verdicts] == list(
        np.array([v.verdict for v in one.verdicts])[order]
    )


# ---------------------------------------------------------------- by its pieces


def by_hand(material, rules=RULES):
    """Each step written out."""
    X, known = material.coordinates, material.known
    size = np.log(centroid_size(X))
    if material.partners is not None:
        X = symmetric_component(X, material.partners)
    model = GeneralizedProcrustes().fit(X[known])
    aligned = model.transform(X)
    Y = TangentSpace(pole=model.mean_).fit(aligned[known]).transform(aligned)
    terms = ["size", "taxon", ["size", "taxon"]]
    variables = {"size": size[known], "taxon": material.taxon[known]}
    table = term_tests(
        Y[known], terms, variables, permutations=499, random_state=np.random.default_rng(rules.seed)
    )
    p = table.set_index("term").loc["size by taxon", "p_value"]
    return judge(
        Shapes(Y[known], size[known], material.taxon[known], dimensions=3),
        Shapes(Y[~known], size[~known], material.taxon[~known]),
        replace(rules, slopes_p_value=p),
    )


@pytest.mark.parametrize("symmetric", [False, True])
def test_the_procedure_is_its_pieces(rng, symmetric):
    material = bones(rng, partners=np.array([1, 0, 3, 2, 4, 5, 6]) if symmetric else None)
    found = analyse(material, RULES)
    expected = by_hand(material)
    compare(expected, found)
    assert found.own_slopes == expected.own_slopes


def test_symmetry_makes_a_difference_and_size_is_that_of_the_bone(rng):
    material = bones(rng)
    halves = replace(material, partners=np.array([1, 0, 3, 2, 4, 5, 6]))
    plain, symmetric = frame_of(material), frame_of(halves)
    assert not np.allclose(
        np.linalg.norm(plain.tangent, axis=1), np.linalg.norm(symmetric.tangent, axis=1)
    )
    np.testing.assert_array_equal(plain.log_size, symmetric.log_size)
    np.testing.assert_allclose(plain.log_size, np.log(centroid_size(material.coordinates)))


def test_queries_do_not_move_the_frame(rng):
    material = bones(rng)
    moved = material.at(np.flatnonzero(~material.known), rng.normal(size=(2, 7, 3)))
    np.testing.assert_array_equal(frame_of(material).mean, frame_of(moved).mean)


# ---------------------------------------------------------------- invariances


def test_pose_and_unit_do_not_matter(rng):
    material = bones(rng)
    X = material.coordinates
    turns = Rotation.random(len(X), rng=rng).as_matrix()
    other = 0.1 * (X @ turns) + rng.normal(size=(len(X), 1, 3))
    compare(analyse(material, RULES), analyse(replace(material, coordinates=other), RULES))


def test_the_size_of_one_bone_matters_only_where_size_is_heeded(rng):
    material = bones(rng)
    larger = material.at(np.array([9]), 2 * material.coordinates[[9]])  # the first query
    one, other = analyse(material, RULES), analyse(larger, RULES)
    np.testing.assert_allclose(
        one.evidence[False].comparable_distance, other.evidence[False].comparable_distance
    )
    assert not np.allclose(
        one.evidence[True].comparable_distance[0], other.evidence[True].comparable_distance[0]
    )


def test_the_order_of_specimens_does_not_matter(rng):
    material = bones(rng)
    order = rng.permutation(len(material.taxon))
    shuffled = material.of(order)
    place = np.flatnonzero(~material.known).tolist()
    turned = [place.index(i) for i in order if not material.known[i]]
    rules = replace(RULES, slopes_p_value=0.01)  # a permutation test hangs on the order
    compare(
        analyse(material, rules, test_slopes=False),
        analyse(shuffled, rules, test_slopes=False),
        np.array(turned),
    )


def test_the_order_of_landmarks_does_not_matter(rng):
    partners = np.array([1, 0, 3, 2, 4, 5, 6])
    material = bones(rng, partners=partners)
    order = rng.permutation(7)
    place = np.argsort(order)
    other = replace(
        material, coordinates=material.coordinates[:, order], partners=place[partners[order]]
    )
    compare(analyse(material, RULES), analyse(other, RULES))


def test_names_of_taxa_do_not_matter(rng):
    material = bones(rng)
    names = {"a": "x <b>", "b": "Übung", "c": "мышь", "": ""}
    renamed = replace(material, taxon=np.array([names[t] for t in material.taxon]))
    one, other = analyse(material, RULES), analyse(renamed, RULES)
    for heeded, found in one.evidence.items():
        there = {name: g for g, name in enumerate(other.evidence[heeded].taxa.tolist())}
        order = [there[names[t]] for t in found.taxa.tolist()]
        np.testing.assert_allclose(found.p_value, other.evidence[heeded].p_value[:, order])


# ---------------------------------------------------------------- changed material


def test_without_points_partners_go_as_well(rng):
    partners = np.array([1, 0, 3, 2, 4, 6, 5])
    material = bones(rng, partners=partners)
    less = material.without_points(np.array([3]))
    np.testing.assert_array_equal(less.coordinates, material.coordinates[:, [0, 1, 4, 5, 6]])
    np.testing.assert_array_equal(less.partners, [1, 0, 2, 4, 3])
    middle = material.without_points(np.array([4]))
    np.testing.assert_array_equal(middle.partners, [1, 0, 3, 2, 5, 4])
    assert frame_of(less).tangent.shape == (29, 15)


def test_without_points_and_partners_one_goes_alone(rng):
    material = bones(rng)
    less = material.without_points(np.array([0, 6]))
    np.testing.assert_array_equal(less.coordinates, material.coordinates[:, 1:6])
    assert less.partners is None
    np.testing.assert_array_equal(less.taxon, material.taxon)


def test_of_takes_specimens_and_may_hold_others_against_the_rest(rng):
    material = bones(rng)
    part = material.of(np.array([0, 9, 3]))
    np.testing.assert_array_equal(part.known, [True, False, True])
    np.testing.assert_array_equal(part.coordinates, material.coordinates[[0, 9, 3]])
    left = np.arange(len(material.taxon)) == 3
    other = material.of(material.known, queries=left)
    assert other.known.sum() == material.known.sum() - 1
    assert not other.known[3]
    np.testing.assert_array_equal(other.taxon, material.taxon[material.known])


def test_at_changes_a_copy(rng):
    material = bones(rng)
    before = material.coordinates.copy()
    changed = material.at(np.array([2]), np.ones((1, 7, 3)))
    assert (changed.coordinates[2] == 1).all()
    np.testing.assert_array_equal(changed.coordinates[3:], before[3:])
    np.testing.assert_array_equal(material.coordinates, before)


# ---------------------------------------------------------------- the test of slopes


def shapes_of(material):
    frame, known = frame_of(material), material.known
    return Shapes(frame.tangent[known], frame.log_size[known], material.taxon[known])


def test_slopes_that_differ_are_noticed_and_used(rng):
    known = shapes_of(bones(rng))
    assert _slopes_test(known, RULES) == pytest.approx(1 / 500)
    assert _with_slopes(known, RULES).slopes_differ
    assert analyse(bones(rng), RULES).own_slopes == ("a", "b", "c")


def test_slopes_of_taxa_too_small_are_not_tested(rng):
    """Taxa below the smallest number take no part; with one taxon left there is no test."""
    known = shapes_of(bones(rng, counts=(9, 4, 3)))
    assert _slopes_test(known, RULES) is None
    large = shapes_of(bones(rng, counts=(9, 8, 3)))
    kept = large.taxon != "c"
    alone = Shapes(large.tangent[kept], large.log_size[kept], large.taxon[kept])
    assert _slopes_test(large, RULES) == _slopes_test(alone, RULES)


def test_no_test_of_slopes_where_sizes_do_not_vary(rng):
    known = shapes_of(bones(rng))
    level = Shapes(known.tangent, np.full(len(known.taxon), 3.0), known.taxon)
    assert _slopes_test(level, RULES) is None
    assert not _with_slopes(level, RULES).slopes_differ


def test_the_same_seed_gives_the_same_p_value(rng):
    known = shapes_of(bones(rng, counts=(6, 6)))
    assert _slopes_test(known, RULES) == _slopes_test(known, RULES)
    # without growth of shape, so that the p-value is none of the smallest
    same = replace(known, tangent=rng.normal(size=known.tangent.shape))
    assert len({_slopes_test(same, replace(RULES, seed=seed)) for seed in range(2, 6)}) > 1
