"""The verdict under other choices: every kind is tried, and what is fragile turns."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from morpho.inference.membership.judging import Rules, Shapes
from morpho.inference.membership.trajectories import trajectories
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.adequacy import adequacy_of_taxa, rarefy, specimens_to_decide
from morpho.inference.robustness.calibration import calibrate
from morpho.inference.robustness.reanalysis import Material, _with_slopes, analyse, frame_of
from morpho.inference.robustness.stability import (
    CHOICES,
    OWN_LANDMARKS,
    SUSPECTS,
    Doubts,
    digitised_again,
    stability_summary,
    turned,
    vary,
)

RULES = Rules(0.05, 5, None, 1)


def bones(rng, counts=(9, 8, 8), queries=1, k=6, apart=0.3, growth=0.3, spread=0.08, giant=None):
    """Taxa about means of their own that share one growth line; queries of the first taxon.

    Sizes are normal in logarithms; `giant` is that of the first query.
    """
    base, slope = rng.normal(size=(2, k, 3))
    X, taxon = [], []
    for g, count in enumerate(counts):
        form = base + apart * rng.normal(size=(k, 3))
        for i in range(count + (queries if g == 0 else 0)):
            s = rng.normal(0, 0.2)
            s = giant if giant is not None and (g, i) == (0, count) else s
            shape = form + growth * s * slope + spread * rng.normal(size=(k, 3))
            X.append(np.exp(3 + s) * shape)
            taxon.append("abcdef"[g] if i < count else "")
    taxon = np.array(taxon)
    return Material(np.array(X), taxon, taxon != "")


def names_of(material):
    return np.array([f"no. {i}" for i in range(len(material.taxon))])


def landmarks(k):
    return {f"point {i}": i for i in range(k)}


@pytest.fixture
def doubted(rng):
    """A study in which everything may be doubted."""
    material = bones(rng, queries=2)
    X = material.coordinates
    queries = np.flatnonzero(~material.known)
    doubts = Doubts(
        groups={"ridge": np.array([4, 5])},
        landmarks=landmarks(4),
        draws=X[[2, queries[0]]] + 0.2 * rng.normal(size=(3, 2, 6, 3)),
        incomplete=np.array([2, queries[0]]),
        again=digitised_again(X[queries], np.full(6, 0.1), 4, rng),
        distorted={5: X[5] * [1, 1, 1.3]},
    )
    return material, doubts


# ---------------------------------------------------------------- what is tried


def test_as_analysed_is_the_procedure_itself(doubted):
    material, doubts = doubted
    known = material.known
    frame = frame_of(material)
    shapes = Shapes(frame.tangent[known], frame.log_size[known], material.taxon[known])
    rules = _with_slopes(shapes, RULES)
    found = analyse(material, RULES)
    table = vary(material, names_of(material), rules, doubts)
    base = table[table["choice"] == "as analysed"]
    assert base.index.tolist() == [0, 1]
    assert base["specimen"].tolist() == names_of(material)[~known].tolist()
    assert base["verdict"].tolist() == [v.verdict for v in found.verdicts]
    assert base["ground"].tolist() == [v.ground for v in found.verdicts]
    for heeded, key in ((False, "p_value_as_it_is"), (True, "p_value_size_heeded")):
        expected = found.evidence[heeded].p_value.max(axis=1)
        np.testing.assert_allclose(base[key], expected, rtol=1e-6)


def test_every_doubt_is_tried_and_no_other(doubted):
    material, doubts = doubted
    table = vary(material, names_of(material), RULES, doubts)
    assert set(table["choice"]) <= set(CHOICES)
    one = table[table["specimen"] == "no. 9"]
    settings = one.groupby("choice")["setting"].apply(list)
    assert settings["size"] == ["size not heeded", "size heeded"]
    assert settings["landmark left out"] == [f"point {i}" for i in range(4)]
    assert settings["semilandmarks left out"] == ["ridge"]
    known = names_of(material)[material.known].tolist()
    assert settings["specimen left out"] == known
    assert settings["estimated landmarks"] == ["draw 1", "draw 2", "draw 3"]
    assert settings["digitising error"] == [f"draw {i}" for i in range(1, 5)]
    assert settings["distortion"] == ["no. 5 as it was dug up"]
    bare = vary(material, names_of(material), RULES, Doubts())
    assert set(bare["choice"]) - {"growth not extrapolated"} == {
        "as analysed", "size", "specimen left out",
    }  # fmt: skip


def test_each_setting_is_an_analysis_by_hand(doubted):
    """The material changed by hand, and the whole procedure on it."""
    material, doubts = doubted
    X, known = material.coordinates, material.known
    table = vary(material, names_of(material), RULES, doubts)
    table = table[table["specimen"] == "no. 9"].set_index(["choice", "setting"])

    def other(coordinates):
        return replace(material, coordinates=coordinates)

    drawn, again, before = X.copy(), X.copy(), X.copy()
    drawn[doubts.incomplete] = doubts.draws[1]
    again[~known] = doubts.again[2]
    before[5] = doubts.distorted[5]
    rest = np.arange(len(X)) != 3
    cases = {
        ("landmark left out", "point 2"): (other(np.delete(X, 2, axis=1)), RULES),
        ("semilandmarks left out", "ridge"): (other(X[:, :4]), RULES),
        ("specimen left out", "no. 3"): (
            Material(X[rest], material.taxon[rest], known[rest]), RULES
        ),
        ("estimated landmarks", "draw 2"): (other(drawn), RULES),
        ("digitising error", "draw 3"): (other(again), RULES),
        ("distortion", "no. 5 as it was dug up"): (other(before), RULES),
    }  # fmt: skip
    for setting, (changed, rules) in cases.items():
        found = analyse(changed, rules)
        row = table.loc[setting]
        assert row["verdict"] == found.verdicts[0].verdict, setting
        p = found.evidence[True].p_value[0].max()
        assert row["p_value_size_heeded"] == pytest.approx(p, rel=1e-6), setting


def test_each_way_of_regarding_size_is_told(rng):
    material = bones(rng, queries=3)
    found = analyse(material, RULES, test_slopes=False)
    table = vary(material, names_of(material), RULES, Doubts())
    for i, name in enumerate(names_of(material)[~material.known]):
        rows = table[(table["specimen"] == name) & (table["choice"] == "size")]
        told = dict(zip(rows["setting"], rows["verdict"], strict=True))
        assert told == {
            "size not heeded": found.decisions[i][False].verdict,
            "size heeded": found.decisions[i][True].verdict,
        }


def test_growth_is_held_at_measured_sizes_for_those_beyond(rng):
    """A giant far beyond the largest size measured: its place is another at that size."""
    material = bones(rng, queries=2, growth=1.0, giant=0.9)
    table = vary(material, names_of(material), RULES, Doubts())
    rows = table[table["choice"] == "growth not extrapolated"]
    assert "no. 9" in rows["specimen"].tolist()
    beyond = analyse(material, RULES, test_slopes=False).evidence[True].beyond_sizes.any(axis=1)
    assert rows["specimen"].tolist() == names_of(material)[~material.known][beyond].tolist()
    assert rows["setting"].iloc[0] == "at the nearest measured sizes"
    held = analyse(material, replace(RULES, within_sizes=True), test_slopes=False)
    free = analyse(material, RULES, test_slopes=False)
    away = [each.evidence[True].procrustes_distance[0, 0] for each in (free, held)]
    assert away[0] != pytest.approx(away[1], rel=0.5)
    p = rows["p_value_size_heeded"].iloc[0]
    assert p == pytest.approx(held.evidence[True].p_value[0].max())


def test_partners_are_left_out_together(rng):
    """Pairs are tried once, under both names; a midline landmark alone."""
    material = replace(bones(rng), partners=np.array([1, 0, 2, 4, 3, 5]))
    names = {"left": 0, "right": 1, "top": 2, "front left": 3, "front right": 4, "end": 5}
    table = vary(material, names_of(material), RULES, Doubts(landmarks=names))
    left_out = table[table["choice"] == "landmark left out"]
    assert left_out["setting"].tolist() == [
        "left and right", "top", "front left and front right", "end",
    ]  # fmt: skip
    found = analyse(material.without_points(np.array([0, 1])), RULES)
    p = found.evidence[False].p_value[0].max()
    assert left_out["p_value_as_it_is"].iloc[0] == pytest.approx(p)


def test_no_query_has_nothing_to_turn(rng):
    material = bones(rng, queries=0)
    table = vary(material, names_of(material), RULES, Doubts())
    assert table.empty
    assert stability_summary(table).empty


def test_progress_counts_settings(rng):
    told = []
    material = bones(rng, counts=(6, 6))
    vary(
        material, names_of(material), RULES, Doubts(landmarks=landmarks(6)),
        progress=lambda *done: told.append(done),
    )  # fmt: skip
    total = 6 + 12
    assert told == [(i, total) for i in range(1, total + 1)]


# ---------------------------------------------------------------- what turns


def planted(rng):
    """A member of the first taxon but for one landmark, which stands far off."""
    material = bones(rng, counts=(12, 12), growth=0, k=8)
    X = material.coordinates.copy()
    query = np.flatnonzero(~material.known)
    X[query, 3] += 0.5 * np.exp(3)
    return material.at(query, X[query])


def test_a_difference_of_one_landmark_turns_without_it_and_is_named(rng):
    material = planted(rng)
    table = vary(material, names_of(material), RULES, Doubts(landmarks=landmarks(8)))
    assert table["verdict"].iloc[0] == "outside"
    summary = stability_summary(table).set_index("choice")
    row = summary.loc["landmark left out"]
    assert row["turning_settings"] == "point 3"
    assert (row["settings"], row["holds"], row["inside"]) == (8, 7, 1)
    assert row["share_holds"] == pytest.approx(7 / 8)
    assert summary.loc["specimen left out", "share_holds"] == 1


def test_estimates_that_remove_the_difference_turn_it(rng):
    """Draws of the landmark that is off: some where it belongs, some where it stands."""
    material = planted(rng)
    query = np.flatnonzero(~material.known)
    mended = material.coordinates[query].copy()
    mended[0, 3] -= 0.5 * np.exp(3)
    draws = np.stack([mended, mended, material.coordinates[query]])
    doubts = Doubts(draws=draws, incomplete=query)
    summary = stability_summary(vary(material, names_of(material), RULES, doubts))
    row = summary.set_index("choice").loc["estimated landmarks"]
    assert (row["settings"], row["holds"], row["inside"]) == (3, 1, 2)
    assert row["turning_settings"] == "draw 1; draw 2"


def test_the_summary_counts():
    rows = [
        ("q", "as analysed", "", "outside", False),
        ("q", "digitising error", "draw 1", "outside", False),
        ("q", "digitising error", "draw 2", "undecided", True),
        ("q", "distortion", "x", "outside", False),
        ("p", "as analysed", "", "inside", False),
        ("p", "digitising error", "draw 1", "outside", True),
        ("p", "digitising error", "draw 2", "inside", False),
    ]
    table = pd.DataFrame(rows, columns=["specimen", "choice", "setting", "verdict", "turns"])
    summary = stability_summary(table)
    assert summary["specimen"].tolist() == ["p", "q", "q"]
    assert summary["choice"].tolist() == ["digitising error", "digitising error", "distortion"]
    assert summary["holds"].tolist() == [1, 1, 1]
    assert summary["share_holds"].tolist() == [0.5, 0.5, 1.0]
    assert summary["outside"].tolist() == [1, 1, 1]
    assert summary["undecided"].tolist() == [0, 1, 0]
    assert summary["turning_settings"].tolist() == ["draw 1", "draw 2", ""]


@pytest.mark.parametrize(
    ("base", "other", "turns"),
    [
        (("inside", ["a"]), ("inside", ["a"]), False),
        (("inside", ["a", "b"]), ("inside", ["b", "c"]), False),
        (("inside", ["a"]), ("inside", ["b"]), True),
        (("inside", ["a"]), ("inside", ["a b"]), True),
        (("inside", ["a"]), ("outside", []), True),
        (("inside", ["a"]), ("undecided", []), True),
        (("outside", []), ("outside", []), False),
        (("outside", []), ("inside", ["a"]), True),
        (("undecided", []), ("undecided", []), False),
    ],
)
def test_inside_of_another_taxon_is_another_verdict(base, other, turns):
    """Unless one of the taxa that kept the query keeps it still."""
    as_analysed, row = (dict(zip(["verdict", "kept"], one, strict=True)) for one in (base, other))
    assert turned(row, as_analysed) == turns
    assert not turned(as_analysed, as_analysed)


def test_who_keeps_a_query_is_told(rng):
    """As the decisions have it: of both ways together, and of each way alone."""
    material = bones(rng, apart=0.02, queries=2)
    found = analyse(material, RULES, test_slopes=False)
    table = vary(material, names_of(material), RULES, Doubts())
    assert any(len(verdict.kept) > 1 for verdict in found.verdicts)
    base = table[table["choice"] == "as analysed"]
    assert base["kept_by"].tolist() == ["; ".join(v.kept) for v in found.verdicts]
    alone = table[table["setting"] == "size not heeded"]
    assert alone["kept_by"].tolist() == ["; ".join(pair[False].kept) for pair in found.decisions]


# ---------------------------------------------------------------- suspects


def suspected(material, **who):
    """Doubts on known specimens, by who is left out."""
    kept = np.arange(len(material.known))
    return Doubts(
        without={name: material.of(np.delete(kept, places)) for name, places in who.items()}
    )


def test_suspects_are_left_out_as_the_material_has_it(doubted):
    """Where nothing is left to judge by, nobody is judged."""
    material, doubts = doubted
    without = suspected(material, one=[3], all=[3, 7]).without | {"too many": None}
    table = vary(material, names_of(material), RULES, replace(doubts, without=without))
    rows = table[(table["choice"] == SUSPECTS) & (table["specimen"] == "no. 9")]
    assert rows["setting"].tolist() == ["one", "all", "too many"]
    p = rows["p_value_size_heeded"].tolist()
    assert np.isnan(p[2])
    assert rows["ground"].tolist()[2] == "no_model"
    by_hand = analyse(without["all"], RULES)
    assert p[1] == pytest.approx(by_hand.evidence[True].p_value[0].max())
    same = table[(table["choice"] == "specimen left out") & (table["setting"] == "no. 3")]
    assert p[0] == same["p_value_size_heeded"].iloc[0]


def test_suspected_landmarks_of_a_query_are_left_out_together_and_for_it_alone(rng):
    """Two landmarks off, of which either alone keeps the query outside."""
    material = bones(rng, counts=(12, 12), growth=0, k=8, queries=2)
    X, query = material.coordinates.copy(), int(np.flatnonzero(~material.known)[0])
    X[query, [3, 6]] += [[20, 20, -20], [20, -20, 20]]
    material = replace(material, coordinates=X)
    doubts = Doubts(landmarks=landmarks(8), own_landmarks={query: np.array([3, 6])})
    told = []
    table = vary(
        material, names_of(material), RULES, doubts, progress=lambda *done: told.append(done)
    )
    own = table[table["choice"] == SUSPECTS]
    assert own["setting"].tolist() == [OWN_LANDMARKS]
    assert own["specimen"].tolist() == [names_of(material)[query]]
    assert own["verdict"].tolist() == ["inside"]
    each = table[(table["choice"] == "landmark left out") & (table["specimen"] == "no. 12")]
    assert set(each["verdict"]) == {"outside"}
    assert own["turns"].tolist() == [True] == own["suspected"].tolist()
    assert each.loc[each["suspected"], "setting"].tolist() == ["point 3", "point 6"]
    assert table.loc[table["suspected"], "specimen"].unique().tolist() == own["specimen"].tolist()
    assert told[-1][0] == told[-1][1] == len(told)


def test_a_landmark_is_suspected_with_its_partner(rng):
    """It is left out with its partner, so that the setting leaves out what is suspected."""
    material = bones(rng, counts=(12, 12), k=8)
    material = replace(material, partners=np.array([1, 0, 3, 2, 4, 5, 6, 7]))
    query = int(np.flatnonzero(~material.known)[0])
    for point, setting in ((0, "point 0 and point 1"), (3, "point 2 and point 3"), (5, "point 5")):
        doubts = Doubts(landmarks=landmarks(8), own_landmarks={query: np.array([point])})
        table = vary(material, names_of(material), RULES, doubts)
        single = table[table["choice"] == "landmark left out"]
        assert len(single) == 6
        assert single.loc[single["suspected"], "setting"].tolist() == [setting]


def test_outside_of_the_taxa_left_is_not_outside_of_all():
    """All of one taxon suspected: without it nobody is told outside."""
    material = planted(np.random.default_rng(2))
    names, second = names_of(material), np.flatnonzero(material.taxon == "b")
    table = vary(material, names, RULES, suspected(material, some=second[:-7], all=second))
    rows = table[table["choice"].isin(["as analysed", SUSPECTS])]
    assert rows["verdict"].tolist() == ["outside", "outside", "undecided"]
    assert rows["ground"].tolist()[2] == "taxon_lost"
    assert stability_summary(table).set_index("choice").loc[SUSPECTS, "turning_settings"] == "all"


def test_inside_of_a_taxon_that_suspects_make_too_small_is_few_specimens():
    """Said, not crashed; the same where hardly anybody is left."""
    material = bones(np.random.default_rng(4), counts=(8, 8))
    first = np.flatnonzero(material.taxon == "a")
    known = np.flatnonzero(material.known)
    doubts = suspected(material, some=first[:-4], most=known[:-3], every=known)
    table = vary(material, names_of(material), RULES, doubts)
    rows = table[table["choice"].isin(["as analysed", SUSPECTS])]
    assert rows["verdict"].tolist() == ["inside", "undecided", "undecided", "undecided"]
    assert rows["ground"].tolist()[1:] == ["few_specimens", "few_specimens", "no_model"]


# ---------------------------------------------------------------- digitised again


def test_digitised_again_is_as_far_off_as_stated(rng):
    X = rng.normal(size=(3, 5, 3))
    error = np.array([0.1, 0.5, 0.0, 2.0, 0.3])
    again = digitised_again(X, error, 4000, rng)
    assert again.shape == (4000, 3, 5, 3)
    away = again - X
    rms = np.sqrt((away**2).sum(axis=3).mean(axis=(0, 1)))
    np.testing.assert_allclose(rms, [0.1, 0.5, 0, 2.0, 0.3], rtol=0.03)
    # alike in all directions, and without drift
    spread = away[:, :, 3].reshape(-1, 3)
    np.testing.assert_allclose(np.cov(spread.T), np.eye(3) * 4 / 3, atol=0.1)
    assert np.abs(spread.mean(axis=0)).max() < 0.06


def test_digitised_again_needs_an_error(rng):
    with pytest.raises(InferenceError, match="digitising error is not known"):
        digitised_again(np.zeros((1, 3, 3)), [0.1, np.nan, 0.1], 2, rng)


def test_digitised_again_is_the_same_for_the_same_seed():
    X = np.zeros((1, 4, 3))
    one, two = (digitised_again(X, np.ones(4), 2, np.random.default_rng(3)) for _ in range(2))
    np.testing.assert_array_equal(one, two)


# ---------------------------------------------------------------- bad input


def hard(case, rng):
    """Samples that the issue names, and what is asked of each."""
    counts = {
        "one taxon": (9,), "a taxon of one": (9, 8, 1), "a taxon of two": (9, 8, 2),
        "all too small": (3, 2), "one of each": (1, 1),
    }.get(case, (8, 7))  # fmt: skip
    material = bones(rng, counts=counts, k=40 if case == "p above n" else 6)
    X = material.coordinates.copy()
    query = np.flatnonzero(~material.known)
    if case == "one size":
        X -= X.mean(axis=1, keepdims=True)
        X *= 20 / np.linalg.norm(X, axis=(1, 2), keepdims=True)
    if case == "query identical":
        X[query] = X[0]
    if case == "duplicates":
        X[1:4] = X[0]
    if case == "a taxon of duplicates":
        X[material.taxon == "b"] = X[-1]
    if case == "constant landmark":
        X[:, 0] = [3.0, 4.0, 5.0]
    if case == "two landmarks at one place":
        X[:, 0] = X[:, 1]
    if case == "three landmarks":
        X = X[:, :3]
    return replace(material, coordinates=X)


CASES = (
    "one taxon", "a taxon of one", "a taxon of two", "all too small", "one of each", "one size",
    "query identical", "p above n", "duplicates", "a taxon of duplicates", "constant landmark",
    "two landmarks at one place", "three landmarks",
)  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_poor_samples_have_a_sensible_answer_and_no_warning(case):
    """The query is a member of the first taxon: never is it told outside."""
    rng = np.random.default_rng(11)
    material = hard(case, rng)
    names, known = names_of(material), material.known
    count = material.coordinates.shape[1]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        frame = frame_of(material)
        found = analyse(material, RULES)
        folds = calibrate(material, names, RULES)
        table = vary(material, names, RULES, Doubts(landmarks=landmarks(min(count, 6))))
        shapes = [
            Shapes(frame.tangent[which], frame.log_size[which], material.taxon[which])
            for which in (known, ~known)
        ]
        lines = trajectories(
            found, *shapes, names[~known].tolist(), stages=np.array([""] * known.sum()),
            query_stages=["adult"],
        )  # fmt: skip
        needed = specimens_to_decide(
            *shapes, names[~known].tolist(), RULES, added=(0, 4), simulations=2, rng=rng
        )
        residuals = found.models[max(found.models)].residuals if found.models else None
        if residuals is not None:
            rarefy(residuals, shapes[0].taxon, repeats=5, rng=rng)
            adequate = adequacy_of_taxa(shapes[0], residuals, 0.05)
            assert adequate["specimens"].sum() == known.sum()
    verdicts = {v.verdict for v in found.verdicts}
    assert "outside" not in verdicts
    base = table[table["choice"] == "as analysed"]
    assert set(base["verdict"]) <= {"inside", "undecided"}
    own = folds[folds["left_out"] == "specimen"]
    assert (own["verdict"] == "outside").mean() < 0.2 or own.empty
    if case == "one of each":
        assert found.trouble
        assert base["ground"].tolist() == ["no_model"]
        assert needed.empty
        assert lines.empty
        return
    assert verdicts == {"undecided" if case == "all too small" else "inside"}
    if case == "one size":
        assert lines.empty
        assert True not in found.evidence
        assert {way: error.code for way, error in found.trouble.items()} == {True: "one_size"}
    else:
        assert len(lines) == len(set(material.taxon)) - 1
    if case == "query identical":
        # its twin lies as far out, so that it is never beyond all members
        assert lines["members_as_far"].iloc[0] >= 1
    if case == "all too small":
        assert found.verdicts[0].ground == "few_specimens"
    if case == "three landmarks":
        left_out = table[table["choice"] == "landmark left out"]
        assert (left_out["ground"] == "no_model").all()


@pytest.mark.parametrize("counts", [(7, 7), (14,)])
def test_turned_copies_of_one_bone_are_no_sample(counts):
    """Copies in other poses differ by rounding, by which nothing can be judged."""
    rng = np.random.default_rng(8)
    material = bones(rng, counts=counts, spread=0, growth=0)
    X = material.coordinates
    X = X @ Rotation.random(len(X), rng=rng).as_matrix() + rng.normal(size=(len(X), 1, 3))
    found = analyse(replace(material, coordinates=X), RULES)
    assert found.verdicts == []
    assert found.trouble[False].code == "same_shapes"
