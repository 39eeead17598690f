"""Growth lines of taxa: against separate regressions, and who is given one."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from sklearn.covariance import ledoit_wolf

from morpho.inference.membership.placing import KnownTaxa
from morpho.inference.membership.typicality import Membership
from morpho.inference.models.design import InferenceError, indicator
from morpho.inference.models.slopes import FEWEST, own_slope_taxa, slope_basis

LABELS = np.repeat(["a", "b", "c"], [9, 12, 8])


def sample(rng, labels=LABELS, variables=4):
    """Growth lines in directions of their own."""
    taxa, place = np.unique(labels, return_inverse=True)
    size = rng.normal(3, 0.3, len(labels)) + 0.2 * place
    slope, form = rng.normal(size=(2, len(taxa), variables))
    Y = form[place] + slope[place] * size[:, None] + 0.3 * rng.normal(size=(len(size), variables))
    return Y, size


# ---------------------------------------------------------------- the basis


@pytest.mark.parametrize("own", [(), ("b",), ("a", "c"), ("a", "b", "c")])
def test_the_basis_is_orthonormal_and_orthogonal_to_taxa(rng, own):
    size = sample(rng)[1]
    taxa, columns = indicator(LABELS)
    basis, slope_of, lengths = slope_basis(size, taxa, columns, own)
    count = len(own) + (len(own) < 3)
    assert basis.shape == (29, count)
    np.testing.assert_allclose(basis.T @ basis, np.eye(count), atol=1e-12)
    np.testing.assert_allclose(columns.T @ basis, 0, atol=1e-12)
    away = size - np.array([size[t == LABELS].mean() for t in LABELS])
    for s in range(count):
        of = np.isin(LABELS, taxa[slope_of == s])
        np.testing.assert_allclose(basis[:, s] * lengths[s], np.where(of, away, 0), atol=1e-12)


def test_a_slope_without_a_spread_of_sizes_is_refused(rng):
    size = sample(rng)[1]
    size[LABELS == "b"] = 3.3
    taxa, columns = indicator(LABELS)
    assert slope_basis(size, taxa, columns, ("a",))[0].shape == (29, 2)
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        slope_basis(size, taxa, columns, ("b",))


def test_taxa_that_are_not_there_are_no_slopes(rng):
    size = sample(rng)[1]
    taxa, columns = indicator(LABELS)
    np.testing.assert_array_equal(
        slope_basis(size, taxa, columns, ("unknown",))[0], slope_basis(size, taxa, columns)[0]
    )


# ---------------------------------------------------------------- who has one


@pytest.mark.parametrize(
    ("p_value", "expected"),
    [(0.2, ()), (None, ()), (np.nan, ()), (0.05, ("a", "b", "c")), (0.001, ("a", "b", "c"))],
)
def test_own_slopes_need_a_test_that_rejects(rng, p_value, expected):
    assert own_slope_taxa(LABELS, sample(rng)[1], p_value, alpha=0.05) == expected


def test_small_taxa_share_the_slope_of_the_rest(rng):
    labels = np.repeat(["a", "b", "c"], [FEWEST - 1, FEWEST, 3])
    assert own_slope_taxa(labels, rng.normal(size=len(labels)), 0.001, alpha=0.05) == ("b",)
    size = rng.normal(size=len(labels))
    # the third has none to share with
    assert own_slope_taxa(labels, size, 0.001, alpha=0.05, fewest=7) == ("a", "b", "c")


def test_sizes_must_vary_in_those_left_to_share_a_slope(rng):
    """A taxon of one size beside taxa with own slopes would leave a slope without sizes."""
    size = sample(rng)[1]
    size[LABELS == "c"] = 3.0
    assert own_slope_taxa(LABELS, size, 0.001, alpha=0.05) == ()
    labels = np.append(LABELS, ["d", "d"])
    assert own_slope_taxa(labels, np.append(size, [3.0, 3.5]), 0.001, alpha=0.05) == ("a", "b")
    # one specimen has no slope: it has nothing to share either
    assert own_slope_taxa(np.append(LABELS, "d"), np.append(size, 3.0), 0.001, alpha=0.05) == ()


# ---------------------------------------------------------------- the model


@pytest.mark.parametrize("own", [(), ("b",), ("a", "b", "c")])
def test_predictions_and_leverages_are_those_of_statsmodels(rng, own):
    """Outside reference: statsmodels OLS, with an interaction for each taxon of its own slope.

    Without any it is the analysis of covariance, with all of them a regression for each taxon.
    """
    Y, size = sample(rng)
    model = Membership().fit(Y, Y[:, :2], LABELS, size, own_slopes=own)
    at = np.array([1.7, 3.0, 4.6])
    predicted = model.predict(at, 3)
    groups = [np.array([t]) for t in own] + [np.setdiff1d(np.unique(LABELS), own)]

    def design(labels, x):
        columns = [(labels == t).astype(float) for t in "abc"]
        columns += [np.where(np.isin(labels, group), x, 0.0) for group in groups if len(group)]
        return np.column_stack(columns)

    X = design(LABELS, size)
    for j in range(Y.shape[1]):
        fitted = sm.OLS(Y[:, j], X).fit()
        np.testing.assert_allclose(model.residuals_[:, j], fitted.resid, atol=1e-10)
        for g, taxon in enumerate("abc"):
            expected = fitted.predict(design(np.full(3, taxon), at))
            np.testing.assert_allclose(predicted[:, g, j], expected, atol=1e-9)
    assert model.degrees_of_freedom_ == fitted.df_resid
    np.testing.assert_allclose(model.leverages_, fitted.get_influence().hat_matrix_diag)
    # leverage of the queries, by the standard error of what is predicted for them
    evidence = model.evidence(np.zeros((3, 4)), np.zeros((3, 2)), at)
    h = (evidence.procrustes_distance / evidence.comparable_distance) ** 2 - 1
    for g, taxon in enumerate("abc"):
        frame = fitted.get_prediction(design(np.full(3, taxon), at))
        np.testing.assert_allclose(h[:, g], frame.var_pred_mean / fitted.mse_resid)


def test_own_slopes_are_separate_regressions(rng):
    """Each taxon by statsmodels OLS alone, without any of the others."""
    Y, size = sample(rng)
    model = Membership().fit(Y, Y, LABELS, size, own_slopes=("a", "b", "c"))
    predicted = model.predict([2.0, 3.4], 2)
    for g, taxon in enumerate("abc"):
        of = taxon == LABELS
        fitted = sm.OLS(Y[of], sm.add_constant(size[of])).fit()
        expected = np.array([[1, 2.0], [1, 3.4]]) @ fitted.params
        np.testing.assert_allclose(predicted[:, g], expected, atol=1e-10)


def test_within_sizes_is_the_evidence_at_the_nearest_measured_size(rng):
    Y, size = sample(rng)
    model = Membership().fit(Y, Y[:, :2], LABELS, size, own_slopes=("b",))
    query, beyond = rng.normal(size=(1, 4)), size.max() + 1
    held = model.evidence(query, query[:, :2], [beyond], within_sizes=True)
    for g, taxon in enumerate("abc"):
        clipped = model.evidence(query, query[:, :2], [size[taxon == LABELS].max()])
        for name in ("p_value", "comparable_distance", "rank_p_value", "own_spread_p_value"):
            assert getattr(held, name)[0, g] == pytest.approx(getattr(clipped, name)[0, g])
    # that it lies beyond is still told
    assert held.beyond_sizes.all()
    free = model.evidence(query, query[:, :2], [beyond])
    assert not np.allclose(free.comparable_distance, held.comparable_distance)
    inside = [np.median(size)]
    np.testing.assert_allclose(
        model.evidence(query, query[:, :2], inside, within_sizes=True).p_value,
        model.evidence(query, query[:, :2], inside).p_value,
    )


def refitted_ranks(Y, labels, size, query, at, taxon, own, shrunken=False):
    """Put the query into a taxon, fit anew, and rank: in the taxon, and among all."""
    labels, x = np.append(labels, taxon), np.append(size, at)
    X = [(labels == t).astype(float) for t in np.unique(labels)]
    X += [np.where(labels == t, x, 0.0) for t in own]
    X += [np.where(np.isin(labels, own), 0.0, x)] if not {*labels} <= {*own} else []
    hat = np.column_stack(X) @ np.linalg.pinv(np.column_stack(X))
    rest = np.vstack([Y, query]) - hat @ np.vstack([Y, query])
    room = 1 - np.diag(hat)
    inner = np.eye(Y.shape[1])
    if shrunken:
        inner = np.linalg.inv(ledoit_wolf(rest, assume_centered=True)[0])
    judged = room > 1e-9
    squares = np.einsum("ni,ij,nj->n", rest, inner, rest)
    d = np.where(judged, squares / np.where(judged, room, 1), -np.inf)
    as_far = d >= d[-1] * (1 - 1e-9)
    return as_far[labels == taxon].mean(), as_far.sum() / judged.sum()


@pytest.mark.parametrize("own", [(), ("b",), ("a", "b", "c")])
@pytest.mark.parametrize("shrunken", [False, True])
def test_ranks_equal_those_of_a_plain_refit(rng, own, shrunken):
    """Also with the shrunken covariance: a naive loop that fits everything anew."""
    Y, size = sample(rng)
    queries, at = rng.normal(size=(4, 4)) + np.array([3, 3, 0, 0]), np.array([2.0, 3.0, 3.5, 5.0])
    covariance = "shrunken" if shrunken else "pooled"
    taxa = KnownTaxa(Y, LABELS, size, own_slopes=own)
    found = taxa.place(queries, at, n_axes=2, covariance=covariance)
    for q, query in enumerate(queries):
        for g, taxon in enumerate("abc"):
            alone, pooled = refitted_ranks(Y, LABELS, size, query, at[q], taxon, own, shrunken)
            if shrunken:
                assert found.p_value[q, g] == pytest.approx(pooled)
            else:
                assert found.rank_p_value[q, g] == pytest.approx(alone)
                assert found.pooled_rank_p_value[q, g] == pytest.approx(pooled)


# ---------------------------------------------------------------- other covariances


@pytest.mark.parametrize(("n", "p"), [(13, 2), (16, 4), (40, 10)])
def test_own_covariance_is_hotellings_new_observation(n, p):
    """Closed form: T2 = n / (n + 1) (x - m)' S^-1 (x - m), F on p and n - p degrees.

    Anderson (2003), cited from memory; another taxon, widely spread, has no say.
    """
    from scipy import stats

    rng = np.random.default_rng(n)
    Y = rng.normal(size=(n, p)) * np.geomspace(1, 0.1, p)
    other = 50 * rng.normal(size=(n, p)) + 7
    query = 1.5 * rng.normal(size=(2, p)) * np.geomspace(1, 0.1, p)
    labels = ["one"] * n + ["two"] * n
    found = KnownTaxa(np.vstack([Y, other]), labels).place(query, n_axes=p, covariance="own")
    away = query - Y.mean(axis=0)
    S = np.atleast_2d(np.cov(Y, rowvar=False))
    T2 = n / (n + 1) * np.einsum("qi,ij,qj->q", away, np.linalg.inv(S), away)
    expected = stats.f.sf(T2 * (n - p) / (p * (n - 1)), p, n - p)
    np.testing.assert_allclose(found.typicality_probability[:, 0], expected, rtol=1e-8)
    np.testing.assert_allclose(found.p_value[:, 0], expected, rtol=1e-8)


def test_own_covariance_heeds_size_by_the_taxon_alone(rng):
    Y, size = sample(rng)
    query, at = rng.normal(size=(1, 4)), [3.1]
    found = KnownTaxa(Y, LABELS, size).place(query, at, n_axes=3, covariance="own")
    for g, taxon in enumerate("abc"):
        of = taxon == LABELS
        taxa = KnownTaxa(Y[of], LABELS[of], size[of])
        alone = taxa.place(query, at, n_axes=min(3, (of.sum() - 1) // 3))
        assert found.p_value[0, g] == pytest.approx(alone.typicality_probability[0, 0])


def test_a_taxon_too_small_for_a_covariance_of_its_own_keeps_the_pooled_rank(rng):
    labels = np.array(["a"] * 9 + ["b"])
    Y = rng.normal(size=(10, 4))
    taxa = KnownTaxa(Y, labels)
    pooled, own = (taxa.place(Y[:1] + 2, n_axes=2, covariance=c) for c in ("pooled", "own"))
    assert np.isnan(own.typicality_probability[0, 1])
    assert own.p_value[0, 1] == pooled.pooled_rank_p_value[0, 1]
    assert np.isfinite(own.p_value).all()


def test_an_unknown_covariance_is_refused(rng):
    Y = rng.normal(size=(8, 3))
    with pytest.raises(InferenceError, match=r"must be one of .*'shrunken'.*, not 'other'"):
        KnownTaxa(Y, ["a"] * 8).place(Y[:1], n_axes=1, covariance="other")


@pytest.mark.parametrize("width", [3, 24, 90])
def test_a_shrunken_rank_hangs_on_no_other_query(rng, width):
    """As a naive loop has it in all variables, however many there are; alone or together.

    Wide data are turned to their own span, which is wider with more queries.
    """
    spread = np.geomspace(1, 0.05, width)
    labels = np.repeat(["a", "b"], 12)
    Y = spread * rng.normal(size=(24, width))
    queries = 1.3 * spread * rng.normal(size=(9, width))
    taxa = KnownTaxa(Y, labels)
    together = taxa.place(queries, n_axes=3, covariance="shrunken").p_value
    for q, query in enumerate(queries):
        alone = taxa.place(query[None], n_axes=3, covariance="shrunken").p_value
        plain = [
            refitted_ranks(Y, labels, np.zeros(24), query, 0, g, (), shrunken=True)[1] for g in "ab"
        ]
        np.testing.assert_allclose(together[q], plain)
        np.testing.assert_allclose(alone[0], plain)
    assert len(np.unique(together)) > 3


def test_specimens_that_do_not_vary_have_a_shrunken_rank():
    """Nothing varies at all: a query on top of them is as far as each of them."""
    Y = np.zeros((8, 3))
    found = KnownTaxa(Y, ["a"] * 8).place(Y[:1], n_axes=1, covariance="shrunken")
    assert found.p_value[0, 0] == 1


# ---------------------------------------------------------------- levels


@pytest.mark.slow
@pytest.mark.parametrize("covariance", ["pooled", "own", "shrunken"])
@pytest.mark.parametrize("own", [(), ("a", "b", "c")])
def test_members_are_rejected_no_more_often_than_alpha(covariance, own):
    """600 studies with lines of growth for each taxon; sizes and spreads alike.

    Typicality on all axes is exact for normal shapes (Kolmogorov & Smirnov), and so is the
    p-value within the taxon's own covariance; ranks are exchangeable but for the leverages of
    different sizes. Counts stay below the 99.9 % binomial bound.
    """
    from scipy import stats

    rng = np.random.default_rng(len(own) + len(covariance))
    labels = np.repeat(["a", "b", "c"], [9, 10, 8])
    typical, p = np.empty(600), np.empty(600)
    for i in range(600):
        slope = rng.normal(size=(3, 3)) if own else rng.normal(size=3)
        place = np.append(np.repeat([0, 1, 2], [9, 10, 8]), 1)
        size = rng.normal(size=28)
        growth = (slope[place] if own else slope) * size[:, None]
        Y = growth + 5 * place[:, None] + rng.normal(size=(28, 3)) * [1, 0.5, 0.2]
        taxa = KnownTaxa(Y[:-1], labels, size[:-1], own_slopes=own)
        found = taxa.place(Y[-1:], size[-1:], n_axes=3, covariance=covariance)
        typical[i], p[i] = found.typicality_probability[0, 1], found.p_value[0, 1]
    if covariance != "shrunken":
        assert stats.kstest(typical, "uniform").pvalue > 0.001
    for level in (0.05, 0.2):
        assert (p <= level).sum() <= stats.binom.ppf(0.9995, 600, level), (level, p)
    if covariance == "own":
        assert (p <= 0.2).sum() >= stats.binom.ppf(0.0005, 600, 0.2)


@pytest.mark.slow
def test_the_shrunken_rank_of_exchangeable_specimens_is_uniform():
    """One taxon without size: all specimens are exchangeable, so each rank is as likely.

    Vovk, Gammerman & Shafer (2005): here as skewed as one likes, 2,000 studies.
    """
    from scipy import stats

    rng = np.random.default_rng(9)
    ranks = np.empty(2000)
    for i in range(2000):
        Y = rng.exponential(size=(10, 4)) ** 2
        found = KnownTaxa(Y[:-1], ["a"] * 9).place(Y[-1:], n_axes=2, covariance="shrunken")
        ranks[i] = found.p_value[0, 0]
    counts = np.bincount(np.round(10 * ranks).astype(int), minlength=11)[1:]
    assert counts.sum() == 2000
    assert stats.chisquare(counts).pvalue > 0.001
