"""Displacement of landmarks: the prediction of a taxon, p-values, and the resistant fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, spearmanr

from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.prediction import TaxonPrediction, predict_taxon
from morpho.inference.differences.ranges import false_discovery
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.design import InferenceError
from morpho.inference.models.distances import typicality
from morpho.shape.superimposition import GeneralizedProcrustes


def sample(rng, counts=(6, 5), k=8, d=3, noise=0.03):
    """Superimposed known specimens of several taxa, their labels and log sizes."""
    mean = rng.normal(size=(k, d))
    labels = np.repeat([f"taxon_{i}" for i in range(len(counts))], counts)
    offsets = 0.1 * rng.normal(size=(len(counts), k, d))
    size = rng.normal(size=len(labels))
    X = mean + offsets[np.repeat(np.arange(len(counts)), counts)]
    X = X + noise * rng.normal(size=X.shape) + 0.05 * size[:, None, None] * rng.normal(size=(k, d))
    return GeneralizedProcrustes().fit(X), X, labels, size


def ready(rng, **options):
    frame, X, labels, size = sample(rng, **options)
    aligned = frame.transform(X)
    return aligned[:-1], labels[:-1], size[:-1], aligned[-1], size[-1]


# ---------------------------------------------------------------- prediction


def test_the_mean_of_a_taxon(rng):
    X, labels, _, _, _ = ready(rng)
    found = predict_taxon(X, labels, "taxon_0")
    np.testing.assert_allclose(found.shape, X[labels == "taxon_0"].mean(axis=0))
    np.testing.assert_allclose(found.leverages, np.where(labels == "taxon_0", 1 / 6, 1 / 4))
    assert found.leverage == pytest.approx(1 / 6)
    assert found.degrees_of_freedom == 8
    assert found.member.sum() == 6


def test_the_prediction_at_a_size_is_that_of_the_growth_line(rng):
    X, labels, size, _, at = ready(rng)
    line = CommonSlope().fit(X.reshape(len(X), -1), size, labels)
    found = predict_taxon(X, labels, "taxon_1", size, at)
    np.testing.assert_allclose(found.shape.ravel(), line.predict([at], "taxon_1")[0])
    assert found.degrees_of_freedom == 7
    model = KnownTaxa(X.reshape(len(X), -1), labels, size)
    np.testing.assert_allclose(found.leverages, model.leverages)
    np.testing.assert_allclose(found.residuals.reshape(len(X), -1), model.residuals)


def test_own_slopes_are_those_of_each_taxon_alone(rng):
    X, labels, size, _, at = ready(rng, counts=(7, 7))
    both = predict_taxon(X, labels, "taxon_0", size, at, own_slopes=np.unique(labels).astype(str))
    own = labels == "taxon_0"
    alone = predict_taxon(X[own], labels[own], "taxon_0", size[own], at)
    np.testing.assert_allclose(both.shape, alone.shape)
    np.testing.assert_allclose(both.residuals[own], alone.residuals)
    assert both.leverage == pytest.approx(alone.leverage)
    np.testing.assert_allclose(both.pull[~own], 0, atol=1e-12)
    assert both.degrees_of_freedom == 13 - 4


def refit(X, labels, size, query, at, taxon, own_slopes):
    """Residuals and leverages of all, the query last, once it has joined the taxon."""
    labels = np.append(labels, taxon)
    design = (labels[:, None] == np.unique(labels)).astype(float)
    if size is not None:
        x = np.append(size, at)[:, None]
        design = np.hstack([design, design * x if own_slopes else x])
    hat = design @ np.linalg.pinv(design)
    Y = np.concatenate([X, query[None]]).reshape(len(labels), -1)
    return (Y - hat @ Y).reshape(len(labels), *query.shape), 1 - np.diag(hat)


@pytest.mark.parametrize("heeded", ["no", "common", "own"])
def test_joining_the_taxon_is_a_refit(rng, heeded):
    X, labels, size, query, at = ready(rng)
    size, at = (None, None) if heeded == "no" else (size, at)
    own = np.unique(labels).astype(str) if heeded == "own" else ()
    found = predict_taxon(X, labels, "taxon_0", size, at, own_slopes=own)
    e = found.deviation(query)
    moved, room = found.joined(e)
    residuals, rest = refit(X, labels, size, query, at, "taxon_0", heeded == "own")
    np.testing.assert_allclose(moved, residuals[:-1], atol=1e-12)
    np.testing.assert_allclose(room, rest[:-1], atol=1e-12)
    np.testing.assert_allclose(e / (1 + found.leverage), residuals[-1], atol=1e-12)
    assert 1 / (1 + found.leverage) == pytest.approx(rest[-1])


def test_rank_p_values_count_leave_one_out_distances(rng):
    """Each specimen, the query too, against the mean of the other members: the naive way."""
    X, labels, _, query, _ = ready(rng)
    found = displacement(query, predict_taxon(X, labels, "taxon_0"), centroid_size_mm=10)
    table = found.table.sort_values("landmark")
    members = np.concatenate([X[labels == "taxon_0"], query[None]])
    apart = np.array(
        [
            np.linalg.norm(m - np.delete(members, i, 0).mean(0), axis=1)
            for i, m in enumerate(members)
        ]
    )
    expected = (apart >= apart[-1] * (1 - 1e-9)).mean(axis=0)
    np.testing.assert_allclose(table["rank_p_value"], expected)
    assert found.rank_floor == pytest.approx(1 / 7)
    assert len(set(expected)) > 2


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"taxon": "other"}, "No taxon 'other'; there are"),
        ({"labels": ["a"]}, "labels of shape"),
        ({"size": np.arange(6.0)}, "given together or not at all"),
        ({"size": np.ones(6), "query_size": 1.0}, "Sizes do not vary within any group"),
        ({"size": [1, 2, 3, 4, 4, 4.0], "query_size": 1.0, "own_slopes": ["b"], "taxon": "b"},
         "Sizes do not vary within any group: no slope can be found"),
        ({"size": np.arange(6.0), "query_size": np.nan}, "missing or infinite"),
        ({"labels": list("abcdef"), "taxon": "a"}, "leave no variation within taxa"),
    ],
)  # fmt: skip
def test_what_cannot_be_predicted_is_refused(rng, change, message):
    X = GeneralizedProcrustes().fit_transform(
        rng.normal(size=(5, 3)) + 0.1 * rng.normal(size=(6, 5, 3))
    )
    good = {"X": X, "labels": list("aaabbb"), "taxon": "a"}
    with pytest.raises(InferenceError, match=message):
        predict_taxon(**(good | change))


def test_configurations_in_mm_are_refused(rng):
    """Bones as digitised would give displacements that are nothing but pose."""
    X, labels, _, query, _ = ready(rng)
    for moved in (X * 20, X + 0.1):
        with pytest.raises(InferenceError, match="Known specimens must be superimposed first"):
            predict_taxon(moved, labels, "taxon_0")
    found = predict_taxon(X, labels, "taxon_0")
    with pytest.raises(InferenceError, match="The query must be superimposed first"):
        found.deviation(query * 20)


# ---------------------------------------------------------------- the table


def test_a_row_in_its_own_words(rng):
    X, labels, _, query, _ = ready(rng)
    names = [f"point_{j}" for j in range(8)]
    prediction = predict_taxon(X, labels, "taxon_0")
    found = displacement(query, prediction, centroid_size_mm=25.0, names=names)
    e = query - X[labels == "taxon_0"].mean(axis=0)
    table = found.table.set_index("landmark").loc[names]
    np.testing.assert_allclose(table[["x_mm", "y_mm", "z_mm"]], 25 * e)
    np.testing.assert_allclose(table["displacement_mm"], 25 * np.linalg.norm(e, axis=1))
    squares = sum(
        ((X[labels == t] - X[labels == t].mean(axis=0)) ** 2).sum(axis=(0, 2))
        for t in np.unique(labels)
    )
    np.testing.assert_allclose(table["taxon_sd_mm"], 25 * np.sqrt(squares / 8))
    np.testing.assert_allclose(
        table["in_taxon_sd"], table["displacement_mm"] / table["taxon_sd_mm"]
    )
    assert (np.diff(found.table["in_taxon_sd"]) <= 0).all()


def test_own_spread_is_that_of_the_taxon(rng):
    X, labels, _, query, _ = ready(rng)
    prediction = predict_taxon(X, labels, "taxon_0")
    own = displacement(query, prediction, centroid_size_mm=25.0, spread="taxon").table
    members = X[labels == "taxon_0"]
    alone = predict_taxon(members, ["taxon_0"] * 6, "taxon_0")
    expected = displacement(query, alone, centroid_size_mm=25.0).table
    for name in ("taxon_sd_mm", "p_value", "resistant_in_taxon_sd"):
        np.testing.assert_allclose(own[name], expected[name])
    pooled = displacement(query, prediction, centroid_size_mm=25.0).table
    assert not np.allclose(own["taxon_sd_mm"], pooled["taxon_sd_mm"])


def test_a_prediction_needs_no_model_of_ours(rng):
    """Residuals and leverages from anywhere: here the mean of one taxon, put in by hand."""
    X, labels, _, query, _ = ready(rng)
    members = X[labels == "taxon_0"]
    n = len(members)
    by_hand = TaxonPrediction(
        taxon="taxon_0",
        shape=members.mean(axis=0),
        residuals=members - members.mean(axis=0),
        member=np.ones(n, dtype=bool),
        degrees_of_freedom=n - 1,
        leverages=np.full(n, 1 / n),
        leverage=1 / n,
        pull=np.full(n, 1 / (n + 1)),
    )
    ours = displacement(
        query, predict_taxon(members, ["taxon_0"] * n, "taxon_0"), centroid_size_mm=9
    )
    found = displacement(query, by_hand, centroid_size_mm=9)
    for name in found.table:
        np.testing.assert_allclose(found.table[name], ours.table[name], rtol=1e-9)


def test_each_family_is_adjusted_by_itself(rng):
    """Landmarks as if there were no semilandmarks, and the other way round."""
    X, labels, _, query, _ = ready(rng)
    prediction = predict_taxon(X, labels, "taxon_0")
    options = {"centroid_size_mm": 9.0}
    families = np.array(["landmark", "semilandmark"])[[0, 1, 1, 0, 1, 0, 0, 1]]
    table = displacement(query, prediction, families=families, **options).table
    together = displacement(query, prediction, **options).table
    pd.testing.assert_series_equal(table["p_value"], together["p_value"])
    column = "p_value_false_discovery"
    np.testing.assert_allclose(together[column], false_discovery(together["p_value"]))
    for kind in ("landmark", "semilandmark"):
        own = table[families[table["landmark"]] == kind]
        np.testing.assert_allclose(own[column], false_discovery(own["p_value"]))
    assert not np.allclose(table[column], together[column])


@pytest.mark.long
def test_semilandmarks_that_differ_name_no_landmark_that_does_not():
    """Eight landmarks as in the taxon, sixteen semilandmarks that are not.

    Whatever is named among the landmarks is a false discovery: in no more samples than the level
    allows. Adjusted with the semilandmarks, one would be named in about every fourth.
    """
    rng = np.random.default_rng(3)
    k, landmarks, samples = 24, 8, 200
    base = rng.normal(size=(k, 3))
    base -= base.mean(axis=0)
    base /= np.linalg.norm(base)
    families = np.arange(k) < landmarks
    named, together = 0, 0
    for _ in range(samples):
        X = base + 0.002 * rng.normal(size=(13, k, 3))
        way = rng.normal(size=(k - landmarks, 3))
        X[-1, landmarks:] += 0.02 * (way - way.mean(axis=0))
        X -= X.mean(axis=1, keepdims=True)
        prediction = predict_taxon(X[:-1], ["a"] * 12, "a")
        table = displacement(X[-1], prediction, centroid_size_mm=20, families=families).table
        own = table["landmark"] < landmarks
        named += bool((table.loc[own, "p_value_false_discovery"] <= 0.05).any())
        together += bool((false_discovery(table["p_value"])[own] <= 0.05).any())
    bound = binom.ppf(0.999, samples, 0.05)
    assert named <= bound
    assert together > bound


def test_flat_bones_have_two_components(rng):
    X, labels, _, query, _ = ready(rng, d=2)
    table = displacement(query, predict_taxon(X, labels, "taxon_0"), centroid_size_mm=9).table
    assert "z_mm" not in table
    np.testing.assert_allclose(np.hypot(table.x_mm, table.y_mm), table.displacement_mm)
    assert table["p_value"].between(0, 1).all()


def test_the_very_mean_is_displaced_nowhere(rng):
    X, labels, _, _, _ = ready(rng)
    prediction = predict_taxon(X, labels, "taxon_0")
    found = displacement(prediction.shape, prediction, centroid_size_mm=9)
    assert found.table["displacement_mm"].max() == 0
    np.testing.assert_allclose(found.table["p_value"], 1)
    np.testing.assert_allclose(found.table["rank_p_value"], 1)
    assert found.share_of_fits_differing == 0


def symmetric(rng):
    """Points 0 and 1 in a plane that nothing leaves; the others free."""
    mean = rng.normal(size=(7, 3))
    X = mean + 0.02 * rng.normal(size=(12, 7, 3))
    X[:, :2, 2] = 0
    X[..., 2] -= X[..., 2].mean(axis=1, keepdims=True) * 7 / 5
    X[:, :2, 2] = 0
    X[..., :2] -= X[..., :2].mean(axis=1, keepdims=True)
    return X / np.linalg.norm(X, axis=(1, 2), keepdims=True)


def test_landmarks_in_a_plane_are_judged_in_that_plane(rng):
    X = symmetric(rng)
    table = displacement(
        X[-1], predict_taxon(X[:-1], ["a"] * 11, "a"), centroid_size_mm=9
    ).table.set_index("landmark")
    assert table["p_value"].notna().all()
    for j in (0, 1):
        known = X[:-1, j, :2]
        e = X[-1, j, :2] - known.mean(axis=0)
        squared = e @ np.linalg.solve(np.cov(known.T), e)
        assert table.loc[j, "p_value"] == pytest.approx(float(typicality(squared, 2, 10, 1 / 11)))


def test_a_direction_that_no_member_takes_has_no_p_value(rng):
    """Out of the plane of symmetry: more unlikely than any number, so none is given."""
    X = symmetric(rng)
    query = X[-1].copy()
    query[0, 2], query[2, 2] = 0.01, query[2, 2] - 0.01
    table = displacement(
        query, predict_taxon(X[:-1], ["a"] * 11, "a"), centroid_size_mm=9
    ).table.set_index("landmark")
    assert np.isnan(table.loc[0, "p_value"])
    assert table["p_value"].drop(index=0).notna().all()
    assert np.isfinite(table.loc[0, "in_taxon_sd"])


def test_too_few_specimens_for_a_p_value(rng):
    """Three coordinates on two degrees of freedom: deviations are shown, p-values are not."""
    X, labels, _, query, _ = ready(rng, counts=(3, 2))
    assert labels.tolist() == ["taxon_0"] * 3 + ["taxon_1"]
    found = displacement(query, predict_taxon(X, labels, "taxon_0"), centroid_size_mm=9)
    assert found.table["p_value"].isna().all()
    assert found.table["in_taxon_sd"].notna().all()
    assert found.rank_floor == 0.25


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"spread": "wide"}, "`spread` must be 'pooled' or 'taxon'"),
        ({"centroid_size_mm": 0.0}, "centroid size must be positive, but is 0.0 mm"),
        ({"centroid_size_mm": np.nan}, "centroid size must be positive"),
        ({"bound_in_sd": 0.0}, "`bound_in_sd` must be positive"),
        ({"names": ["a", "b"]}, "2 names for 8 landmarks"),
        ({"families": ["a", "b"]}, "`families` must have 8 entries, one a landmark, but has 2"),
        ({"query": np.zeros((7, 3))}, r"must have shape \(8, 3\), as the prediction"),
    ],
)
def test_what_cannot_be_compared_is_refused(rng, change, message):
    X, labels, _, query, _ = ready(rng)
    good = {
        "query": query,
        "prediction": predict_taxon(X, labels, "taxon_0"),
        "centroid_size_mm": 9.0,
    }
    with pytest.raises(InferenceError, match=message):
        displacement(**(good | change))


def test_a_query_with_missing_landmarks_is_refused(rng):
    X, labels, _, query, _ = ready(rng)
    query[[2, 5]] = np.nan
    with pytest.raises(InferenceError, match=r"lacks landmarks \[2, 5\].*estimate them"):
        displacement(query, predict_taxon(X, labels, "taxon_0"), centroid_size_mm=9)


def test_nothing_varies(rng):
    X, _, _, query, _ = ready(rng)
    copies = np.repeat(X[:1], 5, axis=0)
    with pytest.raises(InferenceError, match="do not vary within taxa"):
        displacement(query, predict_taxon(copies, ["a"] * 5, "a"), centroid_size_mm=9)
    own = predict_taxon(X[4:], ["a", "a", "b", "c", "c", "c"], "b")
    with pytest.raises(InferenceError, match="'b' has no variation of its own"):
        displacement(query, own, centroid_size_mm=9, spread="taxon")


# ---------------------------------------------------------------- the resistant fit


def long_process(rng, shift=0.8):
    """A bone with one landmark far out, the rest as in its taxon to within little."""
    mean = rng.normal(size=(12, 3))
    known = mean + 0.01 * rng.normal(size=(15, 12, 3))
    query = mean + 0.01 * rng.normal(size=(12, 3))
    query[4] *= 1 + shift
    frame = GeneralizedProcrustes().fit(known)
    size = np.linalg.norm(query - query.mean(axis=0))
    prediction = predict_taxon(frame.transform(known), ["a"] * 15, "a")
    return prediction, frame.transform(query[None])[0], (size, np.linalg.norm(shift * mean[4]))


def test_a_local_change_stays_where_it_is_by_the_resistant_fit(rng):
    """By least squares the rest is shifted and shrunk; the caution says so."""
    prediction, query, (size, planted) = long_process(rng)
    found = displacement(query, prediction, centroid_size_mm=size)
    table = found.table.set_index("landmark")
    assert found.table["landmark"][0] == 4
    rest = table.drop(index=4)
    assert table.loc[4, "resistant_displacement_mm"] == pytest.approx(planted, rel=0.03)
    assert table.loc[4, "displacement_mm"] < 0.95 * planted
    assert rest["resistant_displacement_mm"].max() < 0.06
    assert rest["displacement_mm"].median() > 3 * rest["resistant_displacement_mm"].median()
    assert found.share_of_fits_differing > 0.9
    assert rest["resistant_in_taxon_sd"].max() < 4


def test_the_fits_agree_where_nothing_is_local(rng):
    prediction, query, (size, _) = long_process(rng, shift=0.0)
    found = displacement(query, prediction, centroid_size_mm=size)
    assert found.share_of_fits_differing < 0.2
    assert found.fits_rank_correlation > 0.5


def test_agreement_in_its_own_words(rng):
    prediction, query, (size, _) = long_process(rng)
    for bound in (0.5, 2.0):
        found = displacement(query, prediction, centroid_size_mm=size, bound_in_sd=bound)
        table = found.table
        assert found.fits_rank_correlation == pytest.approx(
            spearmanr(table["displacement_mm"], table["resistant_displacement_mm"]).statistic
        )
        expected = table["fits_differ_mm"] > bound * table["taxon_sd_mm"]
        assert (table["fits_differ"] == expected).all()
        assert found.share_of_fits_differing == pytest.approx(expected.mean())
        assert found.bound_in_sd == bound
