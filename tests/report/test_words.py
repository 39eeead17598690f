"""Sentences say what their numbers say, and no more."""

import inspect
import re
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from jinja2 import UndefinedError

from helpers import small_tables as small
from morpho.inference.membership import verdict
from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.report.words.trust import sample_words, trust_words
from morpho.report.words.verdict import _keeping_taxa, _reason_facts
from morpho.report.words.writing import as_plain, said
from morpho.results.analysed import Analysed
from morpho.results.tables import TABLES
from morpho.steps.judge import place
from morpho.wording import counted, number, p_value_words, p_words


class Keeper(NamedTuple):
    """A taxon that keeps a query."""

    taxon: str
    specimens: int
    distance: float
    p_value_as_it_is: float
    p_value_size_heeded: float
    keeps: bool
    keeps_as_it_is: bool


ROW = {
    "taxon": "the marsh kin",
    "alpha": 0.025,
    "specimens": 47,
    "known_ranked": 38,
    "by_ranks": True,
    "error_told_by": "others",
    "smallest": 6,
    "taxa": 3,
    "p_value_as_it_is": 0.1234,
    "p_value_size_heeded": 0.5678,
    "taxon_p_value_as_it_is": 0.0871,
    "taxon_p_value_size_heeded": 0.4321,
    "undecided_grounds": {False: "extrapolates"},
    "blocking": ["the marsh kin", "the reed kin"],
    "keepers": [Keeper("the marsh kin", 19, 1.432, 0.0871, 0.4321, True, True)],
    "beyond_sizes_of": "",
    "slopes_differ": False,
    "slopes_p_value": 0.0321,
    "imputations": 0,
    "imputations_outside": 0,
    "imputations_inside": 0,
    "imputations_undecided": 0,
    "within_error": False,
}
DRAWN = {
    "imputations": 20,
    "imputations_outside": 13,
    "imputations_inside": 0,
    "imputations_undecided": 7,
}
# Which facts of its row each ground's sentence tells.
TOLD = {
    "all_reject": {"alpha", "raw", "own"},
    "one_keeps": {"taxon", "alpha", "taxon's raw", "taxon's own", "distance"},
    "size_explains": {"taxon", "alpha", "raw", "taxon's raw", "taxon's own", "distance"},
    "size_hides": {"taxon", "alpha", "own", "taxon's raw", "taxon's own", "distance"},
    "error_unknown": {"taxon", "raw", "own"},
    "spread_unknown": {"taxon", "raw", "own"},
    "extrapolates": {"taxon", "raw", "own"},
    "few_specimens": {"taxon", "taxon's raw", "taxon's own"},
    "no_power": {"specimens"},
    "one_undecided": {"taxon", "raw", "own"},
    "imputation_turns": set(),
}
SHOWN = {
    "taxon": "the marsh kin", "alpha": "0.025", "raw": "0.123", "own": "0.568",
    "taxon's raw": "0.087", "taxon's own": "0.432", "specimens": "38", "distance": "1.43",
}  # fmt: skip
# Grounds that come of two decisions, as it is and at its own size.
OF_TWO = {"size_explains", "size_hides", "one_undecided"}


def ways_of(row):
    """The two decisions, of which those of `undecided_grounds` are undecided."""
    return [
        {
            "heeded": heeded,
            "ground": row["undecided_grounds"].get(heeded, "all_reject"),
            "verdict": "undecided" if heeded in row["undecided_grounds"] else "outside",
            "blocking": row["blocking"],
        }
        for heeded in (False, True)
    ]


def reason(facts):
    text = said("reason", facts["ground"], facts)
    return as_plain(f"{text} {said('reason', 'besides', facts)}")


def sentence(ground, **changed):
    drawn = DRAWN if ground == "imputation_turns" else {}
    row = ROW | drawn | {"ground": ground} | changed
    own = row["p_value_size_heeded"]
    return reason(row | {"sized": own == own, "ways": ways_of(row)})


@pytest.mark.parametrize("ground", TOLD)
def test_a_sentence_tells_the_facts_of_its_row(ground):
    """All that the ground rests on, and no number from anywhere else."""
    text = sentence(ground)
    assert {fact for fact, words in SHOWN.items() if words in text} == TOLD[ground]
    drawn = {"20", "13", "7"} if ground == "imputation_turns" else set()
    assert set(re.findall(r"\d+(?:\.\d+)?", text)) <= {*SHOWN.values(), *drawn}


@pytest.mark.parametrize("ground", TOLD)
def test_other_numbers_make_another_sentence(ground):
    """Nothing is written in where a number belongs."""
    other = {
        "taxon": "the coast kin", "alpha": 0.01, "known_ranked": 31, "p_value_as_it_is": 0.0004,
        "p_value_size_heeded": 0.9, "taxon_p_value_as_it_is": 0.077,
        "taxon_p_value_size_heeded": 0.8, "blocking": ["the coast kin"],
        "keepers": [Keeper("the coast kin", 7, 0.654, 0.077, 0.8, True, True)],
    }  # fmt: skip
    text = sentence(ground, **other)
    assert not any(words in text for words in SHOWN.values())
    told = {
        "raw": "below 0.001", "own": "0.900", "specimens": "31", "taxon's raw": "0.077",
        "taxon's own": "0.800", "distance": "0.654",
    }  # fmt: skip
    for fact, words in told.items():
        assert (words in text) == (fact in TOLD[ground])


@pytest.mark.parametrize(
    ("ground", "said"),
    [
        ("spread_unknown", "of Aus and Bus one specimen only is known"),
        ("extrapolates", "for Aus and Bus only where growth was not measured"),
        (
            "few_specimens",
            "too few specimens to judge by could keep it; the marsh kin has the largest p",
        ),
        ("no_power", "too few known specimens can be left out to say how far is far"),
    ],
)
def test_one_answer_that_is_undecided_says_why(ground, said):
    facts = {"undecided_grounds": {True: ground}, "blocking": ["Aus", "Bus"]}
    text = sentence("one_undecided", **facts)
    assert said in text
    assert "): at its own size, " in text


PROOF = "Not to be rejected is no proof that it belongs there."
BY = "Distances are those at its own size, by the mean one of the taxon's own specimens."


def test_an_error_that_is_not_known_says_whose_is():
    others = sentence("error_unknown")
    assert "nor any specimen by the same observer and scanner. Were its error twice" in others
    nobody = sentence("error_unknown", error_told_by="")
    assert "no specimen was digitised twice" in nobody
    assert "smaller than every known one" in nobody
    assert others.endswith("the marsh kin would keep it.")


@pytest.mark.parametrize("ground", sorted(set(TOLD) - {"no_power"}))
def test_p_values_that_are_no_ranks_say_so(ground):
    text = sentence(ground, by_ranks=False)
    assert "Its 38 known specimens are too few for ranks to reach 0.025, so the p-values" in text
    assert "normal variable" not in sentence(ground)


def keepers(*names):
    """Taxa that keep a query both ways, each farther and worse than the one before."""
    return [
        Keeper(name, 19 - i, 1.031 + 0.01 * i, 0.97 - 0.1 * i, 0.9 - 0.2 * i, True, True)
        for i, name in enumerate(names)
    ]


def test_the_taxon_that_keeps_it_is_told_by_its_own_p_values():
    assert sentence("one_keeps") == (
        "At its own size, the test of the marsh kin does not reject it at 0.025 (p-value 0.087 as "
        f"it is, 0.432 at its own size, distance 1.43). {BY} {PROOF}"
    )
    without = sentence("one_keeps", p_value_size_heeded=np.nan)
    assert without.startswith(
        "As it is, the test of the marsh kin does not reject it at 0.025 (p-value 0.087 as it is, "
        "distance 1.43). Distances are those as it is, by the mean one"
    )


def test_all_taxa_that_keep_it_are_named_the_nearest_first_and_how_well():
    text = sentence("one_keeps", keepers=keepers("Aus", "Bus", "Cus"))
    assert text == (
        "At its own size, the tests of 3 taxa do not reject it at 0.025, nearest first: Aus "
        "(p-value 0.970 as it is, 0.900 at its own size, distance 1.03); Bus (0.870, 0.700, "
        f"1.04); Cus (0.770, 0.500, 1.05). {BY} {PROOF}"
    )
    many = [f"taxon {i}" for i in range(12)]
    kept = [Keeper(name, 9, 0.0312 + i / 100, 0.97, 0.9, True, True) for i, name in enumerate(many)]
    text = sentence("one_keeps", keepers=kept)
    assert all(f"{name} (" in text for name in many)
    assert len(text) < 800


@pytest.mark.parametrize(("ground", "raw"), [("one_keeps", 0.0113), ("size_explains", 0.0113)])
def test_where_size_explains_it_no_more_than_that_is_said(ground, raw):
    """Of a test that rejects as it is, at its own size not: by the ground's own sentence."""
    kept = [Keeper("Aus", 19, 0.0432, raw, 0.4321, True, False)]
    text = sentence(ground, keepers=kept)
    assert ("which its size can explain" in text) == (ground == "size_explains")
    assert ("As it is, Aus rejects it, and the answer is undecided." in text) == (
        ground == "one_keeps"
    )
    assert "size explains" not in text
    assert text.endswith(PROOF)


@pytest.mark.parametrize(("own", "told"), [(0.0007, "below 0.001"), (0.0222, "0.022")])
def test_two_ways_that_keep_different_taxa_are_told_to_hang_on_size(own, told):
    """The nearer one is kept as it is only: it stands apart from those that keep it."""
    crossed = [
        Keeper("Bus", 11, 0.0321, 0.777, own, False, True),
        Keeper("Aus", 19, 0.0432, 0.0113, 0.4321, True, False),
    ]
    assert sentence("one_keeps", keepers=crossed) == (
        "At its own size, the test of Aus does not reject it at 0.025 (p-value 0.011 as it is, "
        f"0.432 at its own size, distance 0.0432). {BY} As it is, Aus rejects it. As it is "
        f"only, Bus (p-value 0.777 as it is, {told} at its own size, distance 0.0321) does not "
        f"reject it. So which taxa keep it hangs on its size. {PROOF}"
    )
    text = sentence("one_keeps", keepers=[*crossed, *keepers("Cus")])
    assert "the tests of 2 taxa do not reject it" in text
    assert "As it is, Aus rejects it. As it is only" in text
    both = [crossed[1], Keeper("Dus", 19, 0.06, 0.002, 0.4, True, False), crossed[0]]
    assert "As it is, all 2 tests reject it. As it is only" in sentence("one_keeps", keepers=both)


def test_taxa_too_small_to_judge_by_are_not_told_as_keeping_it():
    small = Keeper("Bus", 2, 0.02, 0.5, 0.6, False, False)
    text = sentence("one_keeps", keepers=[small, *keepers("Aus")])
    assert "the test of Aus does not reject it" in text
    assert "Bus (n = 2) does not reject it either, but with too few to judge by." in text


def test_size_that_hides_names_those_that_keep_it_as_it_is():
    text = sentence("size_hides", keepers=keepers("Aus", "Bus"))
    assert text.startswith("As it is, the tests of 2 taxa do not reject it at 0.025, nearest first")
    assert "Distances are those as it is, by the mean" in text
    assert "At its own size it lies outside every known taxon (largest p = 0.568)" in text


def facts_of(found):
    """A verdict, the facts that its reason takes, and the tables that these are picked from."""
    queries, (decision,) = np.array(["q"]), found.verdicts
    grounds, by_taxon = place._grounds(queries, found)
    members = pd.DataFrame({"specimen": ["k"], "role": ["known"], "taxon": "a", "used": [True]})
    tables = {
        "membership": pd.concat(
            place._membership(evidence, queries, heeded, None)
            for heeded, evidence in found.evidence.items()
        ),
        "grounds": pd.DataFrame(grounds, columns=TABLES["grounds"].header()),
        "grounds_by_taxon": pd.DataFrame(by_taxon, columns=TABLES["grounds_by_taxon"].header()),
        "specimens": members,
        "specimen_error": pd.DataFrame({"specimen": ["q"], "told_by": ["group"]}),
    }
    drawn = {"imputations": 0, "within_error": False}
    verdict = found.facts(0) | vars(decision) | drawn | {"specimen": "q"}
    settled = {"alpha": 0.05, "slopes_p_value": None, "slopes_differ": False}
    return verdict, _reason_facts(verdict, tables, {"place": settled}), tables


def test_the_keepers_of_a_sample_are_those_of_its_tests():
    """Three taxa on one spot keep it, one far off does not; nearest by relative distance."""
    rng = np.random.default_rng(3)
    taxon = np.repeat(["a", "b", "c", "far"], 20)
    shift = np.repeat([0.02, 0.0, 0.01, 9.0], 20)[:, None] * np.eye(6)[:1]
    found = judge(
        Shapes(0.05 * rng.normal(size=(80, 6)) + shift, rng.normal(3, 0.1, 80), taxon),
        Shapes(np.zeros((1, 6)), np.array([3.0]), np.array(["?"])),
        Rules(0.05, 3, None, 1),
    )
    verdict, facts, tables = facts_of(found)
    own = found.evidence[True]
    order = own.taxa[np.argsort(own.relative_distance[0])].tolist()
    assert verdict["taxa_not_rejected"].split("; ") == order[:3] == _keeping_taxa(tables, verdict)
    assert set(order[:3]) == {"a", "b", "c"}
    assert [one["taxon"] for one in facts["keepers"]] == order[:3]
    for one in facts["keepers"]:
        at = own.taxa.tolist().index(one["taxon"])
        assert one["keeps"]
        assert one["distance"] == own.relative_distance[0, at]
        assert one["p_value_size_heeded"] == own.p_value[0, at] > 0.05
        assert one["p_value_as_it_is"] == found.evidence[False].p_value[0, at]


def test_each_p_value_is_that_of_the_taxon_that_it_is_told_of():
    """Two taxa a growth step apart, and a query with the shape of the one at the size at which
    the other has that shape: as it is a keeps it and b rejects, at its own size b keeps it."""
    rng = np.random.default_rng(0)
    n, m, size = 20, 12, np.r_[rng.normal(3, 0.1, 20), rng.normal(4, 0.1, 20)]
    growth = np.eye(m)[0]
    known = np.outer(np.r_[size[:n] - 3, size[n:] - 3.6], growth)
    known = known + 0.03 * rng.normal(size=(2 * n, m))
    found = judge(
        Shapes(known, size, np.repeat(["a", "b"], n)),
        Shapes(np.zeros((1, m)), np.array([3.6]), np.array(["?"])),
        Rules(0.05, 3, None, 1),
    )
    (decisions,), (verdict,) = found.decisions, found.verdicts
    assert [decisions[way].taxon for way in (False, True)] == ["a", "b"]
    assert (verdict.ground, verdict.taxon) == ("one_keeps", "b")
    p = {way: dict(zip(e.taxa, e.p_value[0], strict=True)) for way, e in found.evidence.items()}
    assert p[False]["b"] <= 0.05 < p[False]["a"]
    assert p[True]["a"] <= 0.05 < p[True]["b"]
    told, facts, _ = facts_of(found)
    text = reason(facts)
    own, raw = ({k: p_value_words(v) for k, v in p[way].items()} for way in (True, False))
    kept = "At its own size, the test of b does not reject it at 0.05 "
    assert f"{kept}(p-value {raw['b']} as it is, {own['b']} at its own size, " in text
    assert "As it is, b rejects it. As it is only, a (p-value " in text
    assert f"a (p-value {raw['a']} as it is, {own['a']} at its own size, " in text
    assert told["taxa_not_rejected"] == "b"


def test_every_ground_that_can_be_has_its_sentence():
    """Grounds come from `decide`, `combine` and what follows, and from the step that places."""
    made = set(re.findall(r'Decision\(\s*"\w+", "(\w+)"', inspect.getsource(verdict)))
    assert made == set(TOLD)
    placed = set(re.findall(r'_undecided\(.*?, "(\w+)"', inspect.getsource(place)))
    assert placed == {"no_model", "set_aside"}


def test_the_largest_p_values_are_told_once_each():
    text = sentence("all_reject", p_value_as_it_is=0.0004, p_value_size_heeded=0.00002)
    assert "(largest p-values: below 0.001 as it is, below 0.001 at its own size)" in text
    alone = sentence("all_reject", p_value_size_heeded=np.nan)
    assert "(largest p-value: 0.123 as it is)" in alone


def test_a_p_value_is_worded_alike_with_and_without_its_name():
    for p in (0.0, 0.0009999, 0.001, 0.0414, 1.0):
        assert p_words(p).removeprefix("p ").removeprefix("= ") == p_value_words(p)
    assert p_value_words(np.nan) == "not known"


def test_an_unknown_ground_is_a_bug():
    with pytest.raises(AttributeError):
        sentence("a feeling")
    with pytest.raises(UndefinedError):
        sentence("one_undecided", undecided_grounds={True: "a feeling"})


def test_a_query_set_aside_is_told_why():
    row = {"set_aside": "too_little", "landmarks_present": 3, "missing_landmarks": "a b c d e f",
           "smallest_share": 0.75}  # fmt: skip
    words = as_plain(said("reason", "set_aside", {"aside": row}))
    assert "3 of 9 landmarks, less than the 75 % asked for." in words


def test_no_model():
    assert "too few" in said("reason", "no_model", {})


@pytest.mark.parametrize("ground", sorted(set(TOLD) - OF_TWO))
def test_without_size_none_is_told(ground):
    """Where size could not be heeded, the reason says so and gives no second p."""
    text = sentence(ground, p_value_size_heeded=np.nan)
    assert "Size could not be heeded" in text
    assert "at its own size" not in text
    assert "not known" not in text


@pytest.mark.parametrize("ground", TOLD)
def test_growth_that_was_not_measured_is_told(ground):
    """Of which taxa; and nothing of it where it was."""
    assert "beyond those measured of ash, birch" in sentence(ground, beyond_sizes_of="ash, birch")
    assert "beyond those measured" not in sentence(ground)


@pytest.mark.parametrize("ground", TOLD)
def test_growth_that_differs_between_taxa_is_told(ground):
    text = sentence(ground, slopes_differ=True)
    assert "share one growth line is rejected at 0.025 (p = 0.032)" in text
    assert "0.032" not in sentence(ground)


@pytest.mark.parametrize("ground", TOLD)
def test_draws_of_missing_landmarks_are_told(ground):
    """How many there were, and how many gave which verdict; nothing where there were none."""
    text = sentence(ground, **DRAWN)
    assert "of 20 draws" in text
    assert "13 outside" in text
    assert "7 undecided" in text
    assert " inside" not in text.split("of 20 draws")[1].split(".")[0]
    if ground != "imputation_turns":
        assert "draw" not in sentence(ground)


@pytest.mark.parametrize("ground", TOLD)
def test_a_difference_within_error_is_told(ground):
    assert "between two digitisations of one bone" in sentence(ground, within_error=True)
    assert "digitisations" not in sentence(ground)


@pytest.mark.parametrize("ground", ["all_reject", "size_explains"])
def test_one_taxon_is_not_called_every_taxon(ground):
    assert "the only known taxon" in sentence(ground, taxa=1)
    assert "every known taxon" in sentence(ground, taxa=2)


CLAIM = re.compile(
    r"new (species|genus|taxon|form)|is (a )?new|proves|proof that it is|certain(ly)?|"
    r"significant|diagnos|belongs to (a )?(new|the)|must be",
    re.IGNORECASE,
)


@pytest.mark.parametrize("ground", TOLD)
def test_no_sentence_claims_more_than_a_test_can(ground):
    """In every combination of what may be added to it."""
    sizes = [0.3] if ground in OF_TWO else [0.3, np.nan]
    for own, beyond, flags in product(sizes, ["", "ash"], product([True, False], repeat=3)):
        keys = ("slopes_differ", "by_ranks", "within_error")
        facts = dict(zip(keys, flags, strict=True))
        text = sentence(ground, p_value_size_heeded=own, beyond_sizes_of=beyond, **facts)
        assert not CLAIM.search(text)
        assert text.endswith(".")
        assert "nan" not in text


def test_the_caution_leaves_naming_to_people():
    caution = as_plain(said("verdict", "caution"))
    assert "evidence, not a diagnosis" in caution
    assert "may be a new taxon" in caution
    assert "judgement of specialists" in caution


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (0, "0"), (-0.0, "0"), (0.5, "0.5"), (0.123456, "0.123"), (12.3456, "12.3"), (999, "999"),
        (0.00012345, "0.000123"), (0.000099, "9.9e-05"), (1.23e6, "1.2e+06"), (-0.5678, "-0.568"),
        (float("nan"), "–"), (1, "1"), (0.9999, "1"),
    ],
)  # fmt: skip
def test_numbers(value, told):
    assert number(value) == told


@pytest.mark.parametrize("value", [99.96, 999.99, 1000, 1234.5, 9999, 123456])
def test_usual_large_numbers_are_written_out(value):
    """Criteria and F ratios of some thousands are usual sizes."""
    assert "e" not in number(value)
    assert float(number(value)) == pytest.approx(value, rel=0.005)


@pytest.mark.parametrize(
    ("p", "told"),
    [
        (1, "p = 1.000"), (0.05, "p = 0.050"), (0.0123, "p = 0.012"), (0.001, "p = 0.001"),
        (0.000999, "p below 0.001"), (0, "p below 0.001"), (float("nan"), "p not known"),
    ],
)  # fmt: skip
def test_p_values(p, told):
    assert p_words(p) == told


def test_counts_have_their_plural():
    assert counted(1, "specimen") == "1 specimen"
    assert counted(0, "specimen") == "0 specimens"


@pytest.mark.parametrize(
    ("p", "told"),
    [
        (0.83, " No difference between observers was detected (p = 0.830)."),
        (0.0501, " No difference between observers was detected (p = 0.050)."),
        (0.05, " Observers differed (p = 0.050)."),
        (0.0004, " Observers differed (p below 0.001)."),
        (None, ""),
        (np.nan, ""),
    ],
)
def test_observers_differ_only_where_a_test_says_so(p, told):
    """On the page as in the results section."""
    assert as_plain(said("trust", "observers", p, 0.05)) == told.strip()
    element = small.element()
    element.notes["measure"]["observer_p_value"] = p
    element.tables["suspicions"] = pd.DataFrame()
    element.tables["recovery"] = element.tables["carried_points"] = pd.DataFrame()
    text = trust_words(element, 0.05)[0]
    assert ("bserver" in text) == bool(told)
    assert told in text
    assert "not known" not in text


@pytest.mark.parametrize(
    ("told_by", "told"),
    [
        ("itself", "its own replicates."),
        ("group", "those of others of its observer and scanner."),
        ("others", "those of other observers or scanners only."),
    ],
)
def test_how_well_a_query_was_digitised_says_by_what(told_by, told):
    rows = [{"specimen": "find", "error_mm": 0.0577, "told_by": told_by}]
    assert as_plain(said("trust", "query_errors", rows)) == (
        f"In one digitisation a landmark lies off by 0.0577 mm in find, told by {told}"
    )
    assert said("trust", "query_errors", []).strip() == ""


def test_facts_of_a_sample():
    """Every count and name, and nothing of what is not there."""

    def told(specimens, dropped, prepared, slid, symmetric):
        names = [f"p{i}" for i in range(12 - len(dropped))]
        tables = {
            "specimens": pd.DataFrame(specimens, columns=["used", "mirrored", "digitisations"]),
            "landmarks": pd.DataFrame({"landmark": [*names, *dropped]}),
        }
        tables["landmarks"]["used"] = ~tables["landmarks"]["landmark"].isin(dropped)
        superimposed = {"symmetric": symmetric}
        notes = {"prepare": prepared, "slide": slid, "superimpose": superimposed}
        return " ".join(sample_words(Analysed("jaw", tables, notes)))

    specimens = [(True, True, 2)] * 2 + [(True, True, 1), (True, False, 1), (False, True, 2)]
    prepared = {"description": "a jaw", "side": "left", "symmetry": "matching",
                "curves_left_out": ["notch_edge"]}  # fmt: skip
    slid = {"curves": ["border"], "patches": ["outer"], "patches_left_out": ["inner"],
            "passes": 6, "converged": False}  # fmt: skip
    text = told(specimens, ["tip", "heel", "hole"], prepared, slid, False)
    for words in (
        "A jaw.", "9 of 12", "tip, heel, hole", "left ones: 3", "2 specimens", "border, outer",
        "6 passes, without coming to rest", "notch_edge, inner", "no plane of symmetry",
    ):  # fmt: skip
        assert words in text
    bare = {"description": "", "side": "", "symmetry": "object", "curves_left_out": []}
    still = {"curves": [], "patches": [], "patches_left_out": [], "passes": 0, "converged": True}
    assert told([(True, False, 1)], [], bare, still, True) == (
        "12 of 12 landmarks are analysed. The symmetric part of each bone is analysed."
    )


def test_estimated_curves_say_why():
    """A curve that lost an end, a point of a patch without a scan, and a landmark."""
    rows = [
        ("oak e", "p", "landmark", "missing", ""),
        ("oak e", "rim.1", "curve", "no_curve_end", "p"),
        ("oak e", "rim.2", "curve", "no_curve_end", "p"),
        ("oak e", "face.7", "patch", "no_scan_point", ""),
    ]
    element = small.element()
    columns = ["specimen", "point", "kind", "cause", "missing_ends"]
    element.tables["estimated_points"] = pd.DataFrame(rows, columns=columns).assign(
        estimated_by="other specimens", spread_mm=0.2
    )
    element.tables["suspicions"] = element.tables["recovery"] = pd.DataFrame()
    element.tables["carried_points"] = pd.DataFrame()
    words = trust_words(element, 0.05)
    assert (
        "Estimated in oak e: 1 semilandmark of face, as it was not found on a scan; 2 "
        "semilandmarks of rim, as the end of its curve at p is missing." in words
    )
