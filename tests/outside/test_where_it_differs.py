"""Where a query differs, against other packages, known triangles, and simulations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import kstest, ttest_ind
from scipy.stats import t as t_distribution
from statsmodels.formula.api import ols
from statsmodels.multivariate.manova import MANOVA
from statsmodels.stats.multitest import multipletests

from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.measurements import Measurement, all_distances, measure, ratios
from morpho.inference.differences.prediction import predict_taxon
from morpho.inference.differences.proportions import relative_sizes
from morpho.inference.differences.ranges import TaxonRanges, false_discovery, small_sample_factor
from morpho.inference.differences.ranking import compare_measurements
from morpho.inference.differences.regions import region_displacements
from morpho.shape.superimposition import GeneralizedProcrustes

# ---------------------------------------------------------------- other packages


@pytest.mark.parametrize("n", [3, 5, 12, 40])
def test_standardised_differences_against_pingouin(n):
    """Hedges' g of one observation: pingouin's d exactly, its g to what its shorter factor gives.

    Pingouin corrects by 1 - 3/(4v - 1), ours by the ratio of gamma functions that this
    approximates (Hedges 1981, from memory): 0.7 percent apart at v = 2, nothing
    that is printed from v = 10.
    """
    rng = np.random.default_rng(n)
    known, query = rng.normal(20, 2, size=(n, 6)), rng.normal(22, 3, size=(1, 6))
    found = TaxonRanges().fit(known, ["a"] * n).compare(query).standardised_difference[0, 0]
    for i in range(6):
        # pingouin: the sample first, so the sign is the other
        d = -pingouin.compute_effsize(known[:, i], query[:, i], eftype="cohen")
        g = -pingouin.compute_effsize(known[:, i], query[:, i], eftype="hedges")
        assert found[i] == pytest.approx(d * float(small_sample_factor(n - 1)), rel=1e-12)
        assert found[i] == pytest.approx(g, rel=0.015 if n == 3 else 0.005 if n < 10 else 0.0005)


def test_pingouin_corrects_for_the_same_bias():
    """Two samples of any size: its hedges over its cohen is our factor of their freedom."""
    rng = np.random.default_rng(0)
    a, b = rng.normal(size=18), rng.normal(1, 1, size=14)
    ratio = pingouin.compute_effsize(a, b, eftype="hedges") / pingouin.compute_effsize(a, b)
    assert float(small_sample_factor(30)) == pytest.approx(ratio, abs=1e-4)


def test_standardised_differences_are_without_bias():
    """Mean over many samples of 5: the true difference, which the uncorrected one exceeds."""
    rng = np.random.default_rng(1)
    known, query = rng.normal(size=(5, 200_000)), rng.normal(2.5, 1, size=(1, 200_000))
    g = TaxonRanges().fit(known, ["a"] * 5).compare(query).standardised_difference[0, 0]
    assert g.mean() == pytest.approx(2.5, abs=5 * g.std() / np.sqrt(len(g)))
    assert (g / small_sample_factor(4)).mean() > 3.0


def test_p_values_of_one_new_member_against_scipy():
    """Student's t of a sample of one against the taxon (Sokal & Rohlf 1995)."""
    rng = np.random.default_rng(2)
    known, query = rng.normal(size=(9, 5)), rng.normal(0, 2, size=(3, 5))
    found = TaxonRanges().fit(known, ["a"] * 9).compare(query)
    for q, i in np.ndindex(3, 5):
        expected = ttest_ind(query[q, [i]], known[:, i]).pvalue
        assert found.p_value[q, 0, i] == pytest.approx(expected)


@pytest.mark.parametrize("heeded", [False, True])
def test_pooled_predictions_against_statsmodels(heeded):
    """Predicted value and its standard error for a new observation, three taxa and one slope."""
    rng = np.random.default_rng(3)
    taxa, size = np.repeat(["a", "b", "c"], [4, 6, 5]), rng.normal(size=15)
    y = rng.normal(size=(15, 1)) + 0.7 * size[:, None]
    query, at = rng.normal(size=(2, 1)), np.array([0.4, 3.0])
    known = pd.DataFrame({"y": y[:, 0], "taxon": taxa, "size": size})
    fit = ols("y ~ taxon + size" if heeded else "y ~ taxon", known).fit()
    sizes = (size, at) if heeded else (None, None)
    found = TaxonRanges(spread="pooled").fit(y, taxa, sizes[0]).compare(query, sizes[1])
    for g, taxon in enumerate("abc"):
        new = pd.DataFrame({"taxon": [taxon] * 2, "size": at})
        frame = fit.get_prediction(new).summary_frame(alpha=0.05)
        np.testing.assert_allclose(found.mean[:, g, 0], frame["mean"])
        half = (frame["obs_ci_upper"] - frame["obs_ci_lower"]) / 2
        error = half / t_distribution.ppf(0.975, fit.df_resid)
        t = np.abs(query[:, 0] - frame["mean"]) / error
        np.testing.assert_allclose(
            found.p_value[:, g, 0], 2 * t_distribution.sf(t, fit.df_resid), rtol=1e-8
        )


def test_own_line_of_one_taxon_against_statsmodels():
    """With one taxon its own spread and the pooled one are the same, and exact."""
    rng = np.random.default_rng(4)
    size = rng.normal(size=8)
    y = rng.normal(size=(8, 1)) + size[:, None]
    fit = ols("y ~ size", pd.DataFrame({"y": y[:, 0], "size": size})).fit()
    found = TaxonRanges().fit(y, ["a"] * 8, size).compare([[1.5]], [0.2])
    assert found.standard_deviation[0, 0] == pytest.approx(np.sqrt(fit.mse_resid))
    assert found.degrees_of_freedom[0, 0] == pytest.approx(fit.df_resid)
    frame = fit.get_prediction(pd.DataFrame({"size": [0.2]})).summary_frame(
        alpha=float(found.p_value[0, 0, 0])
    )
    ends = frame[["obs_ci_lower", "obs_ci_upper"]].to_numpy()[0]
    assert np.abs(ends - 1.5).min() == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("shape", [(40,), (3, 25)])
def test_false_discovery_against_statsmodels(shape):
    """Adjusted p-values of Benjamini & Hochberg, ties and missing ones among them."""
    p = np.random.default_rng(5).uniform(size=shape) ** 3
    p.flat[[3, 7]] = p.flat[0]
    p.flat[[5, 11]] = np.nan
    found = false_discovery(p)
    for ours, given in zip(np.atleast_2d(found), np.atleast_2d(p), strict=True):
        tested = ~np.isnan(given)
        expected = multipletests(given[tested], method="fdr_bh")[1]
        np.testing.assert_allclose(ours[tested], expected, rtol=1e-12)
        assert np.isnan(ours[~tested]).all()


def test_predictive_p_values_of_landmarks_against_statsmodels():
    """A dummy for the query in a MANOVA of each landmark's coordinates: Hotelling's T2."""
    rng = np.random.default_rng(6)
    mean = rng.normal(size=(5, 3))
    X = mean + 0.05 * rng.normal(size=(15, 5, 3))
    X[6:] += 0.1 * rng.normal(size=(5, 3))
    size = rng.normal(size=15)
    aligned = GeneralizedProcrustes().fit(X[:14]).transform(X)
    taxa = np.repeat(["a", "b"], [6, 8])
    for heeded in (False, True):
        sizes = (size[:14], float(size[14])) if heeded else (None, None)
        prediction = predict_taxon(aligned[:14], taxa, "a", *sizes)
        found = displacement(aligned[14], prediction, centroid_size_mm=10).table
        found = found.set_index("landmark")
        columns = [np.append(taxa == "a", True), np.append(taxa == "b", False)]
        design = np.column_stack([*columns, *([size] if heeded else []), np.arange(15) == 14])
        contrast = np.eye(design.shape[1])[-1:]
        for j in range(5):
            test = MANOVA(aligned[:, j], design.astype(float)).mv_test([("query", contrast)])
            expected = test.results["query"]["stat"].loc["Hotelling-Lawley trace", "Pr > F"]
            assert found.loc[j, "p_value"] == pytest.approx(float(expected))


# ---------------------------------------------------------------- geometry


def test_distances_do_not_depend_on_pose_and_ratios_not_on_scale():
    rng = np.random.default_rng(7)
    X = 10 * rng.normal(size=(6, 8, 3))
    distances = all_distances(list("abcdefgh"))
    angles = [Measurement(f"angle {i}", (i, i + 1, i + 2)) for i in range(6)]
    shares = ratios(distances, distances[0])
    turned = X @ Rotation.random(6, rng=rng).as_matrix() + 100 * rng.normal(size=(6, 1, 3))
    scale = rng.uniform(0.1, 10, size=6)
    larger = turned * scale[:, None, None]
    mirrored = turned * [1, 1, -1]
    for chosen in (distances, angles, shares):
        np.testing.assert_allclose(measure(turned, chosen), measure(X, chosen), rtol=1e-9)
        np.testing.assert_allclose(measure(mirrored, chosen), measure(X, chosen), rtol=1e-9)
    for chosen in (angles, shares):
        np.testing.assert_allclose(measure(larger, chosen), measure(X, chosen), rtol=1e-9)
    np.testing.assert_allclose(
        measure(larger, distances), scale[:, None] * measure(X, distances), rtol=1e-9
    )


def test_angles_and_sides_of_a_known_triangle():
    """The 3-4-5 triangle, in a tilted plane of space; and the angles of a regular tetrahedron."""
    flat = np.array([[0.0, 0, 0], [4, 0, 0], [4, 3, 0]])
    X = (flat @ Rotation.from_euler("xyz", [20, 50, -70], degrees=True).as_matrix() + 7)[None]
    corners = [
        Measurement("a", (1, 0, 2)),
        Measurement("b", (0, 1, 2)),
        Measurement("c", (0, 2, 1)),
    ]
    found = measure(X, [*all_distances(list("abc")), *corners])[0]
    np.testing.assert_allclose(found[:3], [4, 5, 3])
    np.testing.assert_allclose(
        found[3:], [np.degrees(np.arctan2(3, 4)), 90, 53.13010235], rtol=1e-8
    )
    assert found[3:].sum() == pytest.approx(180)
    tetrahedron = np.array([[[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]])
    faces = [Measurement(str(p), p) for p in [(0, 1, 2), (1, 2, 3), (2, 0, 3)]]
    np.testing.assert_allclose(measure(tetrahedron, faces), 60)


# ---------------------------------------------------------------- real data


def test_petals_set_setosa_apart(iris):
    """Fisher's irises: against the other two species, a setosa is told by its petals alone.

    Fisher (1936): petals of setosa do not overlap with the others', sepals do.
    """
    values, species = iris
    chosen = [
        Measurement(name, (0, i + 1))
        for i, name in enumerate(["sepal length", "sepal width", "petal length", "petal width"])
    ]
    setosa = species == "setosa"
    found = compare_measurements(values[~setosa], chosen, species[~setosa], values[setosa])
    ranking = found.ranking
    first = ranking[ranking["rank"] <= 2]
    assert set(first.measurement) == {"petal length", "petal width"}
    assert first.outside_every_taxon.all()
    assert (first.standardised_difference < 0).all()
    petal_length = ranking[ranking.measurement == "petal length"]
    assert (petal_length.p_value_false_discovery < 0.01).all()
    sepals = ranking[ranking.measurement.str.startswith("sepal")]
    assert sepals.outside_every_taxon.mean() < 0.3


# ---------------------------------------------------------------- simulations


def simulated(rng, n, k, *, spread=0.04, taxa=1):
    """Known bones of one or more taxa, and one more of the first, superimposed as in a study."""
    # landmarks of one bone vary together
    loadings = rng.normal(size=(6, k, 3)) / np.sqrt(6)
    mean = rng.normal(size=(k, 3))
    count = n * taxa + 1
    noise = np.einsum("nf,fkd->nkd", rng.normal(size=(count, 6)), loadings)
    X = mean + spread * (0.7 * noise + 0.7 * rng.normal(size=(count, k, 3)))
    labels = np.repeat(np.arange(taxa), n)
    X[:-1] += (0.1 * rng.normal(size=(taxa, k, 3)) * (np.arange(taxa) > 0)[:, None, None])[labels]
    return X, labels.astype(str)


def compared(X, labels, **options):
    aligned = GeneralizedProcrustes().fit(X[:-1]).transform(X)
    size = np.linalg.norm(X[-1] - X[-1].mean(axis=0))
    prediction = predict_taxon(aligned[:-1], labels, "0")
    return aligned[-1], prediction, {"centroid_size_mm": float(size), **options}


@pytest.mark.long
def test_planted_displacements_rank_first():
    """Three of 20 landmarks moved by 8 deviations: they lead the list, 58 times of 60 or more."""
    rng = np.random.default_rng(8)
    least_squares, resistant, discovered = 0, 0, 0
    for _ in range(60):
        X, labels = simulated(rng, 12, 20, taxa=2)
        planted = rng.choice(20, 3, replace=False)
        direction = rng.normal(size=(3, 3))
        X[-1, planted] += 8 * 0.04 * np.sqrt(3) * direction / np.linalg.norm(
            direction, axis=1, keepdims=True
        )  # fmt: skip
        query, prediction, options = compared(X, labels)
        table = displacement(query, prediction, **options).table
        least_squares += set(table.landmark[:3]) == set(planted.tolist())
        best = table.sort_values("resistant_in_taxon_sd", ascending=False).landmark[:3]
        resistant += set(best) == set(planted.tolist())
        found = table[table.landmark.isin(planted)]
        discovered += int((found.p_value_false_discovery < 0.05).all())
    assert least_squares >= 58
    assert resistant >= 58
    assert discovered >= 58


def test_a_planted_region_carries_the_difference():
    rng = np.random.default_rng(9)
    regions = {"front": range(7), "middle": range(7, 14), "hind": range(14, 20)}
    first, floor = 0, 0
    for _ in range(60):
        X, labels = simulated(rng, 12, 20, taxa=2)
        X[-1, 14:] += 0.16 * rng.normal(size=(6, 3))
        query, prediction, options = compared(X, labels)
        table = region_displacements(query, prediction, regions, **options)
        first += table.region[0] == "hind"
        floor += table.share_p_value_all_taxa[0] <= 0.05
    assert first >= 57
    assert floor >= 54


@pytest.mark.long
@pytest.mark.parametrize("n", [6, 20])
def test_p_values_of_landmarks_are_uniform_under_the_null(check_rate, n):
    """A landmark taken at random of a query that belongs: one p-value of each kind a study."""
    rng = np.random.default_rng(10 + n)
    predictive, rank, share, distance, any_discovery = [], [], [], [], []
    for _ in range(600):
        X, labels = simulated(rng, n, 15, taxa=2)
        query, prediction, options = compared(X, labels)
        table = displacement(query, prediction, **options).table
        line = table[table.landmark == rng.integers(15)].iloc[0]
        predictive.append(line["p_value"])
        rank.append(line["rank_p_value"])
        any_discovery.append((table["p_value_false_discovery"] <= 0.05).any())
        regions = region_displacements(query, prediction, {"r": range(5)}, **options)
        line = regions[regions.region == "r"].iloc[0]
        share.append(line["share_p_value"])
        distance.append(line["distance_p_value"])
    for level in (0.05, 0.2, 0.5):
        check_rate(np.array(predictive) <= level, level, what=f"predictive, n={n}")
    for p, what in ((rank, "rank"), (share, "share"), (distance, "distance")):
        # levels that a rank among n + 1 can take
        for step in (1, (n + 1) // 2):
            level = step / (n + 1)
            check_rate(np.array(p) <= level + 1e-9, level, what=f"{what}, n={n}")
    # nothing is different: a false discovery is any discovery at all
    check_rate(any_discovery, 0.05, conservative=True, what=f"false discoveries, n={n}")
    assert kstest(predictive, "uniform").pvalue > 1e-4


def test_false_discoveries_among_true_ones_are_held():
    """20 of 100 correlated measurements differ: the mean share of false ones stays at the level."""
    rng = np.random.default_rng(11)
    shares, found = [], []
    for _ in range(1500):
        common = rng.normal(size=(13, 1))
        values = 0.5 * common + rng.normal(size=(13, 100))
        values[-1, :20] += 6
        p = TaxonRanges().fit(values[:-1], ["a"] * 12).compare(values[-1:]).p_value[0, 0]
        called = false_discovery(p) <= 0.1
        shares.append(called[20:].sum() / max(called.sum(), 1))
        found.append(called[:20].mean())
    mean, error = np.mean(shares), np.std(shares) / np.sqrt(len(shares))
    assert mean <= 0.1 + 3 * error
    assert mean > 0.03  # and not by calling nothing
    assert np.mean(found) > 0.8


@pytest.mark.parametrize("spread", ["taxon", "pooled"])
@pytest.mark.parametrize("heeded", [False, True])
def test_single_values_hold_their_level(check_rate, spread, heeded):
    """Measurements and proportions of a member, at any size, taxa of 4 and 9."""
    rng = np.random.default_rng(12)
    taxa = np.repeat(["a", "b"], [4, 9])
    size, at = rng.normal(size=13), rng.normal(size=20)
    y = np.empty((33, 400))
    slope = rng.normal(size=400)
    y[:] = np.append(size, at)[:, None] * slope * heeded + rng.normal(size=(33, 400))
    sizes = (size, at) if heeded else (None, None)
    found = TaxonRanges(spread=spread).fit(y[:13], taxa, sizes[0]).compare(y[13:], sizes[1])
    for g in range(2):
        # one query for each value, so that all are independent
        p = np.array([found.p_value[i % 20, g, i] for i in range(400)])
        for level in (0.05, 0.3):
            check_rate(p <= level, level, what=f"{spread}, size {heeded}, taxon {g}")


def test_range_is_left_as_often_as_order_says(check_rate):
    """One of n + 1 exchangeable values is the least or the largest: 2 / (n + 1)."""
    rng = np.random.default_rng(13)
    y = rng.gamma(2, size=(8, 3000))
    found = TaxonRanges().fit(y[:7], ["a"] * 7).compare(y[7:])
    check_rate(found.outside[0, 0], 0.25)


def test_relative_sizes_against_a_plain_t_test():
    """Log ratios of two elements by hand, and Student's t of a sample of one."""
    rng = np.random.default_rng(14)
    sizes = np.exp(rng.normal(3, 0.1, size=(10, 2)))
    table = relative_sizes(sizes, ["a"] * 10, [[25.0, 12.0]], elements=["jaw", "atlas"])
    expected = ttest_ind([np.log(25 / 12)], np.log(sizes[:, 0]) - np.log(sizes[:, 1])).pvalue
    assert table.p_value[0] == pytest.approx(expected)
    assert table.standardised_difference[0] == pytest.approx(
        -pingouin.compute_effsize(
            np.log(sizes[:, 0] / sizes[:, 1]), [np.log(25 / 12)], eftype="cohen"
        )
        * float(small_sample_factor(9))
    )
