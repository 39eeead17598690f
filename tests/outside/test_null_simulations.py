"""Error rates of every test on simulated studies: levels held, planted effects found.

Nominal levels are the published truth here: a valid test of level 0.05 rejects a true null
hypothesis in 5 % of studies (less, where it is discrete or conservative by design). Power is
held against the noncentral F distribution where that is exact.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.linear_model import term_tests
from morpho.inference.robustness.reanalysis import Material, analyse
from morpho.inference.taxa.groups import compare_means, group_tests

TAXON = np.repeat(["coast", "marsh", "ridge"], [5, 7, 9])
DUMMIES = np.column_stack([TAXON == "marsh", TAXON == "ridge"]).astype(float)
TERMS = ["size", "taxon", ("size", "taxon")]


def _noise(rng, n, p):
    """Correlated, heavy-tailed noise with variances that differ tenfold."""
    mix = np.linalg.qr(rng.normal(size=(p, p)))[0] * np.linspace(1, 0.3, p)[:, None]
    return rng.standard_t(5, size=(n, p)) @ mix


def _p_values_of_terms(rng, effects, studies):
    """P-values of size, taxon and their interaction where `effects` of them are planted."""
    n, p = len(TAXON), 5
    found = np.empty((studies, 3))
    for i in range(studies):
        size = rng.normal(size=n) + 0.5 * (TAXON == "ridge")
        Y = _noise(rng, n, p)
        if effects > 0:
            Y += np.outer(size, rng.normal(size=p))
        if effects > 1:
            Y += 2 * DUMMIES @ rng.normal(size=(2, p))
        table = term_tests(
            Y, TERMS, {"size": size, "taxon": TAXON}, permutations=99, random_state=rng
        )
        found[i] = table["p_value"][:3]
    return found


@pytest.mark.parametrize("effects", [0, 1, 2])
def test_terms_hold_their_level(effects, studies, check_rate):
    """Freedman & Lane (1983): terms after planted ones are tested at their level.

    Collyer, Sekora & Adams (2015) on the same with sequential sums of squares. Unbalanced
    taxa, sizes that differ between them, noise that is neither normal nor even.
    """
    p = _p_values_of_terms(np.random.default_rng(200 + effects), effects, studies)
    for j in range(effects, 3):
        for level in (0.05, 0.1):
            check_rate(p[:, j] <= level + 1e-9, level, what=f"{TERMS[j]} after {effects} effects")
    if effects:
        assert np.mean(p[:, :effects] <= 0.05) > 0.7


@pytest.mark.parametrize("effect", [0.0, 1.0])
def test_group_criteria_hold_their_level(effect, studies, check_rate):
    """Taxon after size, which has an effect of its own or none: all four criteria."""
    rng = np.random.default_rng(300)
    found = np.empty((studies, 4))
    for i in range(studies):
        size = rng.normal(size=len(TAXON)) + 0.5 * (TAXON == "ridge")
        Y = _noise(rng, len(TAXON), 3) + effect * np.outer(size, rng.normal(size=3))
        table = group_tests(
            Y, TERMS[:2], {"size": size, "taxon": TAXON}, permutations=99, random_state=rng
        )
        found[i] = table["p_value"]
    for j in range(4):
        check_rate(found[:, j] <= 0.05 + 1e-9, 0.05, what=table["criterion"][j])


@pytest.mark.parametrize("different", [False, True])
@pytest.mark.parametrize("heeded", [False, True])
def test_family_of_mean_comparisons(different, heeded, studies, check_rate):
    """Holm (1979): any false rejection among all pairs in at most 5 % of studies.

    All taxa alike, or one that truly differs from the other two, whose one true null
    hypothesis is then all that is left. Conservative by design: dependent comparisons.
    """
    rng = np.random.default_rng(400)
    wrong, right = np.zeros(studies, bool), np.zeros(studies, bool)
    for i in range(studies):
        size = rng.normal(size=len(TAXON))
        Y = _noise(rng, len(TAXON), 4) + np.outer(size, rng.normal(size=4)) * heeded
        if different:
            Y[TAXON == "ridge"] += 3
        table = compare_means(
            Y,
            TAXON,
            covariates={"size": size} if heeded else None,
            permutations=99,
            random_state=rng,
        )
        rejected = table["p_value_holm"].to_numpy() <= 0.05 + 1e-9
        true_null = ((table["first"] != "ridge") & (table["second"] != "ridge")) | (not different)
        wrong[i] = (rejected & true_null).any()
        right[i] = rejected[~true_null.to_numpy()].all()
    check_rate(wrong, 0.05, conservative=True, what="any false difference")
    if different:
        assert right.mean() > 0.8


@pytest.mark.parametrize(("n", "p"), [(5, 10), (10, 20)])
def test_pair_of_means_at_one_size_holds_its_level(n, p, studies, check_rate):
    """Two small groups compared after size: residuals of fewer dimensions must not mislead.

    Residuals after a covariate have a smaller variance than the errors. A ratio to the
    residual of the whole model, as F, is free of that (Anderson & Robinson 2001, Australian
    & New Zealand Journal of Statistics 43, 75-88, on Freedman & Lane's pivotal statistic).
    """
    rng = np.random.default_rng(450)
    labels, rejected = np.repeat(["a", "b"], n), np.empty(studies, bool)
    for i in range(studies):
        Y, size = rng.normal(size=(2 * n, p)), rng.normal(size=2 * n)
        table = compare_means(
            Y, labels, covariates={"size": size}, permutations=99, random_state=rng
        )
        rejected[i] = table["p_value"][0] <= 0.05 + 1e-9
    check_rate(rejected, 0.05, conservative=True, what=f"{n} and {n} specimens")


def test_power_of_a_term_is_that_of_the_noncentral_f(studies, check_rate):
    """Even noise: F of a term on p variables has p times the degrees of freedom of one.

    Then F ~ F(qp, (n - r)p, lambda) with lambda the planted sum of squares over the variance
    (Goodall 1991 on isotropic errors), and a permutation test loses little on it.
    """
    rng = np.random.default_rng(500)
    n, p = 21, 4
    group = np.repeat(["a", "b", "c"], 7)
    means = np.repeat(0.85 * np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1.0]]), 7, axis=0)
    noncentrality = ((means - means.mean(axis=0)) ** 2).sum()
    critical = stats.f.isf(0.05, 2 * p, (n - 3) * p)
    power = stats.ncf.sf(critical, 2 * p, (n - 3) * p, noncentrality)
    found, above = np.empty(studies, bool), np.empty(studies, bool)
    for i in range(studies):
        Y = means + rng.normal(size=(n, p))
        table = term_tests(Y, ["group"], {"group": group}, permutations=199, random_state=rng)
        found[i] = table["p_value"][0] <= 0.05 + 1e-9
        above[i] = table["f_ratio"][0] > critical
    assert 0.3 < power < 0.9
    check_rate(above, power, what="F above the critical value")
    assert found.mean() == pytest.approx(power, abs=0.08 if studies < 1000 else 0.06)


def test_slope_is_recovered(studies):
    """The common slope is unbiased with variance sigma^2 / sum of squares within groups.

    The Gauss-Markov theorem; group means at mean size likewise unbiased.
    """
    rng = np.random.default_rng(600)
    size = rng.normal(size=len(TAXON)) + 0.8 * (TAXON == "ridge")
    slope = np.array([0.5, -0.2, 0.0])
    means = np.array([[0, 0, 0], [1, 0, 2], [3, 1, 0.0]])
    codes = np.unique(TAXON, return_inverse=True)[1]
    within = size - np.array([size[taxon == TAXON].mean() for taxon in TAXON])
    slopes, places = [], []
    for _ in range(studies):
        Y = means[codes] + np.outer(size - size.mean(), slope) + 0.3 * rng.normal(size=(21, 3))
        fit = CommonSlope().fit(Y, size, TAXON)
        slopes.append(fit.slope_)
        places.append(fit.group_means_)
    deviation = 0.3 / np.sqrt(within @ within)
    assert (np.abs(np.mean(slopes, axis=0) - slope) < 4 * deviation / np.sqrt(studies)).all()
    ratio = np.var(slopes, axis=0, ddof=1) / deviation**2
    low, high = stats.chi2.ppf([0.0005, 0.9995], studies - 1) / (studies - 1)
    assert ((low < ratio) & (ratio < high)).all()
    np.testing.assert_allclose(np.mean(places, axis=0), means, atol=0.03)


# Membership, from landmarks to verdict


def _bones(rng, counts, *, growth=0.0, new=0.0, k=8, own=0):
    """Landmarks of known taxa and of one query that belongs to taxon `own`, or is new.

    Taxa lie far apart for their spread, so that only the query's own can keep it; their
    mean shapes are of one size, so that they spread alike once size is taken out.
    """
    code = np.append(np.repeat(np.arange(len(counts)), counts), own)
    base = rng.normal(size=(k, 3))
    means = base + 0.3 * rng.normal(size=(len(counts), k, 3))
    means -= means.mean(axis=1, keepdims=True)
    means *= np.sqrt(3 * k) / np.linalg.norm(means, axis=(1, 2), keepdims=True)
    size = 0.3 * rng.normal(size=len(code))
    directions = rng.normal(size=(4, k, 3))
    X = means[code] + growth * size[:, None, None] * rng.normal(size=(k, 3))
    # a few directions of much variation, and a little everywhere
    X += 0.1 * np.einsum("nj,jkd->nkd", rng.normal(size=(len(code), 4)), directions)
    X += 0.05 * rng.normal(size=X.shape)
    X[-1] += new * rng.normal(size=(k, 3))
    turns = np.linalg.qr(rng.normal(size=(len(code), 3, 3)))[0]
    turns[np.linalg.det(turns) < 0, :, 0] *= -1
    return np.exp(size)[:, None, None] * (X @ turns) + rng.normal(size=(len(code), 1, 3)), code


def _judged(X, code):
    """The whole chain on the last configuration."""
    known = np.arange(len(code)) < len(code) - 1
    return analyse(Material(X, code.astype(str), known), Rules(0.05, 4, None, 1))


@pytest.mark.long
@pytest.mark.parametrize(
    ("counts", "growth"), [((9, 10, 12), 0.0), ((9, 10, 12), 0.5), ((4, 14, 14), 0.5), ((8,), 0.0)]
)
def test_members_are_not_told_outside(counts, growth, check_rate):
    """From landmarks to the verdict on queries that belong to the first taxon.

    Conservative: all taxa must reject (Berger 1982), and with and without size.
    """
    rng, outside = np.random.default_rng(sum(counts)), np.empty((400, 3), bool)
    for i in range(400):
        found = _judged(*_bones(rng, counts, growth=growth))
        ways = (found.decisions[0][False], found.decisions[0][True], found.verdicts[0])
        outside[i] = [decision.verdict == "outside" for decision in ways]
    for j, way in enumerate(("as it is", "size heeded", "combined")):
        check_rate(outside[:, j], 0.05, conservative=True, what=f"outside, {way}")


@pytest.mark.long
def test_new_forms_are_told_outside():
    """Whole chain on a query that differs from all taxa beyond their spread: it is noticed.

    Truth planted: the query is moved by several times the spread within taxa. It must be
    outside in most studies with and without size, and more often the further it lies.
    """
    rng = np.random.default_rng(900)
    share = []
    for new in (0.0, 0.25, 0.6):
        found = [_judged(*_bones(rng, (15, 15, 15), growth=0.3, new=new)) for _ in range(200)]
        share.append(np.mean([each.verdicts[0].verdict == "outside" for each in found]))
    assert share[0] < 0.05
    assert share[0] < share[1] < share[2]
    assert share[2] > 0.9


def test_a_juvenile_is_explained_by_size():
    """A member of a known taxon at a size far out on its growth line: size explains it.

    Planted: strong growth, query five standard deviations smaller than the known ones.
    """
    rng, found = np.random.default_rng(950), []
    taxon = np.repeat(["0", "1"], 14)
    for _ in range(100):
        size = np.append(0.3 * rng.normal(size=28), -1.5)
        growth = rng.normal(size=10)
        growth /= np.linalg.norm(growth)
        Y = np.outer(size, growth) + 0.05 * rng.normal(size=(29, 10))
        Y[:-1, 0] += 2 * (taxon == "1")
        shapes = Shapes(Y[:-1], size[:-1], taxon), Shapes(Y[-1:], size[-1:], np.array([""]))
        found.append(judge(*shapes, Rules(0.05, 5, None, 1)))
    assert np.mean([each.decisions[0][False].verdict == "outside" for each in found]) > 0.8
    verdicts = [each.verdicts[0] for each in found]
    assert np.mean([verdict.verdict == "inside" for verdict in verdicts]) > 0.9
    assert {verdict.taxon for verdict in verdicts if verdict.verdict == "inside"} == {"0"}
