"""Levels and power of the verdict: against pingouin, by exchangeability and by simulation.

What is known exactly is tested exactly: Hotelling's T2, the ranks of exchangeable specimens,
the noncentral F distribution. The rest is held against binomial bounds on independent studies,
one query each.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from morpho.inference.membership.placing import KnownTaxa
from morpho.inference.membership.typicality import Membership, typicality
from morpho.inference.membership.verdict import decide

ALPHA = 0.05
ROUNDING = 1e-9


def _mix(rng, p):
    """Correlated variables whose spreads differ tenfold."""
    return np.linalg.qr(rng.normal(size=(p, p)))[0] * np.geomspace(1, 0.1, p)[:, None]


def _outside(evidence):
    """Which of the queries are told outside."""
    decisions = (
        decide(evidence, i, alpha=ALPHA, smallest_taxon=5) for i in range(len(evidence.p_value))
    )
    return np.array([decision.verdict == "outside" for decision in decisions])


# Hotelling's T2


@pytest.mark.parametrize(("n", "p"), [(5, 2), (5, 4), (12, 3), (40, 10)])
def test_one_taxon_against_hotellings_one_sample_test(n, p):
    """Hotelling (1931), by pingouin: the query as the mean that is put to the test.

    The one-sample statistic is T2 = n D^2, which knows the query without error; for a new
    observation it is D^2 n / (n + 1), so that T2 and F of the one are n + 1 times those of
    the other, on the same p and n - p degrees of freedom.
    """
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(10 * n + p)
    Y = rng.normal(size=(n, p)) @ _mix(rng, p) + 5
    queries = Y[:4] + rng.normal(size=(4, p)) @ _mix(rng, p)
    given = Membership().fit(Y, Y, ["one"] * n).evidence(queries, queries)
    # all axes that there are: turned variables, same distances
    own = KnownTaxa(Y, ["one"] * n).place(queries, n_axes=p)
    for i, query in enumerate(queries):
        row = pingouin.multivariate_ttest(Y, query).iloc[0]
        assert (row["df1"], row["df2"]) == (p, n - p)
        expected = stats.f.sf(row["F"] / (n + 1), p, n - p)
        for evidence in (given, own):
            assert evidence.typicality_probability[i, 0] == pytest.approx(expected, rel=1e-6)
            assert n * evidence.mahalanobis_distance[i, 0] ** 2 == pytest.approx(
                row["T2"], rel=1e-6
            )


@pytest.mark.parametrize("copies", [2, 5])
def test_one_taxon_against_hotellings_two_sample_test(copies):
    """Hotelling (1931), by pingouin, with m copies of the query as the second sample.

    Copies do not vary, so that the pooled covariance is (n - 1) / (n + m - 2) of the first
    sample's, and T2 = n m / (n + m) (n + m - 2) / (n - 1) D^2. The test proper has m = 1, for
    which pingouin has no covariance of the second sample.
    """
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(20)
    n, p, m = 11, 3, copies
    Y = rng.normal(size=(n, p)) @ _mix(rng, p)
    query = rng.normal(size=(1, p))
    row = pingouin.multivariate_ttest(Y, np.repeat(query, m, axis=0)).iloc[0]
    squared = row["T2"] * (n + m) / (n * m) * (n - 1) / (n + m - 2)
    evidence = KnownTaxa(Y, ["one"] * n).place(query, n_axes=p)
    assert evidence.mahalanobis_distance[0, 0] ** 2 == pytest.approx(squared, rel=1e-8)
    alone = squared * n / (n + 1) * (n - p) / (p * (n - 1))
    assert evidence.typicality_probability[0, 0] == pytest.approx(
        stats.f.sf(alone, p, n - p), rel=1e-8
    )


@pytest.mark.parametrize(("m", "n", "p"), [(2, 9, 2), (7, 5, 4), (30, 12, 6)])
def test_typicality_is_hotellings_two_sample_test_at_another_leverage(m, n, p):
    """Two means instead of an observation and a mean: 1 + h is 1/m + 1/n, all else the same.

    Pingouin's p-value is then that of `typicality` with the leverage 1/m + 1/n - 1; for m = 1
    it is 1/n, that of one query against n specimens.
    """
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(m + n)
    X, Y = rng.normal(size=(m, p)), rng.normal(size=(n, p)) + 0.7
    if m >= 5:  # the first sample must have so many
        row = pingouin.multivariate_ttest(X, Y).iloc[0]
    else:
        row = pingouin.multivariate_ttest(Y, X).iloc[0]
    v = m + n - 2
    pooled = ((m - 1) * np.cov(X, rowvar=False) + (n - 1) * np.cov(Y, rowvar=False)) / v
    away = X.mean(axis=0) - Y.mean(axis=0)
    found = typicality(away @ np.linalg.inv(pooled) @ away, p, v, 1 / m + 1 / n - 1)
    assert float(found) == pytest.approx(row["pval"], rel=1e-8)


# Typicality of members


def _typicality_of_members(rng, counts, p, studies):
    """Typicality of one member of the first taxon in each study, on all of p given axes."""
    taxa = np.repeat(np.arange(len(counts)), counts)
    typical = np.empty(studies)
    for i in range(studies):
        mix = _mix(rng, p)
        Y = rng.normal(size=(len(taxa), p)) @ mix + 3 * taxa[:, None]
        query = rng.normal(size=(1, p)) @ mix
        evidence = Membership().fit(Y, Y, taxa).evidence(query, query)
        typical[i] = evidence.typicality_probability[0, 0]
    return typical


def _check_uniform(typical, check_rate):
    assert stats.kstest(typical, "uniform").pvalue > 0.001
    for level in (0.01, 0.05):
        check_rate(typical <= level, level, what="typicality")


@pytest.mark.parametrize("p", [2, 3, 5, 10])
@pytest.mark.parametrize("n", [4, 6, 10, 20, 40])
def test_typicality_is_uniform_beside_other_taxa(n, p, studies, check_rate):
    """A taxon of 4 to 40 beside two others, on 2 to 10 given axes: uniform for its members.

    The F distribution is exact for normal variables (Anderson 2003, from
    memory): Kolmogorov and Smirnov, and the levels 0.01 and 0.05.
    """
    rng = np.random.default_rng(1000 * n + p)
    _check_uniform(_typicality_of_members(rng, (n, 7, 9), p, studies), check_rate)


@pytest.mark.parametrize(
    ("n", "p"), [(4, 2), (4, 3), (6, 2), (6, 5), (11, 10), (20, 2), (20, 10), (40, 2), (40, 10)]
)
def test_typicality_is_uniform_for_one_taxon_alone(n, p, studies, check_rate):
    """The same without other taxa, down to as many axes as there are degrees of freedom."""
    rng = np.random.default_rng(2000 * n + p)
    _check_uniform(_typicality_of_members(rng, (n,), p, studies), check_rate)


# Ranks of exchangeable specimens


KINDS = ("skewed", "ties", "twins", "wide")


def _specimens(rng, counts, kind):
    """Taxa apart from each other, and sizes; members of a taxon are exchangeable."""
    taxa = np.repeat(np.arange(len(counts)), counts)
    p = 60 if kind == "wide" else 5
    Y = rng.exponential(size=(len(taxa), p)) ** 2
    if kind == "ties":
        Y = np.round(Y)
    if kind == "twins":  # every second specimen is its neighbour once more
        Y[1::2] = Y[: len(Y) // 2 * 2 : 2]
    return Y + 4 * taxa[:, None], taxa, rng.normal(size=len(taxa))


def _ranks_of_all(Y, taxa, size, n_axes=2):
    """Each specimen in turn as the query: its ranks in its taxon, there on axes, among all."""
    ranks = np.empty((len(Y), 3))
    for i in range(len(Y)):
        rest = np.arange(len(Y)) != i
        sizes, own = (None, None) if size is None else (size[rest], size[[i]])
        found = KnownTaxa(Y[rest], taxa[rest], sizes).place(Y[[i]], own, n_axes=n_axes)
        g = found.taxa.tolist().index(taxa[i])
        ranks[i] = (
            found.rank_p_value[0, g],
            found.axes_rank_p_value[0, g],
            found.pooled_rank_p_value[0, g],
        )
    return ranks


def _check_valid(p, what):
    """No more than a share a of the p-values is at or below a, for every a."""
    for a in np.append(np.linspace(0, 1, 201), np.unique(p)):
        assert np.mean(p <= a + ROUNDING) <= a + ROUNDING, f"{what} at {a:.3f}"


@pytest.mark.parametrize("heeded", [False, True])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [2, 3, 5, 9, 19, 24])
def test_rank_p_values_are_valid_exactly(n, kind, heeded):
    """Vovk, Gammerman & Shafer (2005), without any sampling error.

    Specimens of a taxon are exchangeable: given their set, each is the query with the same
    probability, so that the level is the share of them whose p-value is that small. Each has
    n known fellows, with ties, twins, more variables than specimens, and with size heeded.
    The pooled rank is valid in the same way for a query that may be any of all specimens.
    """
    rng = np.random.default_rng(n)
    for _ in range(2):
        Y, taxa, size = _specimens(rng, (n + 1, 3, 6), kind)
        ranks = _ranks_of_all(Y, taxa, size if heeded else None)
        for g in range(3):
            _check_valid(ranks[taxa == g, 0], "rank")
            _check_valid(ranks[taxa == g, 1], "rank on the axes")
        _check_valid(ranks[:, 2], "pooled rank")


@pytest.mark.parametrize("heeded", [False, True])
@pytest.mark.parametrize("n", [2, 3, 9, 19])
def test_rank_p_values_waste_nothing(n, heeded):
    """Without ties they are 1/(n+1), 2/(n+1), ... 1, one each; and among all N, 1/N, ... 1."""
    rng = np.random.default_rng(100 + n)
    Y, taxa, size = _specimens(rng, (n + 1, 4, 6), "skewed")
    ranks = _ranks_of_all(Y, taxa, size if heeded else None)
    for g, count in enumerate((n + 1, 4, 6)):
        for j in range(2):
            expected = np.arange(1, count + 1) / count
            np.testing.assert_allclose(np.sort(ranks[taxa == g, j]), expected)
    np.testing.assert_allclose(np.sort(ranks[:, 2]), np.arange(1, len(Y) + 1) / len(Y))


@pytest.mark.parametrize("n", [2, 3, 5, 10, 20])
def test_pooled_rank_of_a_small_or_large_taxon(n, studies, check_rate):
    """A query known to be of one taxon, of n known: valid where taxa spread alike.

    Residuals divided by the square root of 1 - leverage have one distribution in all taxa,
    but are not exchangeable between them; so this is a simulation.
    """
    rng = np.random.default_rng(300 + n)
    taxa = np.repeat([0, 1, 2], [n, 8, 11])
    pooled = np.empty(studies)
    for i in range(len(pooled)):
        mix = _mix(rng, 6)
        Y = rng.normal(size=(len(taxa), 6)) @ mix + 3 * taxa[:, None]
        query = rng.normal(size=(1, 6)) @ mix
        evidence = Membership().fit(Y, Y[:, :2], taxa).evidence(query, query[:, :2])
        pooled[i] = evidence.pooled_rank_p_value[0, 0]
    N = len(taxa) + 1
    for k in (1, 2, 4, 10, 20):
        check_rate(pooled <= k / N + ROUNDING, k / N, conservative=True, what=f"{k} of {N}")


# Intersection-union


@pytest.mark.parametrize("apart", [0.0, 2.0, 30.0])
@pytest.mark.parametrize("G", [2, 3, 5, 8])
def test_members_of_one_of_many_taxa_are_not_told_outside(G, apart, studies, check_rate):
    """Berger (1982): all tests must reject, so the level holds whatever the number of taxa.

    Taxa of 6 to 14 with the same mean, near to each other, and far apart; each study's query
    belongs to another one. Once by the whole chain, and once by the rule alone:
    each taxon's test is typicality on given axes, which is exact, and no member contradicts.
    """
    rng = np.random.default_rng(10 * G + int(apart))
    taxa = np.repeat(np.arange(G), np.resize([6, 9, 14, 11], G))
    outside, alone = np.empty(studies, bool), np.empty(studies, bool)
    for i in range(len(outside)):
        mix, means = _mix(rng, 6), apart * rng.normal(size=(G, 6))
        Y = (means[taxa] + rng.normal(size=(len(taxa), 6))) @ mix
        query = (means[[i % G]] + rng.normal(size=(1, 6))) @ mix
        outside[i] = _outside(KnownTaxa(Y, taxa).place(query, n_axes=3))[0]
        given = Membership().fit(Y, Y, taxa).evidence(query, query)
        none = np.zeros((1, G))
        silent = {"rank_p_value": none, "axes_rank_p_value": none, "own_spread_p_value": none}
        alone[i] = _outside(replace(given, p_value=given.typicality_probability, **silent))[0]
    check_rate(outside, ALPHA, conservative=True, what="outside")
    # once all other taxa reject for certain, nothing is lost either
    check_rate(alone, ALPHA, conservative=apart < 30, what="outside by the rule alone")


# Power


def _power(distance, p, v, leverage, level=ALPHA):
    """Noncentral F: how often a query so many standard deviations away is not typical."""
    critical = stats.f.isf(level, p, v - p + 1)
    return stats.ncf.sf(critical, p, v - p + 1, distance**2 / (1 + leverage))


def _direction(rng, p, length):
    u = rng.normal(size=(1, p))
    return length * u / np.linalg.norm(u)


@pytest.mark.parametrize(
    ("counts", "p", "distance"),
    [((8,), 2, 3.0), ((40,), 10, 4.5), ((6, 9, 12), 5, 4.0), ((12, 4), 3, 2.5), ((4, 10), 8, 9.0)],
)
@pytest.mark.parametrize("heeded", [False, True])
def test_power_against_the_noncentral_f(counts, p, distance, heeded, studies, check_rate):
    """Anderson (2003) (from memory), with pooled covariance and leverage.

    F(p, v - p + 1) with noncentrality delta^2 / (1 + h); h differs between studies where size
    is heeded, and the power expected is then the mean over them. As many axes as variables,
    found for each query: turned variables. The combined p-value is small at least as often as
    typicality is at half the level.
    """
    rng = np.random.default_rng([*counts, p, heeded])
    taxa = np.repeat(np.arange(len(counts)), counts)
    n = len(taxa)
    found, rejected = np.empty(studies, bool), np.empty(studies, bool)
    expected, half = np.empty(studies), np.empty(studies)
    for i in range(len(found)):
        mix, size = _mix(rng, p), rng.normal(size=n + 1)
        Y = (rng.normal(size=(n + 1, p)) + 0.5 * heeded * size[:, None]) @ mix
        Y[-1:] += _direction(rng, p, distance) @ mix
        Y[:-1] += 3 * taxa[:, None]
        sizes, own = (size[:-1], size[-1:]) if heeded else (None, None)
        evidence = KnownTaxa(Y[:-1], taxa, sizes).place(Y[-1:], own, n_axes=p)
        found[i] = evidence.typicality_probability[0, 0] <= ALPHA
        rejected[i] = evidence.p_value[0, 0] <= ALPHA
        leverage, v = 1 / counts[0], n - len(counts)
        if heeded:  # by hand: growth line through the taxon's mean
            means = np.array([size[:-1][taxa == g].mean() for g in taxa])
            away = size[-1] - means[0]
            leverage += away**2 / ((size[:-1] - means) ** 2).sum()
            v -= 1
        expected[i] = _power(distance, p, v, leverage)
        half[i] = _power(distance, p, v, leverage, ALPHA / 2)
    assert 0.2 < expected.mean() < 0.97
    check_rate(found, expected.mean(), what="power of typicality")
    least = stats.binom.ppf(0.0005, len(rejected), half.mean())
    assert rejected.sum() >= least, "power of the combined p-value"


@pytest.mark.slow
@pytest.mark.parametrize("p", [3, 6])
def test_power_among_several_taxa_lies_within_its_bounds(p):
    """Bonferroni and Frechet: at least 1 - sum(1 - power_g), at most the smallest power_g.

    The power of each taxon's typicality is that of the noncentral F for the query's distance
    from it; outside all of them on given axes are the queries that all reject.
    """
    rng = np.random.default_rng(400 + p)
    counts, v = np.array([8, 12, 20]), 37
    taxa = np.repeat(np.arange(3), counts)
    means = np.zeros((3, p))
    means[1, 0], means[2, 1] = 6.0, -7.0
    query_mean = np.zeros(p)
    query_mean[:3] = [2.5, -1.0, 4.0]
    powers = _power(np.linalg.norm(means - query_mean, axis=1), p, v, 1 / counts)
    lower, upper = 1 - (1 - powers).sum(), powers.min()
    assert upper - lower < 0.25
    outside = np.empty(2000, bool)
    for i in range(len(outside)):
        mix = _mix(rng, p)
        Y = (means[taxa] + rng.normal(size=(40, p))) @ mix
        query = (query_mean + rng.normal(size=(1, p))) @ mix
        evidence = Membership().fit(Y, Y, taxa).evidence(query, query)
        outside[i] = evidence.typicality_probability.max() <= ALPHA
    low = stats.binom.ppf(0.0005, len(outside), lower)
    high = stats.binom.ppf(0.9995, len(outside), upper)
    assert low <= outside.sum() <= high


@pytest.mark.slow
@pytest.mark.parametrize("counts", [(10,), (8, 10, 15), (30, 30)])
@pytest.mark.parametrize("axes", [2, 5])
def test_the_further_away_the_more_often_outside(counts, axes, check_rate):
    """The verdict's power over distance: from its level to nearly always, without a fall.

    Queries of one study are one draw moved further and further out in a random direction, so
    that the curve has little noise; 400 studies. Distances are in standard deviations within
    taxa, more variables than axes, and taxa far apart.
    """
    rng = np.random.default_rng(sum(counts) + axes)
    taxa = np.repeat(np.arange(len(counts)), counts)
    distances = np.array([0.0, 2.0, 4.0, 6.0, 9.0, 14.0, 30.0])
    outside = np.empty((400, len(distances)), bool)
    for i in range(len(outside)):
        mix = _mix(rng, 6)
        means = 30 * rng.normal(size=(len(counts), 6))
        Y = (means[taxa] + rng.normal(size=(len(taxa), 6))) @ mix
        away = distances[:, None] * _direction(rng, 6, 1.0)
        queries = (means[:1] + rng.normal(size=(1, 6)) + away) @ mix
        outside[i] = _outside(KnownTaxa(Y, taxa).place(queries, n_axes=axes))
    share = outside.mean(axis=0)
    check_rate(outside[:, 0], ALPHA, conservative=True, what="outside at no distance")
    assert (np.diff(share) >= -0.01).all(), share
    assert share[-1] > 0.9, share
    assert share[-1] > share[3] > share[0], share
