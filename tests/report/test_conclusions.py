"""Paragraphs on queries: every number of theirs is that of a table, and nothing is claimed."""

import inspect
import re
from itertools import product

import numpy as np
import pandas as pd
import pytest
from jinja2 import UndefinedError

from morpho.inference.membership import verdict as deciding
from morpho.inference.robustness import conclusion
from morpho.inference.robustness.adequacy import specimens_needed
from morpho.inference.robustness.conclusion import UNTEMPERED, combine_elements
from morpho.inference.robustness.stability import ALL_SUSPECTS, CHOICES, SUSPECTS
from morpho.report.words.verdict import (
    _blocking_taxa,
    _size,
    told_of_individuals,
    told_of_queries,
)
from morpho.report.words.writing import as_plain, said
from morpho.steps.judge import place

CLAIM = re.compile(
    r"new (species|genus)|is (a )?new|proves|proof that it is|certain(ly)?|significant|diagnos|"
    r"belongs to|must be",
    re.IGNORECASE,
)
VERDICTS = ("outside", "inside", "undecided")
ROW = {
    "specimen": "find 7",
    "verdict": "outside",
    "verdict_before": "outside",
    "tempered_by": "",
    "choice": "",
    "false_alarms": 2,
    "left_out_specimens": 43,
    "false_alarms_low": 0.0057,
    "false_alarms_high": 0.158,
    "noticed": 24,
    "left_out_members": 43,
    "rests_on": "",
}
# Members told outside of each taxon left out whole, and how many it has.
LEFT_OUT = {"coast kin": (19, 19), "pygmy kin": (0, 13), "marsh kin": (5, 11)}
# The shortest of all reasons, though a verdict of that ground has never been tried.
VERDICT = {
    "specimen": "find 7", "verdict_as_it_is": "outside", "ground": "no_model", "taxon": "coast kin",
    "beyond_sizes_of": "", "strangeness": 1.7319, "known_as_strange": 0.0, "known_ranked": 43.0,
}  # fmt: skip
NOTICING = {
    "difference": 0.0667, "stated": False, "nearest_taxa": "coast kin; marsh kin", "power": 0.8613,
    "power_low": 0.7137, "power_high": 0.9531, "smallest": 0.0591,
}  # fmt: skip
NEXT = "Next: add known specimens, two or more of a taxon."
REASON = "The known specimens are too few to judge by: no variation within taxa is left over."
LINE = {
    "taxon": "coast kin",
    "growth_line": "shared",
    "taxon_specimens": 13,
    "distance": 0.0789,
    "members_as_far": 4,
    "sizes_beyond": 0.0,
    "log_centroid_size": 3.1,
    "smallest_log_size": 3.0,
    "largest_log_size": 3.2,
    "stage": "",
    "same_stage_specimens": 0,
}


def lines(**changed):
    """The nearest line as changed, and another that lies farther."""
    far = LINE | {"taxon": "far kin", "distance": 0.5, "members_as_far": 0}
    return pd.DataFrame([far, LINE | changed])


def settings(**turned):
    """Ten settings of each kind of choice, of which some turn the verdict: counted, and named."""
    rows, each = [], []
    for choice in CHOICES[1:]:
        names = turned.get(choice.replace(" ", "_"), [])
        counts = {"settings": 10, "holds": 10 - len(names), "share_holds": 1 - len(names) / 10}
        rows.append({"choice": choice} | counts)
        each += [{"choice": choice, "setting": name, "turns": True} for name in names]
    return pd.DataFrame(rows), pd.DataFrame(each, columns=["choice", "setting", "turns"])


def larger(*decided):
    """Shares of simulations that come out outside, with 0, 2, 4 ... specimens added."""
    rows = [
        {
            "taxon": "coast kin",
            "added": 2 * i,
            "outside": share,
            "inside": 0.05 if share else 0.0,
            "undecided": 1 - share - (0.05 if share else 0),
        }
        for i, share in enumerate(decided)
    ]
    return pd.DataFrame(rows, columns=["taxon", "added", "outside", "inside", "undecided"])


def calibration(**counts):
    """The table `calibration_summary`: specimens left out, and taxa left out whole."""
    rows = [("specimen", "coast kin", 2, 19), ("specimen", "all taxa", 2, 43)]
    rows += [("taxon", taxon, *both) for taxon, both in (LEFT_OUT | counts).items()]
    whole = [row[2:] for row in rows[2:]]
    rows.append(("taxon", "all taxa", *map(sum, zip(*whole, strict=True))))
    return pd.DataFrame(rows, columns=["left_out", "taxon", "outside", "specimens"])


def words(row, verdict, **tables):
    """What is told of a query; tables that are not given are empty."""
    kept, blocking = verdict.pop("kept", ["marsh kin"]), verdict.pop("blocking", [])
    verdict = VERDICT | {"verdict": row["verdict_before"]} | verdict
    bearing = [(True, taxon, "keeps") for taxon in kept]
    bearing += [(True, taxon, "blocks") for taxon in blocking]
    known = tables.pop("of_known", suspicions())
    suspected = pd.concat([tables.pop("suspected", suspicions()), known])
    tried = tables.pop("settings", settings()[1]).assign(suspected=False)
    given = {
        "conclusions": pd.DataFrame([row]),
        "verdicts": pd.DataFrame([verdict]),
        "grounds": pd.DataFrame({"size_heeded": [False, True], "ground": "no_model"}),
        "grounds_by_taxon": pd.DataFrame(bearing, columns=["size_heeded", "taxon", "bearing"]),
        "trajectories": lines()[:0],
        "stability": tried.assign(turns=tried["turns"].astype(bool)),
        "stability_summary": settings()[0][:0],
        "specimens_to_decide": larger(),
    } | tables
    noticing = given.pop("noticing", {})
    own = {name: table.assign(specimen="find 7") for name, table in given.items()}
    others = {
        "calibration_summary": own.pop("calibration_summary", calibration()),
        "suspicions": suspected,
        "specimens": pd.DataFrame({"specimen": known["specimen"], "role": "known", "used": True}),
        "noticing": pd.DataFrame([NOTICING | noticing]),
        "calibration": pd.DataFrame(
            {"left_out": ["specimen", "specimen", "taxon"], "specimen": ["kin 3", "kin 4", "kin 5"],
             "verdict": ["outside", "inside", "outside"]}
        ),
        "estimated_points": pd.DataFrame(
            {"specimen": ["find 7", "find 7", "kin 4"], "point": ["tip", "rim.1", "heel"]}
        ),
    }  # fmt: skip
    return told_of_queries("lower_jaw", own | others, {"place": {}})["find 7"]


def told(row=None, verdict=None, line=None, turned=None, needed=None, left_out=None):
    counts, each = settings(**(turned or {}))
    found = words(
        ROW | (row or {}),
        dict(verdict or {}),
        trajectories=lines(**(line or {})),
        stability_summary=counts,
        settings=each,
        specimens_to_decide=larger() if needed is None else needed,
        calibration_summary=calibration() if left_out is None else left_out,
    )
    return " ".join(
        filter(None, map(as_plain, (found.answer, found.step, found.reason, found.tried)))
    )


def summary(row=ROW, suspected=None, of_known=None, tried=None):
    """What is concluded and why, with what is suspected and what was tried without suspects."""
    found = words(
        row,
        {},
        suspected=suspicions() if suspected is None else suspected,
        of_known=suspicions() if of_known is None else of_known,
        settings=without() if tried is None else tried,
    )
    return " ".join(filter(None, map(as_plain, (found.answer, found.step, found.reason))))


def test_the_paragraph_has_its_parts_in_order():
    """What is concluded, why, growth, calibration, stability."""
    text = told()
    parts = [
        "By its lower jaw, find 7 falls outside every known taxon of this sample.",
        REASON,
        "Only a growth stage?",
        "Of 43 known specimens left out in turn, the same procedure told 2 outside",
        "it noticed of their members",
        "Outside holds in all 90 other settings",
    ]
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_the_summary_begins_the_paragraph():
    """What is concluded and why, and nothing of how it was tried."""
    text = summary()
    assert told().startswith(text + " ")
    assert text.endswith(REASON)
    assert "setting" not in text


def test_numbers_are_those_of_the_tables():
    """All of them, and no other."""
    found = set(re.findall(r"\d+(?:\.\d+)?", told().replace("95 %", "").replace("find 7", "")))
    assert found == {"0.0789", "4", "13", "2", "43", "1", "16", "19", "0", "5", "11", "90"}


def test_the_nearest_line_is_told_not_the_first():
    text = told()
    assert "coast kin (the slope that taxa share)" in text
    assert "far kin" not in text
    assert "coast kin (its own slope)" in told(line={"growth_line": "own"})


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"sizes_beyond": 0.25}, "beyond the sizes measured of coast kin, by 25 %"),
        ({"sizes_beyond": np.nan}, "All members of coast kin have one size"),
        (
            {"stage": "juvenile", "same_stage_specimens": 3},
            "recorded as juvenile; of coast kin the sample holds 3 specimens of that stage.",
        ),
        ({"stage": "juvenile"}, "none of that stage, so that stage and taxon cannot be told"),
    ],
)
def test_growth_that_is_not_known_is_told(changed, said):
    assert said in told(line=changed)
    assert said not in told()


def test_without_growth_lines_nothing_is_said_of_growth():
    assert "growth stage" not in words(ROW, {}).tried


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("false_alarms", "more of this sample's own specimens than its level allows"),
        ("unstable", "turns too often with one kind of choice (digitising error)"),
        ("suspected_slip", "hangs on what is suspected here"),
    ],
)
def test_a_verdict_taken_back_says_what_it_was_and_why(why, said):
    """The first sentence is of the conclusion; stability is that of the verdict before."""
    row = {"verdict": "undecided", "tempered_by": why, "choice": "digitising error"}
    text = told(row)
    assert text.startswith("By its lower jaw, find 7 can be told neither outside nor inside. By")
    assert "By itself the procedure says outside" in text
    assert said in text
    assert "Outside holds in" in text
    assert "By itself" not in told()


SLIP = {
    "specimen": "find 7",
    "replicate": "",
    "kind": "displaced",
    "landmarks": "neck",
    "distance_before": 144.2,
    "distance_after": 1.94,
    "side": "",
    "true_names": "",
    "deviations": "559.2",
}


def suspicions(*rows):
    return pd.DataFrame([SLIP | row for row in rows], columns=list(SLIP))


def test_a_suspected_query_is_told_to_be_checked_first():
    """In the summary and so on the card, before the reason: which landmark, and by how much."""
    row = ROW | {"verdict": "undecided", "tempered_by": "suspected_slip"}
    text = summary(row, suspicions({}))
    assert text == (
        "By its lower jaw, find 7 can be told neither outside nor inside. Check the digitisation "
        "first: neck lies 559 times its usual deviation from where the other landmarks and the "
        "taxon put it; the rest is as usual. Digitise it again, or leave its cells blank. By "
        "itself the procedure says outside; but that hangs on what is suspected here, so nothing "
        f"is concluded until it is checked. Next: check that digitisation. {REASON}"
    )
    # a verdict that stands carries the caution as well
    assert "Check the digitisation first: neck" in summary(ROW, suspicions({}))
    assert summary(ROW, suspicions()) == summary()


def test_a_query_turned_round_is_told_by_how_much():
    mirrored = {"kind": "mirror", "landmarks": ""}
    second = {"kind": "displaced", "replicate": "2"}
    text = summary(ROW, suspicions(mirrored, second))
    assert (
        " Check the digitisation first: it is the mirror image of its fellows: a bone of the other "
        "side, or one axis of the scan was turned round. Check the side in the specimen table and "
        "the scan. It lies 144 usual deviations from the nearest taxon, and 1.94 once that is "
        "mended. Check also (2): neck lies 559" in text
    )


KIN = (
    {"specimen": "kin 1", "kind": "mirror", "landmarks": ""},
    {"specimen": "kin 2", "kind": "swapped", "landmarks": "a;b"},
)
NAMED = "kin 1 (wrong side or mirrored) and kin 2 (a and b exchanged)"


def without(*turning, **settings):
    """Rows of `stability` without suspects: verdict, ground and who keeps it; which turn it."""
    rows = [(name.replace("_", " "), *told) for name, told in settings.items()]
    table = pd.DataFrame(rows, columns=["setting", "verdict", "ground", "kept_by"])
    return table.assign(turns=table["setting"].isin(turning), choice=SUSPECTS)


OUT = ("outside", "all_reject", "")
INSIDE = ("inside", "one_keeps", "coast kin; marsh kin")


def test_a_verdict_that_holds_without_suspects_says_so_and_names_them():
    tried = without(kin_1=OUT, kin_2=OUT, all_suspected_specimens=OUT)
    text = summary(ROW, suspicions(), suspicions(*KIN), tried)
    assert text == (
        "By its lower jaw, find 7 falls outside every known taxon of this sample. Outside holds "
        "without the 2 known specimens whose digitisations are suspected, each or all of them: "
        f"{NAMED}. {REASON}"
    )
    one = summary(ROW, None, suspicions(KIN[0]), without(kin_1=OUT))
    assert (
        " Outside holds without the known specimen whose digitisation is suspected: kin 1 (wrong "
        "side or mirrored). The known" in one
    )


def test_who_keeps_an_inside_query_without_suspects_is_told():
    row = ROW | {"verdict": "inside", "verdict_before": "inside"}
    alone = ("inside", "one_keeps", "marsh kin")
    tried = without(kin_1=INSIDE, kin_2=alone, all_suspected_specimens=alone)
    text = summary(row, None, suspicions(*KIN), tried)
    assert f"{NAMED}. Without all of them it is kept by marsh kin. The known" in text
    text = summary(row, None, suspicions(KIN[0]), without(kin_1=INSIDE))
    assert " Without that one it is kept by coast kin and marsh kin. The known" in text


def test_a_verdict_that_suspects_turn_names_them_in_its_first_sentence():
    settings = {"kin_1": INSIDE, "kin_2": OUT, "all_suspected_specimens": INSIDE}
    tried = without("kin 1", ALL_SUSPECTS, **settings)
    row = ROW | {"verdict": "undecided", "tempered_by": "suspected_specimens"}
    text = summary(row, suspicions(), suspicions(*KIN), tried)
    assert text == (
        "By its lower jaw, find 7 can be told neither outside nor inside, as that hangs on known "
        "specimens whose digitisations are suspected: kin 1 (wrong side or mirrored). By itself "
        "the procedure says outside; without kin 1 or all suspects it says inside (kept by coast "
        "kin and marsh kin). So nothing is concluded until they are checked. Next: check those "
        f"digitisations. {REASON}"
    )
    # only without all of them: all are named
    tried = without(ALL_SUSPECTS, **settings)
    text = summary(row, None, suspicions(*KIN), tried)
    assert f"suspected: {NAMED}. By itself" in text
    assert "without all suspects it says inside" in text


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("undecided", "few_specimens", ""), "nothing, as too few specimens are left to judge by"),
        (("undecided", "no_model", ""), "nothing, as too few specimens are left to judge by"),
        (
            ("undecided", "taxon_lost", ""),
            "undecided, as a taxon is left without any specimen",
        ),
        (("undecided", "extrapolates", ""), "undecided"),
    ],
)
def test_too_little_left_without_suspects_is_said(row, said):
    turned = {"verdict": "undecided", "tempered_by": "suspected_specimens"}
    tried = without("kin 1", kin_1=row)
    text = summary(ROW | turned, None, suspicions(*KIN), tried)
    assert f"without kin 1 it says {said}. So nothing is concluded" in text


def test_an_undecided_query_says_what_suspects_hide():
    row = ROW | {"verdict": "undecided", "verdict_before": "undecided"}
    settings = {"kin_1": ("undecided", "extrapolates", ""), "kin_2": OUT}
    tried = without("kin 2", **settings)
    text = summary(row, None, suspicions(*KIN), tried)
    assert text == (
        "By its lower jaw, find 7 can be told neither outside nor inside, as that hangs on known "
        "specimens whose digitisations are suspected: kin 2 (a and b exchanged). Without kin 2 the "
        f"procedure says outside: check them first. {REASON} {NEXT}"
    )
    tried = without(**settings)
    text = summary(row, None, suspicions(*KIN), tried)
    assert " Undecided holds without the 2 known" in text


def test_nothing_is_said_of_suspects_where_there_are_none_or_nothing_was_tried():
    plain = summary()
    assert summary(ROW, None, suspicions(), without()) == plain
    assert summary(ROW, None, suspicions(*KIN), without()) == plain


def test_many_suspects_are_counted_after_the_eighth():
    many = suspicions(*({"specimen": f"kin {i}"} for i in range(10)))
    settings = {f"kin_{i}": OUT for i in range(10)}
    text = summary(ROW, None, many, without(**settings))
    assert "kin 7 (neck out of place) and 2 more. The known" in text
    row = ROW | {"verdict": "undecided", "tempered_by": "suspected_specimens"}
    every = without(*(f"kin {i}" for i in range(10)), **settings)
    text = summary(row, None, many, every)
    assert "without kin 0, kin 1, kin 2, kin 3, kin 4, kin 5, kin 6, kin 7 or 2 more it" in text


@pytest.mark.parametrize(
    ("kind", "landmarks", "name"),
    [
        ("mirror", "", "wrong side or mirrored"),
        ("swapped", "a;b;c", "a, b and c exchanged"),
        ("swapped", "a;b;c;d", "4 landmarks exchanged"),
        ("displaced", "neck", "neck out of place"),
        ("unusual", "a;b;c", "unusual"),
        ("size", "", "its size"),
    ],
)
def test_every_suspicion_has_a_short_name(kind, landmarks, name):
    table = suspicions({"specimen": "kin", "kind": kind, "landmarks": landmarks})
    assert as_plain(said("suspicions", "names", table.to_dict("records"))) == f"kin ({name})"


def test_more_of_the_nearest_taxon_is_not_advised_where_others_stand_in_the_way():
    undecided = {"verdict": "undecided", "verdict_before": "undecided"}
    text = told(undecided, {"blocking": ["rare kin", "coast kin"]}, needed=larger(0, 0.2))
    assert "did not by themselves decide four of five simulations (with 2 more" in text
    assert "rare kin stands in the way as well, and more specimens of it were not tried." in text
    two = told(undecided, {"blocking": ["rare kin", "odd kin"]}, needed=larger(0, 0.2))
    assert "rare kin and odd kin stand in the way, and more specimens of them" in two
    alone = told(undecided, {"blocking": ["coast kin"]}, needed=larger(0, 0.2))
    assert "in the way" not in alone
    # nor where it is decided by itself, or for landmarks that are missing
    for other in ({"verdict": "inside"}, {"ground": "imputation_turns"}):
        row = pd.Series(VERDICT | {"verdict": "undecided"} | other)
        assert _blocking_taxa({}, row) == []


def test_an_unknown_reason_to_take_a_verdict_back_is_a_bug():
    with pytest.raises(UndefinedError):
        told({"tempered_by": "a feeling"})


def test_choices_that_turn_it_are_named_worst_first():
    """Three kinds at most, three settings each at most, and how many more."""
    turned = {
        "distortion": ["find 7 as it was dug up"],
        "landmark_left_out": [f"point {i}" for i in range(5)],
        "digitising_error": ["draw 1", "draw 2"],
        "size": ["size heeded"],
    }
    text = told(turned=turned)
    assert "Outside holds in 81 of 90 other settings" in text
    worst = "landmark left out (point 0, point 1, point 2 and 2 more)"
    assert (
        text.index(worst)
        < text.index("digitising error (draw 1, draw 2)")
        < text.index("size (size")
    )
    assert "dug up" not in text


def test_members_of_taxa_left_out_are_told_taxon_by_taxon():
    """Three taxa are no sample of new ones: no share over all, no interval."""
    assert (
        " Each known taxon left out whole, it noticed of their members 19 of 19 (coast kin), 0 of "
        "13 (pygmy kin) and 5 of 11 (marsh kin): a result for these taxa, not for new ones at "
        "large. Outside holds" in told()
    )
    assert "24 of 43" not in told()
    assert told().count("interval") == 1
    assert "7 of 8 (new kin)" in told(left_out=calibration(**{"new kin": (7, 8)}))


def test_a_procedure_that_noticed_nobody_is_called_blind():
    nobody = calibration(**{taxon: (0, n) for taxon, (_, n) in LEFT_OUT.items()})
    text = told({"noticed": 0}, left_out=nobody)
    assert (
        "0 of 13 (pygmy kin) and 0 of 11 (marsh kin): the procedure may be blind to a new" in text
    )
    assert "result for these taxa" not in text
    assert "blind" not in told()


def test_one_taxon_cannot_tell_its_power():
    alone = calibration().iloc[:2]
    text = told({"left_out_members": 0, "noticed": 0}, left_out=alone)
    assert "With one known taxon nobody can say" in text
    assert "nan" not in text


def test_more_specimens_are_spoken_of_where_they_could_matter():
    """Not where the query is outside already; as a number, or that none tried would do."""
    few = larger(0.0, 0.5, 0.9, 0.95)
    assert "more" not in told(needed=few).split("Outside holds in all")[1]
    text = told({"verdict": "undecided", "verdict_before": "undecided"}, needed=few)
    assert "With about 4 more specimens of coast kin" in text
    assert "would decide" not in text
    assert "90 % outside, 5 % inside" in text
    never = told({"verdict": "undecided", "verdict_before": "undecided"}, needed=larger(0, 0.2))
    assert "did not decide four of five simulations: with 2 more" in never
    assert "75 % stayed undecided" in never
    inside = told({"verdict": "inside", "verdict_before": "inside"}, needed=few)
    assert "With 6 more, invented from the fitted model, it came out outside in 95 %" in inside


@pytest.mark.parametrize(
    ("shares", "needed"),
    [((0.0, 0.5, 0.75), 4.0), ((0.9, 0.95), 0.0), ((0.0, 0.74), np.nan), ((), np.nan)],
)
def test_specimens_needed(shares, needed):
    """The smallest number that decides four simulations of five, either way."""
    np.testing.assert_equal(specimens_needed(larger(*shares)), needed)


def test_a_query_set_aside_has_a_reason_and_nothing_else():
    row = {"verdict": "undecided", "verdict_before": "undecided"}
    found = words(ROW | row, {"verdict_as_it_is": "", "kept": []})
    assert as_plain(found.answer) == (
        f"By its lower jaw, find 7 can be told neither outside nor inside. {REASON}"
    )
    assert as_plain(found.step) == NEXT
    assert found.reason == ""
    assert found.tried == ""


def test_no_paragraph_claims_more_than_was_found():
    """In every combination: no discovery, no blank number, whole sentences, single spaces."""
    beyond, stages = (0.0, 0.3, np.nan), ("", "adult")
    reasons = ("", "suspected_slip", "false_alarms", "could_not_tell", "no_yardstick", "unstable")
    for verdict, why, far, stage, some in product(VERDICTS, reasons, beyond, stages, (0, 43)):
        text = told(
            {"verdict": "undecided" if why else verdict, "verdict_before": verdict,
             "tempered_by": why, "choice": "digitising error", "left_out_specimens": some,
             "left_out_members": some},
            {},
            {"sizes_beyond": far, "stage": stage},
            {"digitising_error": ["draw 1"]},
            larger(0.0, 0.4, 0.9),
        )  # fmt: skip
        assert not CLAIM.search(text), text
        assert "nan" not in text
        assert "  " not in text
        assert text.endswith(".")


def opening(*facts):
    return as_plain(said("verdict", "opening", *facts))


def test_openings_name_the_bone_the_query_and_the_taxon():
    assert opening("Q", "lower_jaw", "inside", ["coast kin"]) == (
        "By its lower jaw, Q is compatible with coast kin."
    )
    with pytest.raises(UndefinedError):
        opening("Q", "jaw", "new", ["coast kin"])


def test_the_opening_names_every_taxon_that_keeps_the_query():
    """Up to six by name, of more the three nearest and their number."""
    four = ["brook vole", "bank vole", "water vole", "field vole"]
    assert opening("Q", "jaw", "inside", four) == (
        "By its jaw, Q is compatible with 4 known taxa, nearest first: brook vole, bank vole, "
        "water vole and field vole."
    )
    assert opening("Q", "jaw", "inside", [f"t{i}" for i in range(12)]) == (
        "By its jaw, Q is compatible with 12 known taxa, nearest first: t0, t1, t2 and 9 more, "
        "all of them named below."
    )
    text = told({"verdict": "inside"}, {"kept": four})
    assert "with 4 known taxa, nearest first: brook vole, bank vole, water" in text


def test_how_far_is_told_by_one_number_of_the_nearest_way():
    row = VERDICT | {"sized": True, "nearest": {"taxon": "coast kin", "size_heeded": False}}
    assert as_plain(said("verdict", "how_far", row)) == (
        "As it is, it lies 1.73 times as far from coast kin as that taxon's "
        "own specimens do on average; of 43 known specimens left out in turn, none lies as far "
        "from every taxon."
    )
    row["nearest"] = {"taxon": "marsh kin", "size_heeded": True}
    some = as_plain(said("verdict", "how_far", row | {"known_as_strange": 2.0}))
    assert some.startswith("At its own size it lies 1.73 times as far from marsh")
    assert "in turn, 2 lie as far from every taxon." in some
    one = as_plain(said("verdict", "how_far", row | {"sized": False, "known_as_strange": 1.0}))
    assert one.startswith("It lies 1.73")
    assert "in turn, 1 lies as far" in one
    assert said("verdict", "how_far", row | {"strangeness": np.nan}).strip() == ""


SHARE = "it notices 86 % (exact 95 % interval 71 % to 95 %)"


def notices(*millimetres, **changed):
    marks = [{"landmark": f"m{i}", "smallest_mm": mm} for i, mm in enumerate(millimetres)]
    return as_plain(said("verdict", "notices", NOTICING | changed, marks))


def test_what_the_sample_notices_is_told_in_mm_and_beside_the_nearest_taxa():
    assert notices(0.313, 0.47, 0.989) == (
        "In four of five cases this sample notices a form that differs by 0.0591 in Procrustes "
        "distance; by one landmark alone, where that lies 0.313 mm from its place (m0, the best) "
        "to 0.989 mm (m2, the worst). Its two nearest taxa, coast kin and marsh kin, lie 0.0667 "
        f"apart: of forms as far from every taxon {SHARE}."
    )
    stated = notices(0.313, stated=True)
    assert f"stated in study.yaml is 0.0667: of forms as far from every taxon {SHARE}." in stated
    assert "the worst" not in stated
    assert "tests: difference is not stated" in notices(difference=np.nan, power=np.nan)
    assert "how many of those it notices is not known" in notices(power=np.nan)
    assert "could not be found" in said("verdict", "notices", None, [])


TAKEN = {"verdict": "undecided", "verdict_before": "inside"}
LESS = {"power": 0.4137}


def test_inside_of_a_sample_that_could_not_tell_says_so_and_by_what():
    row = ROW | TAKEN | {"tempered_by": "could_not_tell"}
    found = words(row, {}, noticing=LESS, specimens_to_decide=larger(0, 0.4, 0.9))
    assert as_plain(found.answer) == (
        "By its lower jaw, find 7 can be told neither outside nor inside. By itself the procedure "
        "says inside, compatible with marsh kin; but this sample might not have noticed a form "
        "outside: of forms as far from every taxon as coast kin and marsh kin from each other it "
        "notices 41 %, and 80 % are asked for."
    )
    assert as_plain(found.step) == (
        "Next: add specimens of coast kin, its nearest taxon: with 4 more, invented from the "
        "fitted model, it is told outside in 90 % of simulations."
    )
    stated = as_plain(words(row, {}, noticing=LESS | {"stated": True}).answer)
    assert "as far from every taxon as study.yaml states it notices 41 %" in stated
    # the share would do, but members of known taxa were noticed less often than that
    members = as_plain(words(row, {}).answer)
    assert members.endswith("which lie as far from the others, it noticed 24 of 43.")
    hardly = as_plain(words(row, {}, specimens_to_decide=larger(0, 0.1, 0.3, 0.2)).step)
    assert "of coast kin, its nearest, would hardly do alone: with 4 more" in hardly
    assert "told outside in 30 % of simulations." in hardly


def test_one_taxon_asks_for_a_yardstick():
    row = ROW | TAKEN | {"tempered_by": "no_yardstick"}
    found = words(row, {}, noticing={"difference": np.nan, "power": np.nan})
    said = "but with one known taxon nobody has said how far from it a form is to be noticed."
    assert as_plain(found.answer).endswith(said)
    step = as_plain(found.step)
    assert step.startswith("Next: state tests: difference in study.yaml")
    assert step.endswith("or add a second known taxon.")


def test_an_outside_that_rests_on_a_landmark_stands_and_names_it():
    one = summary(ROW | {"rests_on": "coronoid_tip"})
    assert "falls outside every known taxon of this sample. It rests on coronoid_tip alone:" in one
    assert "digitise it again, by someone else." in one
    two = summary(ROW | {"rests_on": "coronoid_tip; wing_left and wing_right"})
    assert "It rests on each of coronoid_tip, wing_left and wing_right: digitise them" in two
    assert "rests on" not in summary()


# What the next step says, by the ground or by what took the verdict back.
STEPS = {
    "set_aside": "digitise what is missing, or write estimate under preparation",
    "no_model": "add known specimens",
    "no_power": "add known specimens",
    "error_unknown": "digitise it a second time, by the same observer on the same scan",
    "extrapolates": "add specimens of rare kin or odd kin as small as it.",
    "spread_unknown": "add a second specimen of rare kin and of odd kin.",
    "few_specimens": "add specimens of coast kin; tests: smallest_taxon",
    "size_hides": "add specimens of marsh kin of about its size",
    "imputation_turns": "find a specimen that has what is estimated in this one: tip and rim.",
    "suspected_slip": "check that digitisation.",
    "suspected_specimens": "check those digitisations.",
    "false_alarms": "look again at the labels and digitisations of those: kin 3.",
    "could_not_tell": "add known specimens, so that smaller",
    "no_yardstick": "state tests: difference",
}
FACTS = {
    "aside": {"set_aside": "missing_points"}, "taxon": "coast kin", "kept": ["marsh kin"],
    "blocking": ["rare kin", "odd kin"], "size": "small", "missing": ["tip", "rim"],
    "alarms": ["kin 3"], "more": None, "choice": "",
}  # fmt: skip
CHOSEN = {
    "digitising error": "digitise it again; the mean of several",
    "estimated landmarks": "find a specimen that has what is estimated",
    "distortion": "that was not distorted.",
    "growth not extrapolated": "as small as it.",
}


def next_step(cause, **changed):
    return as_plain(said("next", cause, FACTS | changed))


@pytest.mark.parametrize("cause", STEPS)
def test_the_next_step_is_that_of_its_cause(cause):
    text = next_step(cause)
    assert text.startswith("Next: ")
    assert STEPS[cause] in text
    assert text.endswith(".")
    assert not CLAIM.search(text)


def test_every_cause_of_an_undecided_has_a_next_step():
    """All grounds that leave undecided, and all that takes a verdict back."""
    grounds = re.findall(r'Decision\("undecided", "(\w+)"', inspect.getsource(deciding))
    taken = re.findall(r'Conclusion\("undecided", "(\w+)"', inspect.getsource(conclusion))
    placed = re.findall(r'_undecided\(.*?, "(\w+)"', inspect.getsource(place))
    assert {"error_unknown", "could_not_tell", "set_aside"} < {*grounds, *taken, *placed}
    # that of one of two answers is its own ground's, that of a choice stands by its kind
    named = {*grounds, *taken, *placed} - {"one_undecided", "unstable"}
    assert named == set(STEPS)


@pytest.mark.parametrize("choice", sorted({*CHOICES[1:]} - {*UNTEMPERED, SUSPECTS}))
def test_a_choice_that_turns_it_has_a_next_step(choice):
    assert CHOSEN[choice] in next_step("unstable", choice=choice)
    with pytest.raises(UndefinedError):
        next_step("unstable", choice="a whim")


def test_next_steps_that_hang_on_what_is_there():
    assert "known specimens that have what is estimated" in next_step(
        "imputation_turns", missing=[]
    )
    assert next_step("extrapolates", size="").endswith("rare kin or odd kin of its size.")
    little = {"set_aside": "too_little"}
    assert "smallest_share sets how much" in next_step("set_aside", aside=little)
    assert next_step("false_alarms", alarms=[]).endswith("of those.")


def test_a_query_is_called_small_where_it_is_smaller_than_all_members():
    lines = pd.DataFrame(
        {"taxon": ["a", "b"], "log_centroid_size": 3.0, "smallest_log_size": [3.1, 2.9],
         "largest_log_size": [3.3, 2.95]}
    )  # fmt: skip
    assert [_size(lines, taxa) for taxa in (["a"], ["b"], ["a", "b"], [])] == [
        "small", "large", "", "",
    ]  # fmt: skip


BOTH = {"lower_jaw": "outside", "atlas": "outside"}


def individual(verdict, elements, table=None):
    """What is told of an individual by verdicts of its elements and its combined evidence."""
    rows = [] if table is None else table.to_dict("records")
    taxa = rows or [{"taxon": "a", "combined_p_value": 0.01, "kept": False}]
    evidence = pd.DataFrame(
        [row | {"element": name, "doubted": False} for row in taxa for name in elements],
        columns=["taxon", "combined_p_value", "kept", "element", "doubted"],
    ).assign(specimen="Q")
    joined = {
        "individuals": pd.DataFrame({"specimen": ["Q"], "verdict": [verdict]}),
        "individual_evidence": evidence,
    }
    conclusions = {
        name: pd.DataFrame({"specimen": ["Q", "other"], "verdict": [told, "inside"]})
        for name, told in elements.items()
    }
    return as_plain(told_of_individuals(joined, conclusions)["Q"])


def test_an_individual_is_told_by_its_elements():
    """The combined p-value is the largest one."""
    evidence = {"lower_jaw": {"a": 0.001, "b": 0.004}, "atlas": {"a": 0.2, "b": 0.3}}
    table, verdict = combine_elements(evidence, ["outside", "undecided"], alpha=0.05)
    text = individual(verdict, BOTH, table)
    assert "Q by 2 elements (atlas outside, lower jaw outside)" in text
    assert "b has the largest p-value (0.008)" in text
    assert text.endswith("Taken together it falls outside every known taxon of this sample.")
    assert "disagree" not in text
    assert not CLAIM.search(text)


def test_an_individual_inside_is_compatible_with_the_taxa_that_its_elements_keep():
    evidence = {"lower_jaw": {"a": 0.3, "b": 0.4, "c": 0.01}, "atlas": {"a": 0.2, "b": 0.3, "c": 1}}
    table, verdict = combine_elements(evidence, ["inside", "inside"], alpha=0.05)
    assert table["kept"].tolist() == [True, True, False]
    text = individual(verdict, dict.fromkeys(BOTH, "inside"), table)
    assert text.endswith("Taken together it is compatible with a and b.")


def test_elements_that_disagree_are_said_to():
    text = individual("undecided", BOTH | {"atlas": "inside"})
    assert "The elements disagree" in text
    assert "neither outside nor inside" in text


def test_one_element_and_none_are_not_combined():
    one = individual("outside", {"lower_jaw": "outside"})
    assert one == "Q is judged by one element only (lower jaw outside)."
    none = individual("undecided", {})
    assert none == "No element of Q could be held against the known taxa."
