"""Every step on studies at the edge: words, tables, figures and page, and never a traceback."""

import re
import warnings

import numpy as np
import pandas as pd
import pytest

from helpers.told import words_of

pytestmark = pytest.mark.slow

TWO = {"ash": 6, "birch": 6}
SEX = ["female", "male"] * 6 + ["male"]
AGE = [f"{1.5 * i:g}" for i in range(13)]

# The study, what the page must say of it, and the verdicts that are allowed.
STUDIES = {
    "one taxon only": (
        {"taxa": {"ash": 8}},
        [
            "There is one known taxon, so the term taxon of the linear model, the test whether "
            "taxa share one growth line, the multivariate criteria, the distances between mean "
            "shapes of taxa and canonical axes with cross-validation were left out.",
            "There is one known taxon: nothing to compare.",
            "<td>size</td>",
        ],
        {"inside"},
    ),
    "taxa of one and of two": (
        {"taxa": {"ash": 6, "birch": 1, "cedar": 2, "dogwood": 6}},
        ["birch has 1 specimen ", "cedar has 2 specimens"],
        {"inside"},
    ),
    "only taxa of one": (
        {"taxa": {"ash": 1, "birch": 1, "cedar": 1, "dogwood": 1}},
        ["No taxon has enough specimens", "no variation within taxa is left over"],
        {"undecided"},
    ),
    "three known specimens": (
        {"taxa": {"ash": 3}},
        ["No taxon has enough specimens"],
        {"undecided"},
    ),
    "no query": ({"taxa": TWO, "queries": {}}, ["There is no query in this study"], set()),
    "sizes all equal": (
        {"taxa": TWO, "same_size": True},
        ["Size could not be heeded, so growth is not ruled out"],
        {"inside"},
    ),
    "a factor in the model": (
        {"taxa": TWO, "columns": {"sex": SEX}, "settings": {"model": {"terms": ["sex", "taxon"]}}},
        ["<td>sex</td>"],
        {"inside"},
    ),
    "a number in the model": (
        {"taxa": TWO, "columns": {"age": AGE}, "settings": {"model": {"terms": ["age", "taxon"]}}},
        ["<td>age</td>"],
        {"inside"},
    ),
    "an interaction in the model": (
        {"taxa": TWO, "settings": {"model": {"terms": ["size", "taxon", ["size", "taxon"]]}}},
        [],
        {"inside"},
    ),
    "no permutations": ({"taxa": TWO, "settings": {"tests": {"permutations": 0}}}, [], {"inside"}),
    "every taxon too small": (
        {"taxa": TWO, "settings": {"tests": {"smallest_taxon": 20}}},
        ["ash has 6 specimens and takes no part", "No taxon has enough specimens"],
        {"undecided"},
    ),
    "more variables than specimens": (
        {"taxa": {"ash": 4, "birch": 4}, "landmarks": 30},
        [],
        {"inside"},
    ),
    "four landmarks": ({"taxa": TWO, "landmarks": 4}, [], {"inside"}),
    "one axis": ({"taxa": TWO, "settings": {"shape_space": {"most": 1}}}, [], {"inside"}),
    "parallel analysis and ellipses": (
        {
            "taxa": TWO,
            "settings": {"shape_space": {"axes": "parallel"}, "figures": {"outlines": "ellipses"}},
        },
        [],
        {"inside"},
    ),
    "broken stick, folds, shrunken covariance, exaggerated": (
        {
            "taxa": TWO,
            "settings": {
                "shape_space": {"axes": "broken_stick"},
                "tests": {"folds": 3, "covariance": "shrunken"},
                "figures": {"exaggeration": 3},
            },
        },
        ["Differences from the mean are drawn 3"],
        {"inside"},
    ),
}


# These for everyone, these in CI; the others in `make test-all`.
_FIRST = ("taxa of one and of two", "no query")
_SECOND = ("one taxon only", "only taxa of one")
_SPOILT_FIRST = ("a taxon of one shape",)


def _when(name: str) -> tuple:
    return () if name in _FIRST else pytest.mark.slow if name in _SECOND else pytest.mark.long


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=_when(name)) for name in STUDIES],
)
def test_a_study_at_the_edge_runs_through(name, invent, sketched):
    """All steps, all figures and the page, with every warning an error."""
    choices, said, verdicts = STUDIES[name]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        study = invent(**choices)
        study.analyse()
        study.draw()
        page = study.page()
    for words in said:
        assert words in page
    assert not re.search(r">\s*(nan|None|inf)\s*<", page)
    table = words_of(study.results(), "verdicts")
    assert set(table["verdict"]) == verdicts
    assert (table["answer"] != "").all()
    check_trials(study)


def check_trials(study):
    """Each query has its conclusion in whole sentences; shares are shares, counts add up."""
    results = study.results()
    verdicts = results.table("verdicts").set_index("specimen")["verdict"]
    table = words_of(results).set_index("specimen")
    assert table["verdict_before"].to_dict() == verdicts.to_dict()
    for row in table.to_dict("records"):
        # a verdict is kept or taken back, never turned into another
        assert row["verdict"] in (row["verdict_before"], "undecided")
        assert (row["tempered_by"] == "") == (row["verdict"] == row["verdict_before"])
        assert 0 <= row["settings_hold"] <= row["settings"]
        words = " ".join(row[part] for part in ("answer", "step", "reason", "tried") if row[part])
        assert words.endswith(".")
        assert not re.search(r"\b(nan|None|inf)\b|  ", words)
    assert set(study.joined.table("individuals")["specimen"]) == set(table.index)
    known = results.table("specimens")
    counts = known[known["used"] & (known["role"] == "known")]["taxon"].value_counts()
    summary = results.table("calibration_summary")
    told = summary[summary["taxon"] != "all taxa"].set_index(["left_out", "taxon"])
    # who is alone in a taxon is not left out alone, nor the only taxon whole
    expected = {("specimen", t): n for t, n in counts.items() if n > 1}
    expected |= {("taxon", t): n for t, n in counts.items() if len(counts) > 1}
    assert told["specimens"].to_dict() == expected
    for row in summary.to_dict("records"):
        assert row["outside"] + row["inside"] + row["undecided"] == row["specimens"]
        ends = row["interval_low"], row["interval_high"]
        if (row["left_out"], row["taxon"]) == ("taxon", "all taxa"):
            assert np.isnan(ends).all()
        else:
            assert 0 <= ends[0] <= row["share_outside"] <= ends[1] <= 1
    stability = results.table("stability_summary")
    assert (
        stability[["outside", "inside", "undecided"]].sum(axis=1) == stability["settings"]
    ).all()
    assert results.table("adequacy").set_index("taxon")["specimens"].to_dict() == counts.to_dict()
    needed = results.table("specimens_to_decide")
    np.testing.assert_allclose(needed[["outside", "inside", "undecided"]].sum(axis=1), 1)


# What is done to the configurations of two taxa of six and of a query like ash.
SPOILT = {
    "duplicated specimens": lambda shapes: shapes[[0, 0, 2, 2, 4, 5, 6, 6, 6, 9, 10, 11, 12]],
    "a query that is a known specimen": lambda shapes: shapes[[*range(12), 3]],
    "a landmark that never moves": lambda shapes: np.concatenate(
        [shapes[:, :2], np.broadcast_to(shapes[:1, 2:3], (13, 1, 3)), shapes[:, 3:]], axis=1
    ),
    "a taxon of one shape": lambda shapes: shapes[[0, 0, 0, 0, 0, 0, *range(6, 13)]],
    "two landmarks in one place": lambda shapes: shapes[:, [0, 1, 2, 3, 4, 4]],
    "far from the origin": lambda shapes: shapes + 1e5,
}


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=() if n in _SPOILT_FIRST else pytest.mark.long) for n in SPOILT],
)
def test_spoilt_configurations_run_through(name, invent, sketched):
    """Nothing divides by nothing: all steps, all figures and the page, every warning an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        study = invent()
        study.shapes["bone"] = np.array(SPOILT[name](study.shapes["bone"]), dtype=float)
        study.write()
        study.analyse()
        study.draw()
        page = study.page()
    assert not re.search(r">\s*(nan|None|inf)\s*<", page)
    check_trials(study)
    assert set(study.results().table("verdicts")["verdict"]) <= {"inside", "undecided"}


@pytest.mark.parametrize("kinds", ["with replicates", "without"])
def test_the_verdict_is_tried_as_often_as_asked(invent, kinds):
    """Draws of digitising error need replicates; landmarks and specimens need nothing."""
    study = invent(replicates=2 if kinds == "with replicates" else 1)
    study.analyse()
    summary = study.results().table("stability_summary").set_index("choice")["settings"]
    assert summary["landmark left out"] == 6
    assert summary["specimen left out"] == 12
    assert summary["size"] == 2
    assert summary.get("digitising error", 0) == (5 if kinds == "with replicates" else 0)
    needed = study.results().table("specimens_to_decide")
    assert needed["simulations"].tolist() == [1] + 8 * [5]


@pytest.mark.long
def test_what_is_not_asked_for_is_not_tried(invent, sketched):
    """No draws and no simulations: the tables are there, the figure says so, the rest stands."""
    none = {"error_draws": 0, "rarefactions": 2, "simulations": 0}
    study = invent(replicates=2, settings={"robustness": none})
    study.analyse()
    study.draw()
    study.page()
    results = study.results()
    assert results.table("specimens_to_decide").empty
    assert "digitising error" not in set(results.table("stability")["choice"])
    assert results.table("conclusions")["verdict"].tolist() == ["inside"]
    assert np.isnan(results.table("conclusions")["specimens_needed"]).all()


def test_a_query_like_a_known_specimen_in_every_point(invent):
    """It lies inside that specimen's taxon, at no distance from the specimen itself."""
    study = invent()
    study.shapes["bone"][-1] = study.shapes["bone"][7]
    study.write()
    study.analyse()
    row = study.results().table("verdicts").iloc[0]
    assert (row["verdict"], row["taxon"], row["nearest_taxon"]) == ("inside", "birch", "birch")
    scores = study.results().table("shape_scores").set_index("specimen").filter(like="axis_")
    np.testing.assert_allclose(scores.loc["find 1"], scores.loc["birch 2"], atol=1e-8)


def test_a_query_of_another_form_lies_outside(invent):
    """The same steps must be able to say the other thing."""
    study = invent(queries={"find 1": "none of them"})
    study.analyse()
    row = study.results().table("verdicts").iloc[0]
    assert (row["verdict"], row["ground"]) == ("outside", "all_reject")


def test_a_query_larger_than_all_is_told_to_be(invent):
    """The same shape at three times the size: growth was not measured there, and it is said."""
    study = invent()
    study.shapes["bone"][-1] *= 3
    study.write()
    study.analyse()
    row = words_of(study.results(), "verdicts").iloc[0]
    assert row["beyond_sizes_of"] == "ash, birch"
    assert "beyond those measured of ash, birch" in row["reason"]
    assert study.results().table("growth").set_index("specimen").loc["find 1", "extrapolates"]


def test_two_known_specimens_are_refused_in_words(invent, capsys):
    study = invent({"ash": 1, "birch": 1})
    capsys.readouterr()
    assert study.step("prepare", "bone") == 1
    told = capsys.readouterr()
    assert "2 known specimens share 6 landmarks" in told.err
    assert "At least 3 known specimens with 4 shared landmarks are needed" in told.err
    assert "study.yaml" in told.err
    assert "Traceback" not in told.err
    assert not study.config.results.exists()


def test_too_few_landmarks_are_shared(invent, capsys):
    """Each specimen lacks another landmark, and all are to be kept."""
    rule = {"smallest_share": 0.5, "known": "shared", "query": "shared"}
    study = invent(settings={"preparation": {"missing": rule}})
    for i in range(12):
        study.shapes["bone"][i, i % 6] = np.nan
    study.write()
    assert study.step("prepare", "bone") == 1
    assert "12 known specimens share 0 landmarks" in capsys.readouterr().err


def test_all_queries_set_aside(invent, sketched):
    """Too little is left of each: they are undecided, and the known taxa are still compared."""
    study = invent(queries={"find 1": "ash", "find 2": "birch"})
    study.shapes["bone"][-2:, :4] = np.nan
    study.write()
    study.analyse()
    study.draw()
    page = study.page()
    table = words_of(study.results(), "verdicts")
    assert table["verdict"].tolist() == ["undecided", "undecided"]
    assert table["ground"].tolist() == ["set_aside", "set_aside"]
    assert table["answer"].str.contains("2 of 6 landmarks, less than the 75 % asked for").all()
    assert study.results().table("membership").empty
    assert len(study.results().table("pairwise_distances")) == 2
    assert "find 2</strong> (query): too little is left" in page


@pytest.mark.long
def test_a_set_aside_specimen_has_no_part_in_anything(invent):
    """A known specimen with a missing landmark: the tables are those of a study without it."""
    study = invent()
    study.shapes["bone"][0, 0] = np.nan
    study.write()
    study.analyse()
    with_it = study.results().table("membership")
    study.rows.pop(0)
    study.shapes["bone"] = study.shapes["bone"][1:]
    study.write()
    study.analyse()
    pd.testing.assert_frame_equal(with_it, study.results().table("membership"))


@pytest.mark.long
def test_a_landmark_that_one_query_lacks_is_left_out_for_all(invent):
    study = invent()
    study.shapes["bone"][-1, 2] = np.nan
    study.write()
    study.analyse()
    used = study.results().table("landmarks").set_index("landmark")["used"]
    assert used[~used].index.tolist() == ["point_3"]
    assert set(study.results().table("mean_shape")["landmark"]) == set(used[used].index)


def test_no_side_where_bones_of_both_sides_are_matched(invent, sketched, capsys):
    """Without the column side all are taken to be of one: the check says so."""
    study = invent()
    for row in study.rows:
        del row["side"]
    study.scheme["symmetry"] = "matching"
    study.write()
    study.analyse()
    study.draw()
    study.page()
    assert "all are taken to be of one" in capsys.readouterr().err
    assert not study.results().table("specimens")["mirrored"].any()
    assert study.results().notes("prepare")["side"] == ""


@pytest.mark.long
def test_mirrored_bones_give_the_same_study(invent):
    """Right bones, digitised as mirror images, change nothing but the note of it."""
    study = invent(side="left")
    study.scheme["symmetry"] = "matching"
    study.write()
    study.analyse()
    before = study.results().table("membership")
    for i in (1, 8):
        study.shapes["bone"][i] *= [-1, 1, 1]
        study.rows[i]["side"] = "right"
    study.write()
    study.analyse()
    numbers = study.results().table("membership")
    pd.testing.assert_frame_equal(before, numbers, rtol=1e-6)
    assert study.results().table("specimens")["mirrored"].sum() == 2


def test_no_permutations_give_no_p_value(invent):
    """Blank, not 1: and the verdict, which needs no permutation, is there."""
    study = invent(settings={"tests": {"permutations": 0}})
    study.analyse()
    for name in ("model_terms", "slopes", "group_criteria", "pairwise_distances"):
        assert study.results().table(name)["p_value"].isna().all(), name
    assert study.results().table("verdicts")["p_value_as_it_is"].notna().all()


def test_a_covariate_has_its_own_line_and_its_own_degrees_of_freedom(invent):
    """A column of words is a factor with a level less; a column of numbers is one slope."""
    terms = {"terms": ["sex", "age", "taxon"]}
    columns = {"sex": ["f", "m", "u"] * 4 + [""], "age": AGE[:5] + AGE[:8]}
    study = invent(columns=columns, settings={"model": terms})
    study.analyse()
    table = study.results().table("model_terms").set_index("term")["degrees_of_freedom"]
    assert table.to_dict() == {"sex": 2, "age": 1, "taxon": 1, "residual": 7, "total": 11}


@pytest.mark.long
def test_names_that_look_like_something_else(invent, sketched):
    """Specimens and taxa named like numbers, blanks and formulas come through every table."""
    names = ["NA", "1e5", "007", "=cmd()", '"quoted", they say', "nan", "True", "-1", "a;b", "+2"]
    study = invent({"None": 5, "1.0": 5}, {"null": "None"})
    for row, name in zip(study.rows, names, strict=False):
        row["specimen"] = name
    study.write()
    study.analyse()
    study.draw()
    study.page()
    results = study.results()
    assert set(results.table("specimens")["specimen"]) == {*names, "null"}
    assert set(results.table("shape_scores")["specimen"]) == {*names, "null"}
    assert set(results.table("membership")["taxon"]) == {"None", "1.0"}
    assert results.table("verdicts")["specimen"].tolist() == ["null"]


def test_a_line_break_in_a_name_is_refused(invent, capsys):
    study = invent()
    study.rows[0]["specimen"] = "ash\n1"
    study.write()
    assert study.step("check") == 1
    assert "line break" in capsys.readouterr().err


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.long)])
def test_the_order_of_rows_moves_no_byte(invent, seed):
    """Specimens and rows of landmarks in another order: every table is the same file."""
    study = invent({"ash": 5, "birch": 5, "cedar": 4}, {"find 1": "ash", "find 2": "own"})
    study.analyse()
    folders = [study.results().folder / "tables", study.joined.folder / "tables"]
    before = {path.name: path.read_bytes() for folder in folders for path in folder.iterdir()}
    study.write(np.random.default_rng(seed).permutation(len(study.rows)).tolist())
    study.analyse()
    after = {path.name: path.read_bytes() for folder in folders for path in folder.iterdir()}
    assert after == before
    assert len(before) > 30


@pytest.mark.long
def test_another_seed_moves_permutations_only(invent):
    study = invent()
    study.analyse()
    names = ("model_terms", "pairwise_distances", "verdicts")
    before = {name: study.results().table(name) for name in names}
    study.study["seed"] = 5
    study.write()
    study.analyse()
    after = study.results().table("pairwise_distances")
    model = study.results().table("model_terms")
    assert not model["effect_size"].equals(before["model_terms"]["effect_size"])
    pd.testing.assert_series_equal(after["distance"], before["pairwise_distances"]["distance"])
    pd.testing.assert_frame_equal(study.results().table("verdicts"), before["verdicts"])


@pytest.mark.long
def test_one_taxon_on_the_page_and_in_the_methods(invent, sketched):
    """The growth model without taxon, no table without rows, no message of a program."""
    study = invent(taxa={"ash": 8}, settings={"model": {"terms": ["size", "taxon"]}})
    study.scheme["description"] = "A bone without a stop"
    study.write()
    study.analyse()
    study.draw()
    page = re.sub(r"<script\b.*?</script>", "", study.page(), flags=re.DOTALL)
    assert study.step("supplement") == 0
    methods = (study.config.results / "supplement" / "methods.md").read_text(encoding="utf-8")
    terms = study.results().table("model_terms")
    assert terms["term"].tolist() == ["size", "residual", "total"]
    assert np.isfinite(terms["p_value"].iloc[0])
    for text in (page, methods):
        for raw in ("adds nothing", "at least two are", "two groups", "criteria, as it", ".;"):
            assert raw not in text
        assert "There is one known taxon, so the term taxon of the linear model" in text
    assert not re.search(r"<tbody>\s*</tbody>", page)
    assert "A bone without a stop. 6 of 6 landmarks are analysed." in page
    assert "No specimen was digitised twice: digitising error is not known." in page
    assert "no specimen was digitised twice: dig" not in page
    assert "Discs on the mean bone" not in page
    assert "There is nothing to show: no specimen was digitised twice" in page


def test_a_query_that_is_not_digitised_is_no_lack_of_queries(invent, sketched):
    study = invent(queries={})
    study.analyse()
    study.draw()
    row = {name: "" for name in study.rows[0]}
    study.rows.append(row | {"specimen": "find <9>", "role": "query"})
    with open(study.folder / "specimens.csv", "a", encoding="utf-8") as file:
        file.write(",".join(study.rows[-1].values()) + "\n")
    page = study.page()
    assert "find &lt;9&gt; has no digitisation, so there is no verdict on it." in page
    assert "There is no query in this study" not in page
