"""Evidence on membership: Hotelling's test, prediction intervals, refits and exact levels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from statsmodels.multivariate.manova import MANOVA
from statsmodels.stats.multitest import multipletests

from morpho.inference.membership.typicality import Membership, typicality
from morpho.inference.membership.verdict import decide
from morpho.inference.taxa.groups import holm

TAXA = np.repeat(["coast", "marsh", "ridge"], [6, 9, 12])


def _sample(rng, p, taxa=TAXA, slope=0.0):
    """Scores of known specimens and one query, correlated variables, sizes that differ."""
    mix = rng.normal(size=(p, p)) + np.eye(p)
    size = rng.normal(size=len(taxa)) + (taxa == "ridge")
    means = 3 * rng.normal(size=(len(np.unique(taxa)), p))
    codes = np.unique(taxa, return_inverse=True)[1]
    Y = means[codes] + rng.normal(size=(len(taxa), p)) @ mix + slope * size[:, None]
    return Y, size, Y[:1] + rng.normal(size=(1, p)) @ mix, np.array([rng.normal()])


def test_one_taxon_is_hotellings_test():
    """Hotelling's T2 of a new observation: n / (n + 1) D^2 = T2, (n - p) T2 / (p (n - 1)) ~ F.

    Anderson (2003), An Introduction to Multivariate Statistical Analysis, 3rd ed.
    (from memory), with covariance matrix and inverse by numpy.
    """
    rng = np.random.default_rng(1)
    n, p = 12, 4
    Y, q = rng.normal(size=(n, p)) @ rng.normal(size=(p, p)), rng.normal(size=(30, p))
    away = q - Y.mean(axis=0)
    D2 = np.einsum("ij,jk,ik->i", away, np.linalg.inv(np.cov(Y, rowvar=False)), away)
    T2 = n / (n + 1) * D2
    expected = stats.f.sf((n - p) / (p * (n - 1)) * T2, p, n - p)
    evidence = Membership().fit(Y, Y, ["one"] * n).evidence(q, q)
    np.testing.assert_allclose(evidence.typicality_probability[:, 0], expected, rtol=1e-9)
    np.testing.assert_allclose(evidence.mahalanobis_distance[:, 0], np.sqrt(D2), rtol=1e-10)
    np.testing.assert_allclose(typicality(D2, p, n - 1, 1 / n), expected, rtol=1e-9)


@pytest.mark.parametrize("p", [2, 5])
@pytest.mark.parametrize("heeded", [False, True])
def test_several_taxa_are_a_manova_with_the_query_set_apart(p, heeded):
    """MANOVA of statsmodels: the query joins the taxon, and a dummy of its own is tested.

    That mean-shift outlier test has an exact F on p and v - p + 1 degrees of freedom, with the
    covariance of the known specimens alone, which is what typicality claims.
    """
    rng = np.random.default_rng(10 + p)
    Y, size, q, own = _sample(rng, p, slope=0.4)
    model = Membership().fit(Y, Y, TAXA, size if heeded else None)
    evidence = model.evidence(q, q, own if heeded else None)
    names = [f"y{j}" for j in range(p)]
    for g, taxon in enumerate(evidence.taxa):
        frame = pd.DataFrame(np.vstack([Y, q]), columns=names)
        frame["taxon"] = [*TAXA, taxon]
        frame["size"] = [*size, *own]
        frame["query"] = [*np.zeros(len(Y)), 1.0]
        right = "taxon + size + query" if heeded else "taxon + query"
        test = MANOVA.from_formula(f"{'+'.join(names)} ~ {right}", frame).mv_test()
        row = test.results["query"]["stat"].loc["Wilks' lambda"]
        assert row["Den DF"] == model.degrees_of_freedom_ - p + 1
        assert evidence.typicality_probability[0, g] == pytest.approx(row["Pr > F"], rel=1e-7)


@pytest.mark.parametrize("heeded", [False, True])
def test_one_variable_is_the_prediction_interval(heeded):
    """OLS of statsmodels, `get_prediction`: standard error of a new observation, two-sided t."""
    rng = np.random.default_rng(3)
    Y, size, q, own = _sample(rng, 1, slope=0.5)
    dummies = pd.get_dummies(TAXA).to_numpy(float)
    X = np.column_stack([dummies, size]) if heeded else dummies
    fit = sm.OLS(Y[:, 0], X).fit()
    model = Membership().fit(Y, Y, TAXA, size if heeded else None)
    evidence = model.evidence(q, q, own if heeded else None)
    for g in range(3):
        row = np.eye(3)[g : g + 1]
        if heeded:
            row = np.column_stack([row, own])
        predicted = fit.get_prediction(row)
        t = (q[0, 0] - predicted.predicted_mean[0]) / predicted.se_obs[0]
        expected = 2 * stats.t.sf(abs(t), fit.df_resid)
        assert evidence.typicality_probability[0, g] == pytest.approx(expected, rel=1e-9)
        # an observation on the bound of the 95 % interval has typicality 0.05
        upper = np.array([[predicted.conf_int(obs=True, alpha=0.05)[0, 1]]])
        bound = model.evidence(upper, upper, own if heeded else None)
        assert bound.typicality_probability[0, g] == pytest.approx(0.05, abs=1e-9)


def test_too_few_specimens_for_the_axes():
    """With fewer degrees of freedom than axes there is no typicality, and ranks go on alone."""
    rng = np.random.default_rng(4)
    Y = rng.normal(size=(7, 6))
    evidence = Membership().fit(Y, Y, ["a"] * 4 + ["b"] * 3).evidence(Y[:1], Y[:1])
    assert np.isnan(evidence.typicality_probability).all()
    np.testing.assert_array_equal(evidence.p_value, evidence.pooled_rank_p_value)


def test_posterior_as_scikit_learn():
    """Posterior of LinearDiscriminantAnalysis with equal priors.

    Theirs takes covariance on n or n - G degrees of freedom, depending on the version, so log
    odds are compared up to that factor, which must be one of the two; and exactly against
    normal densities by scipy with the pooled covariance on n - G.
    """
    rng = np.random.default_rng(5)
    Y, _, _, _ = _sample(rng, 3)
    q = Y + rng.normal(size=Y.shape)
    evidence = Membership().fit(Y, Y, TAXA).evidence(q, q)
    ours = np.log(evidence.posterior_probability)
    lda = LinearDiscriminantAnalysis(solver="svd", priors=np.full(3, 1 / 3)).fit(Y, TAXA)
    theirs = lda.predict_log_proba(q)
    odds, other = ours[:, 1:] - ours[:, :1], theirs[:, 1:] - theirs[:, :1]
    ratio = other / odds
    np.testing.assert_allclose(ratio, ratio[0, 0], rtol=1e-6)
    assert np.isclose(ratio[0, 0], [1, 27 / 24], rtol=1e-8).any()
    means = [Y[g == TAXA].mean(axis=0) for g in evidence.taxa]
    pooled = (
        sum(np.cov(Y[g == TAXA], rowvar=False) * ((g == TAXA).sum() - 1) for g in evidence.taxa)
        / 24
    )
    density = np.column_stack([stats.multivariate_normal(m, pooled).pdf(q) for m in means])
    np.testing.assert_allclose(
        evidence.posterior_probability, density / density.sum(axis=1, keepdims=True), atol=1e-10
    )


def _brute_force_ranks(Y, taxa, q, taxon, size=None, own=None, *, axes=False):
    """Put the query into the taxon, and leave out each specimen in turn, refitting by lstsq.

    Ranked is the squared leave-one-out residual times (1 - h), which is |e|^2 / (1 - h); on
    axes it is taken in the metric of the residual products of the fit without the specimen,
    which makes it Hotelling's T2 of that specimen as a new observation.
    """
    labels = np.append(taxa, taxon)
    X = pd.get_dummies(labels).to_numpy(float)
    if size is not None:
        X = np.column_stack([X, np.append(size, own)])
    Z = np.vstack([Y, q])
    measure = np.full(len(Z), -np.inf)
    for i in range(len(Z)):
        rest = np.arange(len(Z)) != i
        if np.linalg.matrix_rank(X[rest]) < X.shape[1]:
            continue  # nothing predicts a specimen that is alone in its taxon
        h = X[i] @ np.linalg.pinv(X.T @ X) @ X[i]
        B = np.linalg.lstsq(X[rest], Z[rest], rcond=None)[0]
        away, residuals = Z[i] - X[i] @ B, Z[rest] - X[rest] @ B
        metric = np.linalg.inv(residuals.T @ residuals) if axes else np.eye(Z.shape[1])
        measure[i] = (away @ metric @ away) * (1 - h)
    reached = measure >= measure[-1] * (1 - 1e-9)
    judged = np.isfinite(measure)
    mine = labels == taxon
    return reached[mine].mean(), reached[judged].mean(), 1 / judged.sum()


@pytest.mark.parametrize("heeded", [False, True])
@pytest.mark.parametrize("alone", [False, True])
def test_ranks_by_brute_force(heeded, alone):
    """Evidence ranks, taxon by taxon, against as many refits as there are specimens."""
    rng = np.random.default_rng(6)
    taxa = np.append(TAXA, "single") if alone else TAXA
    Y, size, q, own = _sample(rng, 7, taxa=taxa, slope=0.3)
    queries = np.vstack([q, Y[8] + 0.1, Y[20] + 2 * rng.normal(size=7), Y[3]])
    owns = np.array([own[0], size[8], size[20], size[3]])
    model = Membership().fit(Y, Y[:, :3], taxa, size if heeded else None)
    evidence = model.evidence(queries, queries[:, :3], owns if heeded else None)
    for i in range(4):
        for g, taxon in enumerate(evidence.taxa):
            given = (size, owns[i]) if heeded else ()
            within, pooled, floor = _brute_force_ranks(Y, taxa, queries[i], taxon, *given)
            on_axes, _, _ = _brute_force_ranks(
                Y[:, :3], taxa, queries[i, :3], taxon, *given, axes=True
            )
            assert evidence.axes_rank_p_value[i, g] == pytest.approx(on_axes)
            assert evidence.rank_p_value[i, g] == pytest.approx(within)
            assert evidence.pooled_rank_p_value[i, g] == pytest.approx(pooled)
            if taxon != "single":  # see test_floor_of_the_rank_can_be_reached
                assert evidence.pooled_rank_floor[i, g] == pytest.approx(floor)


def test_distances_by_hand():
    """Procrustes distance: from the query to what statsmodels predicts for the taxon."""
    rng = np.random.default_rng(12)
    Y, size, q, own = _sample(rng, 5, slope=1.0)
    evidence = Membership().fit(Y, Y[:, :2], TAXA, size).evidence(q, q[:, :2], own)
    X = np.column_stack([pd.get_dummies(TAXA).to_numpy(float), size])
    fits = [sm.OLS(y, X).fit() for y in Y.T]
    for g in range(3):
        row = np.append(np.eye(3)[g], own)
        predicted = np.array([fit.params @ row for fit in fits])
        assert evidence.procrustes_distance[0, g] == pytest.approx(np.linalg.norm(q[0] - predicted))


@pytest.mark.parametrize("seed", range(5))
def test_holm_as_statsmodels(seed):
    """multipletests(method='holm') of statsmodels, ties and large values included."""
    rng = np.random.default_rng(seed)
    p = np.round(rng.uniform(size=12) ** 3, 2)
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-14)
    with_blank = np.insert(p, 4, np.nan)
    np.testing.assert_allclose(np.delete(holm(with_blank), 4), holm(p))


# Levels


def _null_studies(rng, studies, counts, p, heeded):
    """Typicality of a query that truly belongs to the first taxon."""
    taxa = np.repeat(np.arange(len(counts)), counts)
    n = len(taxa)
    typical = np.empty(studies)
    for i in range(studies):
        size = rng.normal(size=n + 1) + np.append(taxa, 0)
        Y = rng.normal(size=(n + 1, p)) + 0.5 * size[:, None] * heeded
        Y[:-1] += 3 * taxa[:, None]
        model = Membership().fit(Y[:n], Y[:n], taxa, size[:n] if heeded else None)
        evidence = model.evidence(Y[n:], Y[n:], size[n:] if heeded else None)
        typical[i] = evidence.typicality_probability[0, 0]
    return typical


@pytest.mark.parametrize(
    ("counts", "p", "heeded"),
    [
        ((5,), 1, False),
        ((3, 10), 6, False),
        ((10, 10, 10), 10, False),
        ((15,), 3, True),
        ((4, 9, 12), 5, True),
        ((2, 5, 5), 8, True),
        ((1, 8, 8), 4, True),
    ],
)
def test_typicality_is_uniform_for_members(counts, p, heeded, check_rate):
    """Under the null hypothesis p-values are uniform: Kolmogorov and Smirnov, and the levels.

    1,500 studies each, without size and with size heeded on the growth line; the query
    belongs to the first taxon, of one specimen in the last case.
    """
    rng = np.random.default_rng(sum(counts))
    typical = _null_studies(rng, 1500, counts, p, heeded)
    assert stats.kstest(typical, "uniform").pvalue > 0.001
    for level in (0.01, 0.05, 0.1):
        check_rate(typical <= level, level, what="typicality")


@pytest.mark.parametrize("n", [2, 3, 4, 6, 9])
def test_rank_p_values_are_valid_at_every_number(n, check_rate):
    """Vovk, Gammerman & Shafer (2005): P(p <= k / (n + 1)) = k / (n + 1), exactly.

    For n known specimens of the taxon, continuous and skewed measurements in more variables
    than there are specimens, and another taxon beside it: 600 studies for each n.
    """
    rng = np.random.default_rng(50 + n)
    ranks = np.empty((600, 2))
    for i in range(len(ranks)):
        Y = rng.exponential(size=(n + 5, 8)) ** 2
        labels = ["own"] * n + ["else"] * 4
        evidence = Membership().fit(Y[1:], Y[1:, :2], labels).evidence(Y[:1], Y[:1, :2])
        ranks[i] = evidence.rank_p_value[0, 1], evidence.axes_rank_p_value[0, 1]
    for k in range(1, n + 1):
        for rank in ranks.T:
            check_rate(rank <= k / (n + 1) + 1e-12, k / (n + 1), what=f"rank {k} of {n + 1}")


@pytest.mark.parametrize("others", [0, 20])
def test_floor_of_the_rank_can_be_reached(others):
    """A query far outside must reach the floor that is stated for it, whatever the number.

    With one known specimen the query and it lie equally far from their common mean: they
    always tie, the rank p-value is 1, and so is the least that it can be.
    """
    rng = np.random.default_rng(60)
    for n in (1, 2, 3, 8):
        Y = rng.normal(size=(n + others + 3, 4))
        labels = ["own"] * n + ["else"] * (others + 3)
        far = np.full((1, 4), 1e4)
        evidence = Membership().fit(Y, Y, labels).evidence(far, far)
        own = evidence.taxa.tolist().index("own")
        assert evidence.rank_p_value[0, own] == pytest.approx(evidence.rank_floor[own])
        assert evidence.pooled_rank_p_value[0, own] == pytest.approx(
            evidence.pooled_rank_floor[0, own]
        )


def test_a_taxon_of_one_has_no_members_to_contradict():
    """The tie of a single specimen with the query is no contradiction by the taxon's members.

    It leaves the verdict open all the same: nobody knows how much that taxon varies.
    """
    rng = np.random.default_rng(61)
    Y = np.vstack([rng.normal(size=(30, 3)), rng.normal(size=(1, 3)) + 20])
    labels = ["many"] * 30 + ["single"]
    far = np.full((1, 3), 500.0)
    evidence = Membership().fit(Y, Y, labels).evidence(far, far)
    assert (evidence.p_value <= 0.001).all()
    found = decide(evidence, 0, alpha=0.05, smallest_taxon=5)
    assert (found.verdict, found.ground, found.taxon) == ("undecided", "spread_unknown", "single")
