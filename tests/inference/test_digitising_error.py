"""Digitising error: planted noise and habits are found, and what cannot be told is said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.inference.data.digitising_error import _within_groups, digitising_error
from morpho.inference.models.design import InferenceError
from morpho.shape.superimposition import GeneralizedProcrustes

K = 15


def study(rng, n=14, twice=2, observers=("A", "B"), noise=0.05, habit=0.0, spread=0.4, apart=0.0):
    """Bones of about 20 mm, each digitised `twice` by each observer in one pose."""
    mean = 6 * rng.normal(size=(K, 3))
    true = mean + spread * rng.normal(size=(n, K, 3))
    true[n // 2 :] += apart * rng.normal(size=(K, 3))
    turns = Rotation.random(n, rng=rng).as_matrix()
    rows, specimens, who = [], [], []
    for i in range(n):
        for observer in observers:
            for _ in range(twice):
                x = true[i] + noise * rng.normal(size=(K, 3))
                if observer == observers[-1]:
                    x[4] += [habit, 0, 0]
                rows.append(x @ turns[i] + 40)
                specimens.append(f"S{i:02d}")
                who.append(observer)
    return np.array(rows), np.array(specimens), np.array(who)


def test_noise_and_habit_are_found_in_mm(rng):
    X, specimens, who = study(rng, noise=0.05, habit=0.3)
    found = digitising_error(X, specimens, who, permutations=199, random_state=0)
    table = found.landmarks.set_index("landmark")
    others = table.drop("4")
    assert others["error_mm"].mean() == pytest.approx(0.05 * np.sqrt(3), rel=0.1)
    assert table.loc["4", "observer_difference_mm"] == pytest.approx(0.3, abs=0.05)
    assert others["observer_difference_mm"].max() < 0.08
    assert table.loc["4", "error_mm"] > 1.4 * others["error_mm"].max()
    # noise over noise and true spread, at one landmark
    share = 0.05**2 / (0.05**2 + 0.4**2)
    assert others["share_of_within_taxon_variance"].mean() == pytest.approx(share, rel=0.25)
    anova = found.anova.set_index("source")
    assert anova.loc["observer", "p_value"] == pytest.approx(0.005)
    assert anova.loc["specimen", "p_value"] == pytest.approx(0.005)
    assert anova.loc["observer by specimen", "p_value"] > 0.05
    assert found.notes == ()


def test_the_table_adds_up(rng):
    X, specimens, who = study(rng, n=6)
    found = digitising_error(X, specimens, who, permutations=0)
    anova = found.anova.set_index("source")
    parts = ["specimen", "observer", "observer by specimen", "error"]
    assert anova.index.tolist() == [*parts, "total"]
    aligned = GeneralizedProcrustes().fit_transform(X)
    total = ((aligned - aligned.mean(axis=0)) ** 2).sum()
    assert anova.loc["total", "sum_of_squares"] == pytest.approx(total)
    assert anova.loc[parts, "sum_of_squares"].sum() == pytest.approx(total)
    assert anova.loc[parts, "share_of_variance"].sum() == pytest.approx(1)
    # 3 x 15 - 7 = 38 dimensions; 6 specimens, 2 observers, 24 digitisations
    assert anova["degrees_of_freedom"].tolist() == [5 * 38, 38, 5 * 38, 12 * 38, 23 * 38]
    mean = anova["mean_square"]
    assert anova.loc["observer", "f_ratio"] == pytest.approx(
        mean["observer"] / mean["observer by specimen"]
    )
    assert anova.loc["specimen", "f_ratio"] == pytest.approx(mean["specimen"] / mean["error"])
    assert anova["p_value"].isna().all()


def test_repeatability_within_taxa_is_the_harder_one(rng):
    X, specimens, who = study(rng, n=10, apart=1.5)
    taxa = np.repeat(["coast", "marsh"], 20)
    found = digitising_error(X, specimens, who, taxa, permutations=0)
    assert found.repeatability_within_taxa.value < found.repeatability.value
    assert found.repeatability.low < found.repeatability.value < found.repeatability.high


def test_names_are_those_given(rng):
    X, specimens, _ = study(rng, n=4)
    names = [f"mark_{j}" for j in range(K)]
    found = digitising_error(X, specimens, names=names, permutations=0)
    assert found.landmarks["landmark"].tolist() == names
    with pytest.raises(InferenceError, match="2 names for 15 landmarks"):
        digitising_error(X, specimens, names=["a", "b"])


def test_specimens_digitised_once_take_part(rng):
    X, specimens, who = study(rng, n=8)
    keep = (specimens < "S04") | np.r_[True, specimens[1:] != specimens[:-1]]
    found = digitising_error(X[keep], specimens[keep], who[keep], permutations=0)
    assert found.repeatability.specimens == 8
    assert found.repeatability.digitisations == 20
    assert 1 < found.repeatability.replicates < 4


@pytest.mark.parametrize(
    ("case", "sources", "said"),
    [
        ("one", ["specimen", "error", "total"], "one_observer"),
        ("apart", ["specimen", "error", "total"], "observers_apart"),
        ("single", ["specimen", "observer", "error", "total"], "observers_once"),
        ("joined", ["specimen", "observer", "error", "total"], "one_specimen_joins"),
    ],
)
def test_what_the_design_does_not_tell_is_said(rng, case, sources, said):
    X, specimens, who = study(rng, n=6, twice=1 if case == "single" else 2)
    if case == "one":
        who = np.full(len(who), "A")
    elif case == "apart":
        who = np.where(specimens < "S03", "A", "B")
    elif case == "joined":
        who = np.where(specimens < "S03", "A", "B")
        who[8:10] = "B"
        who[10:12] = "A"  # the third specimen by both
    found = digitising_error(X, specimens, who, permutations=0)
    assert found.anova["source"].tolist() == sources
    assert said in found.notes
    if case in ("one", "apart"):
        assert found.landmarks["observer_difference_mm"].isna().all()


def test_taxa_of_one_specimen_each(rng):
    X, specimens, who = study(rng, n=4)
    found = digitising_error(X, specimens, who, specimens, permutations=0)
    assert found.repeatability_within_taxa is None
    assert "no_variation_within" in found.notes


def test_what_is_refused(rng):
    X, specimens, who = study(rng, n=4)
    first = np.r_[True, specimens[1:] != specimens[:-1]]
    with pytest.raises(InferenceError, match="No specimen was digitised twice"):
        digitising_error(X[first], specimens[first])
    with pytest.raises(InferenceError, match="there is one specimen"):
        digitising_error(X[:4], specimens[:4])
    with pytest.raises(InferenceError, match="copies of one digitisation"):
        digitising_error(np.repeat(X[first], 2, axis=0), np.repeat(specimens[first], 2))
    with pytest.raises(InferenceError, match=r"observers of shape \(3,\) for 16"):
        digitising_error(X, specimens, who[:3])
    X[2, 3] = np.nan
    with pytest.raises(ValueError, match=r"missing .* specimens \[2\]"):
        digitising_error(X, specimens)


def test_observers_are_exchanged_only_within_specimens(rng):
    codes = np.array([2, 0, 1, 0, 2, 2, 1])
    orders = rng.permuted(np.tile(np.arange(7), (500, 1)), axis=1)
    moved = _within_groups(orders, codes)
    assert (np.sort(moved, axis=1) == np.arange(7)).all()
    assert (codes[moved] == codes).all()
    np.testing.assert_array_equal(_within_groups(np.arange(7)[None], codes), np.arange(7)[None])
    # all 3! 2! 2! rearrangements come up
    assert len(np.unique(moved, axis=0)) == 24


@pytest.mark.long
def test_the_test_of_observers_holds_its_level():
    rng = np.random.default_rng(11)
    p = []
    for _ in range(300):
        X, specimens, who = study(rng, n=5)
        table = digitising_error(X, specimens, who, permutations=99, random_state=rng).anova
        p.append(table.set_index("source").loc["observer", "p_value"])
    rejected = int((np.array(p) <= 0.05).sum())
    assert 4 <= rejected <= 29  # binomial(300, 0.05), 99.9 %
