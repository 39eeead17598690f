"""Leaving out specimens and taxa: each fold by hand, false alarms, power, exact intervals."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from morpho.inference.membership.judging import Rules
from morpho.inference.robustness.calibration import calibrate, calibration_summary
from morpho.inference.robustness.reanalysis import Material, analyse

RULES = Rules(0.05, 5, None, 1)


def bones(rng, counts=(9, 8, 7), apart=0.3, k=6, queries=1, growth=0.3):
    """Taxa about means of their own that share one growth line."""
    base, slope = rng.normal(size=(2, k, 3))
    X, taxon = [], []
    for g, count in enumerate(counts):
        form = base + apart * rng.normal(size=(k, 3))
        for i in range(count + (queries if g == 0 else 0)):
            s = rng.normal(0, 0.2)
            X.append(np.exp(3 + s) * (form + growth * s * slope + 0.08 * rng.normal(size=(k, 3))))
            taxon.append("abcdef"[g] if i < count else "")
    taxon = np.array(taxon)
    return Material(np.array(X), taxon, taxon != "")


def names_of(material):
    return np.array([f"no. {i}" for i in range(len(material.taxon))])


# ---------------------------------------------------------------- folds


def folds(material) -> Iterator[tuple[str, np.ndarray]]:
    """Every known specimen, then every taxon, as yes and no."""
    places = np.flatnonzero(material.known)
    for place in places:
        yield "specimen", np.arange(len(material.taxon)) == place
    for taxon in np.unique(material.taxon[material.known]):
        yield "taxon", material.known & (material.taxon == taxon)


@pytest.mark.parametrize("growth", [0.3, 1.5])
def test_each_row_is_a_fold_by_hand(rng, growth):
    """The sample made anew without those left out, which come as its only queries."""
    material = bones(rng, counts=(6, 5, 5), apart=0.15, growth=growth)
    names = names_of(material)
    table = calibrate(material, names, RULES)
    done = 0
    for left_out, left in folds(material):
        rest = material.known & ~left
        part = Material(
            np.concatenate([material.coordinates[rest], material.coordinates[left]]),
            np.append(material.taxon[rest], [""] * left.sum()),
            np.arange(rest.sum() + left.sum()) < rest.sum(),
        )
        found = analyse(part, RULES)
        for i, place in enumerate(np.flatnonzero(left)):
            row = table.iloc[done]
            done += 1
            assert (row["left_out"], row["specimen"]) == (left_out, names[place])
            assert row["taxon"] == material.taxon[place]
            assert row["verdict"] == found.verdicts[i].verdict
            assert row["ground"] == found.verdicts[i].ground
            for heeded, key in ((False, "as_it_is"), (True, "size_heeded")):
                evidence = found.evidence[heeded]
                assert row[f"verdict_{key}"] == found.decisions[i][heeded].verdict
                own = evidence.p_value[i, evidence.taxa == material.taxon[place]]
                given = row[f"own_taxon_p_value_{key}"]
                assert given == pytest.approx(own[0], rel=1e-6) if len(own) else np.isnan(given)
            largest = max(e.p_value[i].max() for e in found.evidence.values())
            assert row["p_value"] == pytest.approx(largest, rel=1e-6)
            nearest = found.evidence[True].comparable_distance[i].argmin()
            assert row["nearest_taxon"] == found.evidence[True].taxa[nearest]
    assert done == len(table)
    assert len(set(table["verdict"])) > 1


def test_queries_have_no_say(rng):
    material = bones(rng, counts=(7, 6), queries=2)
    alone = material.of(material.known)
    names = names_of(material)
    other = calibrate(alone, names[material.known], RULES)
    pd.testing.assert_frame_equal(calibrate(material, names, RULES), other)


def test_progress_counts_folds(rng):
    told = []
    material = bones(rng, counts=(6, 5), queries=0)
    calibrate(material, names_of(material), RULES, progress=lambda *done: told.append(done))
    assert told == [(i, 13) for i in range(1, 14)]


# ---------------------------------------------------------------- hard samples


def test_one_taxon_is_not_left_out_whole(rng):
    material = bones(rng, counts=(8,))
    table = calibrate(material, names_of(material), RULES)
    assert table["left_out"].tolist() == ["specimen"] * 8
    assert set(calibration_summary(table, 0.05)["left_out"]) == {"specimen"}


def test_one_alone_in_its_taxon_is_left_out_with_its_taxon_only(rng):
    material = bones(rng, counts=(9, 1, 2))
    table = calibrate(material, names_of(material), RULES)
    alone = table[table["taxon"] == "b"]
    assert alone["left_out"].tolist() == ["taxon"]
    assert (table["left_out"] == "specimen").sum() == 11
    # two of a kind: the other is too few to be inside of
    pair = table[(table["taxon"] == "c") & (table["left_out"] == "specimen")]
    assert not (pair["verdict"] == "inside").any() or (pair["nearest_taxon"] == "a").all()


def test_a_rest_too_small_to_judge_by_leaves_undecided(rng):
    material = bones(rng, counts=(1, 1))
    table = calibrate(material, names_of(material), RULES)
    assert table["verdict"].tolist() == ["undecided"] * 2
    assert table["ground"].tolist() == ["no_model"] * 2
    summary = calibration_summary(table, 0.05)
    assert summary["undecided"].tolist() == [1, 1, 2]
    assert summary["own_taxon_rejects"].tolist() == [0, 0, 0]


def test_a_sample_of_one_has_nothing_to_leave_out(rng):
    material = bones(rng, counts=(1,))
    table = calibrate(material, names_of(material), RULES)
    assert table.empty
    assert "verdict" in table
    assert calibration_summary(table, 0.05).empty


@pytest.mark.parametrize("case", ["one size", "duplicates", "constant landmark", "wide"])
def test_poor_samples_are_judged_without_a_warning(rng, case):
    material = bones(rng, counts=(6, 5), k=40 if case == "wide" else 6, apart=0.6)
    X = material.coordinates.copy()
    if case == "one size":
        X -= X.mean(axis=1, keepdims=True)
        X *= 20 / np.linalg.norm(X, axis=(1, 2), keepdims=True)
    if case == "duplicates":
        X[1:4] = X[0]
    if case == "constant landmark":
        X[:, 0] = [3.0, 4.0, 5.0]
    material = material.at(np.arange(len(X)), X)
    table = calibrate(material, names_of(material), RULES)
    assert len(table) == 22
    assert set(table["verdict"]) <= {"outside", "inside", "undecided"}
    own = table.loc[table["left_out"] == "specimen", "verdict"]
    assert (own == "outside").sum() <= 1
    if case == "one size":
        assert (table["verdict_size_heeded"] == "").all()
        assert table["own_taxon_p_value_size_heeded"].isna().all()


# ---------------------------------------------------------------- the summary


def test_the_summary_counts():
    rows = [
        ("specimen", "a", "outside", 0.01, 0.2),
        ("specimen", "a", "inside", 0.5, np.nan),
        ("specimen", "b", "undecided", 0.3, 0.05),
        ("taxon", "a", "outside", np.nan, np.nan),
    ]
    keys = ["left_out", "taxon", "verdict"]
    own = ["own_taxon_p_value_as_it_is", "own_taxon_p_value_size_heeded"]
    summary = calibration_summary(pd.DataFrame(rows, columns=keys + own), 0.05)
    assert summary["taxon"].tolist() == ["a", "b", "all taxa", "a", "all taxa"]
    assert summary["specimens"].tolist() == [2, 1, 3, 1, 1]
    assert summary["outside"].tolist() == [1, 0, 1, 1, 1]
    assert summary["inside"].tolist() == [1, 0, 1, 0, 0]
    assert summary["undecided"].tolist() == [0, 1, 1, 0, 0]
    assert summary["own_taxon_rejects"].tolist() == [1, 1, 2, 0, 0]
    np.testing.assert_allclose(summary["share_outside"], [1 / 2, 0, 1 / 3, 1, 1])
    for row in summary.to_dict("records"):
        expected = proportion_confint(row["outside"], row["specimens"], method="beta")
        if (row["left_out"], row["taxon"]) == ("taxon", "all taxa"):
            expected = (np.nan, np.nan)
        np.testing.assert_allclose([row["interval_low"], row["interval_high"]], expected)


@pytest.mark.parametrize("counts", [(4, 0, 4), (9, 9, 9)])
def test_members_left_out_with_their_taxa_are_no_sample_of_new_taxa(counts):
    """Each taxon has its interval, all of them together have none: three taxa, however many
    members, tell next to nothing of a fourth."""
    rows = [
        ("taxon", taxon, "outside" if i < count else "inside", np.nan, np.nan)
        for taxon, count in zip("abc", counts, strict=True)
        for i in range(9)
    ]
    keys = ["left_out", "taxon", "verdict"]
    own = ["own_taxon_p_value_as_it_is", "own_taxon_p_value_size_heeded"]
    summary = calibration_summary(pd.DataFrame(rows, columns=keys + own), 0.05)
    ends = summary.set_index("taxon")[["interval_low", "interval_high"]]
    assert ends.loc["all taxa"].isna().all()
    assert ends.loc[list("abc")].notna().all(axis=None)
    assert summary["outside"].tolist() == [*counts, sum(counts)]


# ---------------------------------------------------------------- truth


def noticed(table):
    """How many members of a taxon left out whole were told outside the rest."""
    return int(((table["left_out"] == "taxon") & (table["verdict"] == "outside")).sum())


def test_taxa_far_apart_are_all_noticed(rng):
    """Without growth: no line is extrapolated, which would leave some undecided."""
    material = bones(rng, counts=(8, 8, 8), apart=1.0, growth=0)
    table = calibrate(material, names_of(material), RULES)
    summary = calibration_summary(table, 0.05).set_index(["left_out", "taxon"])
    assert summary.loc[("taxon", "all taxa"), "outside"] == 24 == noticed(table)
    assert summary.loc[("specimen", "all taxa"), "outside"] <= 3


@pytest.mark.parametrize(("apart", "least", "most"), [(1.0, 24, 24), (0.15, 0, 20)])
def test_beyond_measured_sizes_a_new_taxon_must_be_far_off(rng, apart, least, most):
    """Where growth lines differ, a rejection beyond measured sizes must stand at these too."""
    material = bones(rng, counts=(8, 8, 8), apart=apart, growth=1.5)
    table = calibrate(material, names_of(material), RULES)
    assert least <= noticed(table) <= most


def test_power_rises_with_the_distance_between_taxa():
    counts = []
    for apart in (0.0, 0.05, 0.15, 0.8):
        material = bones(np.random.default_rng(5), counts=(7, 7, 7), apart=apart, growth=0)
        counts.append(noticed(calibrate(material, names_of(material), RULES)))
    assert counts == sorted(counts)
    assert counts[0] <= 4
    assert counts[1] < counts[-1] == 21


@pytest.mark.long
@pytest.mark.parametrize("growth", [0.0, 0.5])
def test_false_alarms_stay_below_alpha(growth):
    """The share told outside, of all 18 folds of 50 studies of three normal taxa.

    Folds of one study are dependent, so that the error of the mean is that of means of studies:
    a true share above 8 % would be noticed.
    """
    rng = np.random.default_rng(int(10 * growth))
    shares = []
    for _ in range(50):
        material = bones(rng, counts=(6, 6, 6), growth=growth, queries=0, apart=0.2)
        table = calibrate(material, names_of(material), RULES)
        alarms = (table.loc[table["left_out"] == "specimen", "verdict"] == "outside").to_numpy()
        shares.append(alarms.mean())
    error = np.std(shares) / np.sqrt(len(shares))
    assert error < 0.01
    assert np.mean(shares) + 3.3 * error <= 0.08
