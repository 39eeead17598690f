"""Discriminants: known geometry, refusals, and folds that nothing leaks out of."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom
from sklearn.base import clone
from sklearn.exceptions import NotFittedError
from sklearn.model_selection import StratifiedKFold

from morpho.inference.models.design import InferenceError
from morpho.inference.taxa import discriminant
from morpho.inference.taxa.discriminant import CanonicalAxes, ShapeDiscriminant, cross_validate


def bones(n, groups, *, apart=0.0, spread=0.1, k=6, seed=0):
    """Bones of `groups` taxa whose first landmark differs by `apart`; log sizes with them."""
    rng = np.random.default_rng(seed)
    y = np.arange(n) % groups
    X = rng.normal(size=(k, 3)) + spread * rng.normal(size=(n, k, 3))
    X[:, 0] += apart * y[:, None] * [1.0, -0.5, 0.5]
    size = rng.normal(size=n)
    X[:, 1] += 0.1 * size[:, None]
    return X, np.array([f"taxon {i}" for i in y]), size


def test_canonical_axes_of_a_kite(rng):
    """Unit scatter within groups, means 6 apart along one axis and 2 along the other."""
    cross = np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
    means = np.array([[3.0, 0], [-3, 0], [0, 1], [0, -1]])
    X = (means[:, None] + cross).reshape(-1, 2)
    model = CanonicalAxes().fit(X, np.repeat(list("abcd"), 4))
    # within: 4 groups with squares 2 along each axis; between: 4 * 18 and 4 * 2
    np.testing.assert_allclose(model.ratios_, [72 / 8, 8 / 8])
    np.testing.assert_allclose(model.share_between_taxa_, [0.9, 0.1])
    np.testing.assert_allclose(model.axes_, np.eye(2) * np.sqrt(12 / 8), atol=1e-12)


def test_canonical_scores_have_unit_variance_within_groups(rng):
    y = np.repeat([0, 1, 2], [7, 9, 12])
    X = rng.normal(size=(28, 4)) + y[:, None] * [1, 0, 0.5, 0]
    scores = CanonicalAxes().fit_transform(X, y)
    rest = scores - np.array([scores[y == g].mean(axis=0) for g in range(3)])[y]
    np.testing.assert_allclose(rest.T @ rest / 25, np.eye(2), atol=1e-12)
    np.testing.assert_allclose(scores.mean(axis=0), 0, atol=1e-12)


def test_canonical_axes_refusals(rng):
    X = rng.normal(size=(6, 3))
    with pytest.raises(InferenceError, match="at least two groups"):
        CanonicalAxes().fit(X, ["a"] * 6)
    with pytest.raises(InferenceError, match=r"3 variables need.*there are 2"):
        CanonicalAxes().fit(X, list("abcdab"))
    X[:, 1] = 0
    with pytest.raises(InferenceError, match="do not vary within groups"):
        CanonicalAxes().fit(X, list("aaabbb"))
    with pytest.raises(NotFittedError, match="not fitted yet"):
        CanonicalAxes().transform(X)


def test_canonical_axes_want_a_label_for_each_specimen(rng):
    with pytest.raises(InferenceError, match="label"):
        CanonicalAxes().fit(rng.normal(size=(8, 2)), list("aaabbb"))


def test_canonical_axes_refuse_other_variables(rng):
    model = CanonicalAxes().fit(rng.normal(size=(8, 2)), list("aaaabbbb"))
    for width in (1, 3):
        with pytest.raises(InferenceError, match="variables"):
            model.transform(rng.normal(size=(4, width)))


def test_groups_with_the_same_mean_raise_no_warning(rng):
    half = rng.normal(size=(6, 2))
    model = CanonicalAxes().fit(np.vstack([half, half]), np.repeat(["a", "b"], 6))
    np.testing.assert_allclose(model.ratios_, 0, atol=1e-12)


def test_taxa_apart_are_told_apart():
    X, y, _ = bones(24, 3, apart=1.5, spread=0.05)
    result = cross_validate(ShapeDiscriminant(axes="share", share=0.99), X, y)
    np.testing.assert_array_equal(result.predicted, y)
    assert result.scores.shape == (24, 2)
    assert ((result.n_axes >= 1) & (result.n_axes <= 10)).all()


MODELS = [
    ShapeDiscriminant(axes="share", share=0.7, most=4),
    ShapeDiscriminant(axes="broken_stick", covariance="shrunken"),
    ShapeDiscriminant(axes="share", share=0.7, most=4, remove_size=True),
    ShapeDiscriminant(axes="parallel", random_state=3),
]


@pytest.mark.parametrize("model", MODELS)
def test_left_out_specimens_have_no_part_in_the_fit(model):
    """Predictions equal those of a plain loop that never shows the model the specimen."""
    X, y, size = bones(21, 3, apart=0.15)
    result = cross_validate(model, X, y, size)
    for i in range(len(y)):
        others = np.arange(len(y)) != i
        alone = clone(model).fit(X[others], y[others], size[others])
        scores = alone.scores(X[[i]], size[[i]])
        assert alone.classifier_.predict(scores)[0] == result.predicted[i]
        assert result.n_axes[i] == scores.shape[1]


@pytest.mark.parametrize("settings", [{}, {"covariance": "shrunken"}, {"remove_size": True}])
def test_a_left_out_specimen_cannot_move_what_it_is_judged_by(settings):
    """Make one specimen monstrous: the model it is judged by must stay as it was.

    Every model fitted in the folds is kept. In the fold without the specimen, mean shape,
    axes, slope and discriminants have to be the same to the last digit.
    """
    X, y, size = bones(15, 3, apart=0.15)
    monster, large = X.copy(), size.copy()
    monster[4] = np.random.default_rng(9).normal(size=X[4].shape) * 50
    large[4] = 9.0

    def models(configurations, sizes):
        fitted = []

        class Kept(ShapeDiscriminant):
            def fit(self, X, y, size=None):
                super().fit(X, y, size)
                fitted.append(self)
                return self

        cross_validate(Kept(axes="share", share=1.0, most=3, **settings), configurations, y, sizes)
        return fitted[1:]  # the first is that of all specimens

    first, second = models(X, size)[4], models(monster, large)[4]
    np.testing.assert_array_equal(first.superimposition_.mean_, second.superimposition_.mean_)
    np.testing.assert_array_equal(first.space_.components_, second.space_.components_)
    np.testing.assert_array_equal(first.canonical_.axes_, second.canonical_.axes_)
    np.testing.assert_array_equal(first.classifier_.means_, second.classifier_.means_)
    np.testing.assert_array_equal(first.classifier_.covariance_, second.classifier_.covariance_)
    if settings.get("remove_size"):
        np.testing.assert_array_equal(first.slope_.slope_, second.slope_.slope_)


def test_labels_given_at_random_are_guessed_no_better_than_by_chance():
    """Many variables, few specimens: with a leak the axes would fit the labels given."""
    right = total = 0
    fooled = 0
    for seed in range(12):
        X, y, _ = bones(24, 3, seed=seed, k=10)
        model = ShapeDiscriminant(axes="share", share=0.95, most=8)
        right += (cross_validate(model, X, y).predicted == y).sum()
        whole = clone(model).fit(X, y)
        fooled += (whole.classifier_.predict(whole.scores(X)) == y).sum()
        total += len(y)
    low, high = binom.ppf([0.001, 0.999], total, 1 / 3)
    assert low <= right <= high
    # the specimens of the fit itself would look far better: the test can see a leak
    assert fooled > high


def test_folds_leave_out_several_at_once():
    X, y, _ = bones(24, 3, apart=0.2)
    model = ShapeDiscriminant(axes="share", share=0.7, most=4)
    result = cross_validate(model, X, y, folds=4, random_state=5)
    expected = np.empty_like(y)
    for learn, left in StratifiedKFold(4, shuffle=True, random_state=5).split(X, y):
        part = clone(model).fit(X[learn], y[learn])
        expected[left] = part.classifier_.predict(part.scores(X[left]))
    np.testing.assert_array_equal(result.predicted, expected)
    again = cross_validate(model, X, y, folds=4, random_state=5)
    np.testing.assert_array_equal(result.scores, again.scores)


def test_order_of_specimens_does_not_matter():
    X, y, size = bones(18, 3, apart=0.3)
    model = ShapeDiscriminant(axes="share", share=0.7, most=4, remove_size=True)
    order = np.random.default_rng(0).permutation(18)
    straight = cross_validate(model, X, y, size)
    mixed = cross_validate(model, X[order], y[order], size[order])
    np.testing.assert_array_equal(straight.predicted[order], mixed.predicted)
    # scores too, up to the signs of the axes
    np.testing.assert_allclose(
        np.abs(straight.scores[order]), np.abs(mixed.scores), rtol=1e-5, atol=1e-6
    )


def test_cross_validated_scores_keep_the_axes_of_the_whole():
    """Taxa far apart: each specimen left out lies near its place in the whole model."""
    X, y, _ = bones(30, 3, apart=1.0, spread=0.05)
    model = ShapeDiscriminant(axes="share", share=0.6, most=3)
    whole = clone(model).fit(X, y)
    canonical = whole.canonical_.transform(whole.scores(X))
    result = cross_validate(model, X, y)
    spread = np.linalg.norm(canonical.max(axis=0) - canonical.min(axis=0))
    assert np.linalg.norm(result.scores - canonical, axis=1).max() < 0.2 * spread


def test_folds_may_keep_more_axes_than_the_whole(monkeypatch):
    """The number of axes is chosen anew in each fold; it need not be that of the whole."""
    X, y, _ = bones(24, 3, apart=0.3)
    real = discriminant.ShapeSpace

    class Uneven(real):
        def fit(self, X, y=None):
            super().fit(X, y)
            self.n_axes_ = 1 if len(X) == 24 else 3
            return self

    monkeypatch.setattr(discriminant, "ShapeSpace", Uneven)
    result = cross_validate(ShapeDiscriminant(axes="share"), X, y)
    assert (result.n_axes == 3).all()
    assert np.isfinite(result.scores).all()


def test_folds_may_keep_fewer_axes_than_the_whole(monkeypatch):
    X, y, _ = bones(24, 3, apart=0.3)
    real = discriminant.ShapeSpace

    class Uneven(real):
        def fit(self, X, y=None):
            super().fit(X, y)
            self.n_axes_ = 3 if len(X) == 24 else 1
            return self

    monkeypatch.setattr(discriminant, "ShapeSpace", Uneven)
    result = cross_validate(ShapeDiscriminant(axes="share"), X, y)
    assert result.scores.shape == (24, 2)
    assert np.isfinite(result.scores).all()


def test_the_classifier_goes_by_pooled_distances_with_equal_priors(rng):
    """Posterior probabilities from squared distances in the pooled covariance, N - G below.

    Groups of 20, 6 and 3 of unequal spread: weighing groups alike instead would show.
    """
    y = np.repeat(["many", "some", "few"], [20, 6, 3])
    spread = np.repeat([0.05, 0.1, 0.2], [20, 6, 3])[:, None, None]
    X = rng.normal(size=(6, 3)) + spread * rng.normal(size=(29, 6, 3))
    model = ShapeDiscriminant(axes="share", share=0.6, most=3).fit(X, y)
    scores = model.scores(X)
    groups = np.unique(y)
    means = np.array([scores[y == g].mean(axis=0) for g in groups])
    rest = scores - means[np.searchsorted(groups, y)]
    apart = scores[:, None] - means
    squared = np.einsum("ngi,ij,ngj->ng", apart, np.linalg.inv(rest.T @ rest / 26), apart)
    expected = np.exp(-squared / 2)
    expected /= expected.sum(axis=1, keepdims=True)
    assert model.classifier_.classes_.tolist() == groups.tolist()
    np.testing.assert_allclose(model.classifier_.predict_proba(scores), expected, atol=1e-10)


def test_axes_leave_room_for_the_specimens():
    """Many landmarks, few specimens: three degrees of freedom within groups for each axis."""
    X, y, _ = bones(12, 3, k=40)
    model = ShapeDiscriminant(axes="share", share=1.0, most=20).fit(X, y)
    assert model.space_.n_axes_ == 3


def test_refusals():
    X, y, size = bones(12, 3)
    with pytest.raises(InferenceError, match=r"`covariance` must be .*, but is 'own'"):
        ShapeDiscriminant(covariance="own").fit(X, y)
    with pytest.raises(InferenceError, match="only be removed where `size` is given"):
        ShapeDiscriminant(remove_size=True).fit(X, y)
    with pytest.raises(InferenceError, match="`size` is needed here too"):
        ShapeDiscriminant(remove_size=True, axes="share").fit(X, y, size).scores(X)
    with pytest.raises(InferenceError, match="at least two groups"):
        ShapeDiscriminant(axes="share").fit(X, ["a"] * 12)
    with pytest.raises(NotFittedError, match="not fitted yet"):
        ShapeDiscriminant().scores(X)


def test_cross_validation_refusals():
    X, y, _ = bones(12, 3)
    model = ShapeDiscriminant(axes="share")
    lonely = y.copy()
    lonely[0] = "alone"
    with pytest.raises(InferenceError, match="group with one specimen is empty"):
        cross_validate(model, X, lonely)
    with pytest.raises(InferenceError, match="smallest group has 4 specimens for 5 folds"):
        cross_validate(model, X, y, folds=5)


@pytest.mark.parametrize("covariance", ["pooled", "shrunken"])
@pytest.mark.filterwarnings("error")
def test_cross_validation_with_taxa_of_two(covariance):
    X, y, _ = bones(12, 3, apart=1.0, spread=0.05)
    y[:2] = "pair"
    model = ShapeDiscriminant(axes="share", most=2, covariance=covariance)
    result = cross_validate(model, X, y)
    assert set(result.predicted) <= set(y)
    assert np.isfinite(result.scores).all()


def test_the_model_given_is_not_changed():
    X, y, _ = bones(12, 3)
    model = ShapeDiscriminant(axes="share")
    cross_validate(model, X, y)
    assert not hasattr(model, "space_")


def test_clone_and_parameters():
    model = ShapeDiscriminant(axes="share", share=0.5, most=2, remove_size=True, random_state=1)
    assert clone(model).get_params() == {
        "axes": "share",
        "share": 0.5,
        "most": 2,
        "remove_size": True,
        "covariance": "pooled",
        "random_state": 1,
    }
