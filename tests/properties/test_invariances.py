"""What must not change a result: pose, unit, order of specimens and landmarks, side, names."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.ordination import ShapeSpace
from morpho.inference.taxa.discriminant import ShapeDiscriminant, cross_validate
from morpho.inference.taxa.groups import compare_means, group_tests
from morpho.shape.superimposition import (
    GeneralizedProcrustes,
    centroid_size,
    procrustes_distance,
)
from morpho.shape.symmetry.sides import mirror
from morpho.shape.tangent import TangentSpace

FEW = settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
FEWER = settings(FEW, max_examples=6)
seeds = st.integers(0, 2**32 - 1)

N, QUERIES, K = 20, 3, 6
GROUNDS = ["outside", "inside", "undecided"]
TAXA = np.repeat(["coast", "marsh", "ridge"], [5, 7, 8])


def _study(rng):
    """20 known configurations of three taxa and three queries, any pose, lengths in mm."""
    base = rng.normal(size=(K, 3))
    shifts = {taxon: 0.25 * rng.normal(size=(K, 3)) for taxon in np.unique(TAXA)}
    taxa = np.append(TAXA, rng.choice(TAXA, QUERIES))
    size = rng.uniform(0, 1, N + QUERIES)
    growth = 0.3 * rng.normal(size=(K, 3))
    shape = base + np.array([shifts[taxon] for taxon in taxa]) + size[:, None, None] * growth
    X = np.exp(size)[:, None, None] * (shape + 0.15 * rng.normal(size=shape.shape))
    return X @ Rotation.random(N + QUERIES, rng=rng).as_matrix()


def _results(X, order=None, seed=1):
    """Every number of the chain that an invariance speaks of; known specimens in `order`."""
    order = np.arange(N) if order is None else order
    known, queries, taxa = X[:N][order], X[N:], TAXA[order]
    size = np.log(centroid_size(known))
    model = GeneralizedProcrustes().fit(known)
    space = TangentSpace(pole=model.mean_).fit(model.transform(known))
    Y, Q = (space.transform(model.transform(A)) for A in (known, queries))
    axes = ShapeSpace(axes="share", share=0.8, most=5).fit(Y)
    scores = axes.transform(Y)[:, : axes.n_axes_]
    terms = ["size", "taxon", ("size", "taxon")]
    variables = {"size": size, "taxon": taxa}
    table = term_tests(Y, terms, variables, permutations=99, random_state=seed)
    criteria = group_tests(scores, terms[:2], variables, permutations=99, random_state=seed)
    pairs = compare_means(Y, taxa, covariates={"size": size}, permutations=99, random_state=seed)
    result = {
        "distances": procrustes_distance(queries, model.mean_[None]),
        "variances": axes.variance_[:8],
        "axes": axes.n_axes_,
        "squares": table[["sum_of_squares", "share_of_variance"]].to_numpy(),
        "f_ratios": table["f_ratio"][:3].to_numpy(),
        "criteria": criteria["value"].to_numpy(),
        "mean_distances": pairs["distance"].to_numpy(),
        "ratios": ShapeDiscriminant(axes="share", share=0.8, most=5)
        .fit(known, taxa)
        .canonical_.ratios_,
    }
    drawn = {
        "p_terms": table["p_value"][:3].to_numpy(),
        "p_criteria": criteria["p_value"].to_numpy(),
        "p_pairs": pairs["p_value_holm"].to_numpy(),
    }
    query_size = np.log(centroid_size(queries))
    shapes = Shapes(Y, size, taxa, dimensions=3), Shapes(Q, query_size, np.full(QUERIES, ""))
    for slopes in (None, 0.01):
        found = judge(*shapes, Rules(0.05, 5, slopes, 1))
        result[f"verdicts {slopes}"] = [GROUNDS.index(each.verdict) for each in found.verdicts]
        result[f"known {slopes}"] = np.sort(found.strangeness)
        for heeded, evidence in found.evidence.items():
            for part in (
                "procrustes_distance",
                "comparable_distance",
                "mahalanobis_distance",
                "relative_distance",
                "p_value",
                "posterior_probability",
            ):
                result[f"{slopes} {heeded} {part}"] = getattr(evidence, part)
    return result, drawn


def _same(a, b):
    for name in a:
        np.testing.assert_allclose(a[name], b[name], rtol=1e-6, atol=1e-8, err_msg=name)


@FEW
@given(seeds, st.floats(1e-3, 1e3))
def test_pose_and_unit(seed, unit):
    """Each specimen turned and moved on its own, all measured in another unit."""
    rng = np.random.default_rng(seed)
    X = _study(rng)
    turns = Rotation.random(len(X), rng=rng).as_matrix()
    moved = unit * (X @ turns + 100 * rng.normal(size=(len(X), 1, 3)))
    before, drawn = _results(X)
    after, drawn_after = _results(moved)
    _same(before, after)
    _same(drawn, drawn_after)
    np.testing.assert_allclose(centroid_size(moved), unit * centroid_size(X), rtol=1e-10)


@FEW
@given(seeds)
def test_order_of_landmarks(seed):
    """The landmarks of all configurations renumbered in the same way."""
    rng = np.random.default_rng(seed)
    X = _study(rng)
    before, drawn = _results(X)
    after, drawn_after = _results(X[:, rng.permutation(K)])
    _same(before, after)
    _same(drawn, drawn_after)


@FEW
@given(seeds)
def test_all_mirrored(seed):
    """All bones of the other side: the mirror image of a study is the same study."""
    X = _study(np.random.default_rng(seed))
    before, drawn = _results(X)
    after, drawn_after = _results(mirror(X))
    _same(before, after)
    _same(drawn, drawn_after)


@FEW
@given(seeds)
def test_order_of_specimens(seed):
    """Rows shuffled with their labels; only the draws of the permutations may differ."""
    rng = np.random.default_rng(seed)
    X = _study(rng)
    before, _ = _results(X)
    after, _ = _results(X, order=rng.permutation(N))
    _same(before, after)


@FEW
@given(seeds)
def test_size_of_each_specimen_has_no_part_in_shape(seed):
    """Each configuration enlarged on its own: distances and variances of shape stay."""
    rng = np.random.default_rng(seed)
    X = _study(rng)
    scaled = X * rng.uniform(0.01, 100, size=(len(X), 1, 1))
    np.testing.assert_allclose(
        procrustes_distance(X[1:], X[:-1]), procrustes_distance(scaled[1:], scaled[:-1]), rtol=1e-9
    )
    a, b = (GeneralizedProcrustes().fit_transform(A) for A in (X, scaled))
    np.testing.assert_allclose(procrustes_distance(a.mean(0)[None], b.mean(0)[None]), 0, atol=1e-8)
    a, b = (ShapeSpace(axes="share").fit(A.reshape(len(A), -1)).variance_[:8] for A in (a, b))
    np.testing.assert_allclose(a, b, rtol=1e-8)


@FEW
@given(seeds)
def test_distance_is_a_distance(seed):
    """Symmetric, zero for the same shape, and no longer than by way of a third shape."""
    A, B, C = np.random.default_rng(seed).normal(size=(3, 10, 5, 3))
    ab, bc, ac = (procrustes_distance(*pair) for pair in ((A, B), (B, C), (A, C)))
    np.testing.assert_allclose(ab, procrustes_distance(B, A), atol=1e-12)
    np.testing.assert_allclose(procrustes_distance(A, 3 * A + 1), 0, atol=1e-12)
    assert (ac <= ab + bc + 1e-12).all()


@FEW
@given(seeds)
def test_queries_have_no_part_in_one_another(seed):
    """A query gets the same evidence alone, among others, and in any order."""
    rng = np.random.default_rng(seed)
    X = _study(rng)
    model = GeneralizedProcrustes().fit(X[:N])
    space = TangentSpace(pole=model.mean_).fit(model.transform(X[:N]))
    Y, Q = (space.transform(model.transform(A)) for A in (X[:N], X[N:]))
    size, own = np.log(centroid_size(X[:N])), np.log(centroid_size(X[N:]))
    taxa = KnownTaxa(Y, TAXA, size)
    together = taxa.hold(Q[::-1], own[::-1])
    for i in range(QUERIES):
        alone = taxa.hold(Q[i : i + 1], own[i : i + 1])
        for part in ("procrustes", "mahalanobis", "relative", "posterior"):
            np.testing.assert_allclose(
                getattr(together, part)[QUERIES - 1 - i], getattr(alone, part)[0], rtol=1e-9
            )


@FEW
@given(seeds, st.floats(1e-3, 1e3))
def test_rotation_and_scale_of_tangent_space(seed, unit):
    """Landmarks turned together by any rotation, and another unit: p-values stay."""
    rng = np.random.default_rng(seed)
    Y, Q = rng.normal(size=(N, 30)), 2 * rng.normal(size=(4, 30))
    turn = np.kron(np.eye(10), Rotation.random(rng=rng).as_matrix())
    size, own = rng.normal(size=N), rng.normal(size=4)
    one, other = (
        judge(
            Shapes(known, size, TAXA, dimensions=3),
            Shapes(queries, own, np.full(4, "")),
            Rules(0.05, 5, 0.01, 1),
        )
        for known, queries in ((Y, Q), (unit * Y @ turn, unit * Q @ turn))
    )
    for heeded in (False, True):
        a, b = one.evidence[heeded], other.evidence[heeded]
        np.testing.assert_allclose(b.relative_distance, a.relative_distance, rtol=1e-7)
        np.testing.assert_allclose(b.p_value, a.p_value)
        np.testing.assert_allclose(b.procrustes_distance, unit * a.procrustes_distance, rtol=1e-9)
        np.testing.assert_allclose(
            one.models[heeded].left_out.relative, other.models[heeded].left_out.relative, rtol=1e-7
        )
    assert one.verdicts == other.verdicts


@FEW
@given(seeds)
def test_names_of_taxa(seed):
    """Taxa renamed so that their order turns round: the columns move, the values stay."""
    rng = np.random.default_rng(seed)
    Y, Q = rng.normal(size=(N, 7)), rng.normal(size=(4, 7))
    renamed = np.array([{"coast": "z", "marsh": "y", "ridge": "x"}[taxon] for taxon in TAXA])
    size, own = rng.normal(size=N), rng.normal(size=4)
    shapes = Shapes(Q, own, np.full(4, ""))
    a, b = (
        judge(Shapes(Y, size, t), shapes, Rules(0.05, 5, None, 1)).evidence[True]
        for t in (TAXA, renamed)
    )
    assert b.taxa.tolist() == ["x", "y", "z"]
    for part in ("relative_distance", "p_value", "posterior_probability"):
        np.testing.assert_allclose(getattr(a, part), getattr(b, part)[:, ::-1], atol=1e-12)
    one, other = (
        term_tests(Y, ["taxon"], {"taxon": t}, permutations=99, random_state=1)
        for t in (TAXA, renamed)
    )
    np.testing.assert_allclose(one["f_ratio"][0], other["f_ratio"][0], rtol=1e-10)
    assert one["p_value"][0] == other["p_value"][0]


@FEWER
@given(seeds, st.sampled_from(["pose", "landmarks", "mirror", "order"]))
def test_predictions_of_specimens_left_out(seed, change):
    """Cross-validation puts each specimen in the same taxon, whatever the change."""
    rng = np.random.default_rng(seed)
    X, order = _study(rng)[:N], np.arange(N)
    if change == "pose":
        changed = 7 * X @ Rotation.random(N, rng=rng).as_matrix() + rng.normal(size=(N, 1, 3))
    elif change == "landmarks":
        changed = X[:, rng.permutation(K)]
    elif change == "mirror":
        changed = mirror(X)
    else:
        order = rng.permutation(N)
        changed = X[order]
    model = ShapeDiscriminant(axes="share", share=0.8, most=4)
    before = cross_validate(model, X, TAXA)
    after = cross_validate(model, changed, TAXA[order])
    assert before.predicted[order].tolist() == after.predicted.tolist()
    np.testing.assert_array_equal(before.n_axes[order], after.n_axes)
    # canonical scores, up to the sign of each axis
    a, b = before.scores[order], after.scores
    signs = np.sign((a * b).sum(axis=0))
    # (an axis kept and one left out may have nearly the same variance, which makes the plane
    # of those kept sensitive to rounding)
    np.testing.assert_allclose(a, b * signs, atol=1e-4, rtol=1e-4)


@pytest.mark.parametrize("d", [2, 3])
def test_every_rotation_of_the_superimposition_is_proper(d):
    """Determinant +1 for each specimen, mirrored ones among them."""
    rng = np.random.default_rng(d)
    X = rng.normal(size=(5, d)) + 0.2 * rng.normal(size=(30, 5, d))
    X[::2] = mirror(X[::2])
    aligned = GeneralizedProcrustes().fit_transform(X)
    X = X - X.mean(axis=1, keepdims=True)
    for before, after in zip(X, aligned, strict=True):
        assert np.linalg.det(np.linalg.lstsq(before, after, rcond=None)[0]) > 0
