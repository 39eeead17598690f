"""Known taxa: distances by plain matrices, and each specimen left out by a fit without it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis
from scipy.special import softmax
from sklearn.covariance import ledoit_wolf_shrinkage
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.design import InferenceError
from morpho.inference.models.principal_axes import principal_axes

LABELS = np.array(list("aaaaabbbbbbcccc"))
WAYS = [(False, ()), (True, ()), (True, ("b",)), (True, ("a", "b", "c"))]
ways = pytest.mark.parametrize(("heeded", "own"), WAYS)
variables = pytest.mark.parametrize("m", [4, 40])


def sample(rng, m, labels=LABELS):
    """Taxa apart, each wider than the one before, with a growth line."""
    place = np.unique(labels, return_inverse=True)[1]
    size = rng.normal(size=len(labels))
    Y = rng.normal(size=(len(labels), m)) * np.geomspace(2, 0.3, m) * (1 + 0.5 * place)[:, None]
    return Y + 2.0 * place[:, None] + 0.5 * size[:, None], size


def design(labels, taxa, size, own):
    """Plain columns: a mean for each taxon; a slope for each of `own` and one for the others."""
    X = (labels[:, None] == taxa).astype(float)
    if size is None:
        return X
    shared = ~np.isin(taxa, own)
    slopes = [X[:, taxa == g] for g in own]
    slopes += [X[:, shared].sum(axis=1, keepdims=True)] if shared.any() else []
    return np.hstack([X, *(s * size[:, None] for s in slopes)])


class Plain:
    """The model by least squares and explicit inverses."""

    def __init__(self, Y, labels, size=None, own=(), weight=None, floor=None):
        self.taxa, self.size, self.own = np.unique(labels), size, own
        self.X = design(labels, self.taxa, size, own)
        self.fits = np.linalg.lstsq(self.X, Y, rcond=None)[0]
        self.rest = Y - self.X @ self.fits
        v = len(Y) - np.linalg.matrix_rank(self.X)
        S = self.rest.T @ self.rest / v
        if weight is None:
            weight = ledoit_wolf_shrinkage(self.rest, assume_centered=True)
            floor = max(weight, 1e-9) * np.trace(S) / Y.shape[1]
        self.weight, self.floor = weight, floor
        self.matrix = (1 - weight) * S + floor * np.eye(Y.shape[1])
        self.inner = np.linalg.pinv(self.X.T @ self.X)
        self.each = (self.rest**2).sum(axis=0) / v

    def held(self, query, size=None, excess=0.0):
        """Deviation, 1 + leverage, Mahalanobis distance and that by landmarks, of each taxon."""
        found = []
        for taxon in self.taxa:
            at = None if size is None else np.array([size])
            x = design(np.array([taxon]), self.taxa, at, self.own)[0]
            e, room = query - x @ self.fits, 1 + x @ self.inner @ x
            inverse = np.linalg.inv(room * self.matrix + excess * np.eye(len(e)))
            each = np.mean((e**2 / (room * self.each + excess)) ** 3) ** (1 / 6)
            far = mahalanobis(e, np.zeros(len(e)), inverse)
            found.append((np.linalg.norm(e), room, far, each))
        return np.array(found).T


def left_out_by_hand(Y, labels, size, own, i, query=None):
    """Specimen i held against a fit without it; the weight and the floor stay as they are."""
    whole = Plain(Y, labels, size, own)
    rest = np.arange(len(Y)) != i
    sizes = (None, None) if size is None else (size[rest], size[i])
    part = Plain(Y[rest], labels[rest], sizes[0], own, whole.weight, whole.floor)
    return part.taxa, part.held(Y[i] if query is None else query, sizes[1])


# ---------------------------------------------------------------- queries


@ways
@variables
def test_distances_of_queries_are_those_of_plain_matrices(rng, m, heeded, own):
    Y, size = sample(rng, m)
    sizes, queries = rng.normal(size=3) * 2, rng.normal(size=(3, m)) * 3
    known = KnownTaxa(Y, LABELS, size if heeded else None, own_slopes=own)
    plain = Plain(Y, LABELS, size if heeded else None, own)
    held = known.hold(queries, sizes if heeded else None)
    for q in range(3):
        norm, room, far, each = plain.held(queries[q], sizes[q] if heeded else None)
        np.testing.assert_allclose(held.procrustes[q], norm)
        np.testing.assert_allclose(held.comparable[q], norm / np.sqrt(room))
        np.testing.assert_allclose(held.mahalanobis[q], far, rtol=1e-7)
        np.testing.assert_allclose(held.landmarks[q], each, rtol=1e-7)
        relative = np.sqrt(far * each / known.own_distances.prod(axis=0))
        np.testing.assert_allclose(held.relative[q], relative, rtol=1e-7)
        by_taxon = known.predict(sizes[[q]] if heeded else None, 1)[0]
        np.testing.assert_allclose(np.linalg.norm(queries[q] - by_taxon, axis=1), norm)


@pytest.mark.parametrize("heeded", [False, True])
def test_a_query_with_more_error_is_expected_to_spread_by_so_much_more(rng, heeded):
    Y, size = sample(rng, 12)
    size, at = (size, np.zeros(3)) if heeded else (None, None)
    queries, excess = rng.normal(size=(3, 12)) * 3, np.array([0.0, 0.5, 4.0])
    known = KnownTaxa(Y, LABELS, size)
    plain = Plain(Y, LABELS, size)
    held = known.hold(queries, at, excess=excess)
    for q in range(3):
        _, _, far, each = plain.held(queries[q], 0.0 if heeded else None, excess[q])
        np.testing.assert_allclose(held.mahalanobis[q], far, rtol=1e-7)
        np.testing.assert_allclose(held.landmarks[q], each, rtol=1e-7)
    usual = known.hold(queries, at)
    np.testing.assert_allclose(held.mahalanobis[0], usual.mahalanobis[0], rtol=1e-7)
    assert (held.mahalanobis[1:] < usual.mahalanobis[1:]).all()
    np.testing.assert_array_equal(held.procrustes, usual.procrustes)


def test_growth_lines_are_read_off_at_the_nearest_measured_size(rng):
    Y, size = sample(rng, 5)
    known, queries = KnownTaxa(Y, LABELS, size, own_slopes=["a"]), rng.normal(size=(3, 5))
    at = np.array([-9.0, 0.0, 9.0])
    held = known.hold(queries, at, within_sizes=True)
    for g, taxon in enumerate("abc"):
        own = size[taxon == LABELS]
        nearest = known.hold(queries, np.clip(at, own.min(), own.max()))
        np.testing.assert_allclose(held.relative[:, g], nearest.relative[:, g])
    np.testing.assert_array_equal(held.beyond_sizes, [[True] * 3, [False] * 3, [True] * 3])
    assert (known.hold(queries, at).relative[[0, 2]] != held.relative[[0, 2]]).all()


def test_posterior_probabilities_are_those_of_discriminant_analysis(rng):
    """On two axes, with even prior probabilities."""
    labels = np.repeat(list("abc"), 5)
    Y, _ = sample(rng, 6, labels)
    axes, queries = principal_axes(Y, 2), rng.normal(size=(5, 6))
    lda = LinearDiscriminantAnalysis(solver="lsqr", priors=np.full(3, 1 / 3))
    lda.fit(Y @ axes, labels)
    # its covariance is by the number of specimens, ours by their degrees of freedom
    expected = softmax(12 / 15 * lda.decision_function(queries @ axes), axis=1)
    found = KnownTaxa(Y, labels, axes=axes).hold(queries).posterior
    np.testing.assert_allclose(found, expected, rtol=1e-6)


# ---------------------------------------------------------------- known specimens, left out


@ways
@variables
def test_leaving_out_in_closed_form_is_a_fit_without_the_specimen(rng, m, heeded, own):
    Y, size = sample(rng, m)
    size = size if heeded else None
    known = KnownTaxa(Y, LABELS, size, own_slopes=own)
    found, spread = known.left_out.distances, known.spread()
    for i in range(len(Y)):
        taxa, (norm, room, far, each) = left_out_by_hand(Y, LABELS, size, own, i)
        np.testing.assert_array_equal(taxa, known.taxa)
        np.testing.assert_allclose(found[0, i], far, rtol=1e-6)
        np.testing.assert_allclose(found[1, i], each, rtol=1e-6)
        mine = taxa == LABELS[i]
        assert spread[i] == pytest.approx((norm / np.sqrt(room))[mine][0])


def test_own_distances_are_means_with_one_of_average_spread_counted_in(rng):
    Y, _ = sample(rng, 7)
    known = KnownTaxa(Y, LABELS)
    far, place = known.left_out.distances, np.searchsorted(known.taxa, LABELS)
    scales = np.empty_like(far)
    for way, g in np.ndindex(2, 3):
        mine = far[way, np.arange(15), place]
        expected = np.append(mine[place == g], mine.mean()).mean()
        assert known.own_distances[way, g] == pytest.approx(expected)
        scales[way, :, g] = expected
        for i in np.flatnonzero(place == g):
            others = mine[(place == g) & (np.arange(15) != i)]
            scales[way, i, g] = np.append(others, mine.mean()).mean()
    np.testing.assert_allclose(known.left_out.relative, np.sqrt((far / scales).prod(axis=0)))


@ways
@variables
def test_a_moved_specimen_is_as_far_as_one_that_lies_there(rng, m, heeded, own):
    """Powers of both distances are polynomials of the length of the move."""
    Y, size = sample(rng, m)
    size = size if heeded else None
    known = KnownTaxa(Y, LABELS, size, own_slopes=own)
    who, moves = np.array([0, 7, 14]), rng.normal(size=(3, m))
    paths = known.left_out.moved(who, moves)
    for b, t in [(0, 0.3), (1, 2.0), (2, -1.0)]:
        i = who[b]
        both = left_out_by_hand(Y, LABELS, size, own, i, Y[i] + t * moves[b])[1][2:]
        for path, far, scale, power in zip(
            paths, both, known.left_out.scales[:, i], (2, 6), strict=True
        ):
            found = np.polynomial.polynomial.polyval(t, path[:, b])
            np.testing.assert_allclose(found, (far / scale) ** power, rtol=1e-6)


@pytest.mark.parametrize("labels", ["aaaaabbbbc", "aaaaaaaaaa", "abbbbbbbbb", "aabbccddee"])
@variables
def test_odd_samples_give_sound_distances(rng, labels, m):
    """A taxon of one, one taxon alone, all of two: whoever is alone is not left out."""
    labels = np.array(list(labels))
    Y, _ = sample(rng, m, labels)
    known = KnownTaxa(Y, labels)
    counts = {taxon: (labels == taxon).sum() for taxon in labels}
    several = np.array([counts[taxon] > 1 for taxon in labels])
    np.testing.assert_array_equal(known.left_out.judged, several)
    np.testing.assert_array_equal(np.isnan(known.spread()), ~several)
    assert np.isfinite(known.left_out.relative).all()
    held = known.hold(Y[:2] + 1)
    assert (np.isfinite(held.relative) & (held.relative > 0)).all()
    np.testing.assert_allclose(held.posterior.sum(axis=1), 1)
    # one alone is taken to spread as the others do on average
    far = known.left_out.distances[:, several]
    own = (labels[several, None] == known.taxa) * far
    expected = own.sum(axis=(1, 2)) / several.sum()
    for g in np.flatnonzero(known.counts == 1):
        np.testing.assert_allclose(known.own_distances[:, g], expected)


def test_three_specimens_are_the_fewest(rng):
    Y = rng.normal(size=(3, 8))
    known = KnownTaxa(Y, list("aaa"))
    assert known.degrees_of_freedom == 2
    for i in range(3):
        far = left_out_by_hand(Y, np.array(list("aaa")), None, (), i)[1][2]
        np.testing.assert_allclose(known.left_out.distances[0, i], far, rtol=1e-6)
    with pytest.raises(InferenceError, match="3 specimens in 2 taxa leave too little") as told:
        KnownTaxa(Y, list("aab"))
    assert told.value.code == "few_per_taxon"


def test_copies_of_a_specimen_are_counted_as_they_are(rng):
    """Some copies: sound. Nothing but copies, in one taxon or in each of two: refused."""
    Y, _ = sample(rng, 9)
    Y[1:4] = Y[0]
    known = KnownTaxa(Y, LABELS)
    assert np.isfinite(known.left_out.relative).all()
    assert np.isfinite(known.hold(Y[:1]).relative).all()
    for copies in (np.ones((6, 4)), np.repeat(rng.normal(size=(2, 40)), 3, axis=0)):
        with pytest.raises(InferenceError, match="shapes do not vary") as told:
            KnownTaxa(copies, list("aaabbb"))
        assert told.value.code == "same_shapes"


def test_a_query_on_a_mean_lies_nowhere_off_it(rng):
    Y, _ = sample(rng, 40)
    held = KnownTaxa(Y, LABELS).hold(Y[LABELS == "a"].mean(axis=0)[None])
    assert held.relative[0, 0] == pytest.approx(0, abs=1e-6)
    assert held.procrustes[0, 0] == pytest.approx(0, abs=1e-12)
    assert held.posterior[0].argmax() == 0


def test_queries_are_held_one_by_one(rng):
    Y, size = sample(rng, 6)
    known, queries, at = KnownTaxa(Y, LABELS, size), rng.normal(size=(4, 6)), rng.normal(size=4)
    together = known.hold(queries, at).relative
    for q in range(4):
        np.testing.assert_allclose(known.hold(queries[[q]], at[[q]]).relative[0], together[q])


# ---------------------------------------------------------------- bad input


def test_known_specimens_that_do_not_fit_together_are_refused(rng):
    Y, _ = sample(rng, 4)
    with pytest.raises(InferenceError, match=r"labels of shape \(4,\) for 15 specimens"):
        KnownTaxa(Y, LABELS[:4])
    with pytest.raises(InferenceError, match=r"`size` must have shape \(15,\)"):
        KnownTaxa(Y, LABELS, [1.0])
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        KnownTaxa(Y, LABELS, np.full(15, 2.2))
    with pytest.raises(InferenceError, match="missing"):
        KnownTaxa(np.where(Y > 2, np.nan, Y), LABELS)
    with pytest.raises(InferenceError, match="15 specimens in 15 taxa leave too little"):
        KnownTaxa(Y, np.arange(15))


def test_queries_that_do_not_fit_the_known_are_refused(rng):
    Y, size = sample(rng, 4)
    plain, heeding = KnownTaxa(Y, LABELS), KnownTaxa(Y, LABELS, size)
    for known, at in ((plain, size[:2]), (heeding, None)):
        with pytest.raises(InferenceError, match="given together or not at all"):
            known.hold(Y[:2], at)
    with pytest.raises(InferenceError, match=r"`size` must have shape \(2,\)"):
        heeding.hold(Y[:2], size[:1])
    with pytest.raises(InferenceError, match="`queries` holds missing"):
        plain.hold(Y[:2] * np.nan)
    for m in (1, 3, 5):
        with pytest.raises(InferenceError, match="`queries`"):
            plain.hold(np.zeros((2, m)))
