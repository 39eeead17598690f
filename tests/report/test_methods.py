"""Methods and results say what the tables and settings say, number by number."""

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pytest

from helpers import small_tables as small
from morpho.inference.membership.calibrated import WIDENED
from morpho.inference.models.slopes import FEWEST
from morpho.inference.robustness.noticing import ENOUGH
from morpho.inference.robustness.stability import CHOICES
from morpho.report.words.filters import marked_name
from morpho.report.words.methods import methods_paragraphs
from morpho.report.words.results import findings, joined_findings
from morpho.report.words.writing import as_markdown, as_plain
from morpho.wording import number, p_words

VERSIONS = {"formkin": "9.8.7", "numpy": "6.5.4"}


def methods(settings, *elements):
    marked = methods_paragraphs(settings, elements, VERSIONS)
    return "\n".join(as_plain(text) for text in marked)


def results(settings, element):
    return "\n".join(map(as_plain, marked_results(settings, element)))


def marked_results(settings, element):
    return findings(settings, [element], {element.name: small.told(element)})[element.name]


@pytest.fixture
def element():
    return small.element()


# ---------------------------------------------------------------- numbers


def readings(value):
    """Every way in which the words may write a number; a distance has no sign."""
    found = {number(value), number(abs(value)), f"{value:.3f}", f"{value:.0f}"}
    found |= {f"{100 * value:.0f}", f"{100 * value:.1f}"}
    return found


def numbers_of(data):
    """Every number in settings, notes or tables."""
    if isinstance(data, Mapping):
        return {n for value in data.values() for n in numbers_of(value)}
    if isinstance(data, list | tuple):
        return {n for value in data for n in numbers_of(value)}
    if isinstance(data, pd.DataFrame):
        return {n for column in data for n in numbers_of(data[column].tolist())}
    if isinstance(data, bool | str) or data is None:
        return set()
    return {float(data)} if np.isfinite(data) else set()


def counts_of(element):
    """Counts of rows: of tables, and of their parts by a text or flag."""
    found = set()
    for table in element.tables.values():
        found.add(len(table))
        texts = [c for c in table if table[c].dtype == bool or not is_number(table[c])]
        for column in texts:
            found |= set(table[column].value_counts().tolist()) | {table[column].nunique()}
        if "used" in table and "role" in table:
            used = table[table["used"]]
            found |= set(used.groupby("role").size()) | set(used.groupby("taxon").size())
            found.add(int((used["digitisations"] > 1).sum()))
    return {str(count) for count in found}


def is_number(column):
    return pd.api.types.is_numeric_dtype(column)


def told(text):
    """Numbers that stand in a text, without those of citations and versions."""
    text = NAMES.sub("", CITED.sub("", text))
    for version in VERSIONS.values():
        text = text.replace(version, "")
    return set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?:e-?\d+)?", text))


# Said of the method itself.
ALWAYS = {"95", "0.001", str(FEWEST), f"{100 * (WIDENED - 1):.0f}", f"{100 * ENOUGH:.0f}"}
CITED = re.compile(r"\([^()]*\b(1[89]|20)\d\d[^()]*\)")
# Hotelling's T2 is no number.
NAMES = re.compile(r"\bT2\b")


@pytest.mark.parametrize("which", ["methods", "results"])
def test_every_number_stands_in_tables_notes_or_settings(element, which):
    settings = small.settings()
    text = methods(settings, element) if which == "methods" else results(settings, element)
    values = numbers_of(settings.plain()) | numbers_of(element.tables) | numbers_of(element.notes)
    allowed = set().union(*map(readings, values)) | counts_of(element) | ALWAYS
    found = told(text)
    assert len(found) > 12
    assert found <= allowed, found - allowed


# Table, row, column: a number that the words tell.
TOLD = [
    ("variance_per_axis", 0, "share_of_variance"),
    ("variance_per_axis", 1, "share_of_variance"),
    ("model_terms", 0, "share_of_variance"),
    ("model_terms", 0, "f_ratio"),
    ("model_terms", 0, "degrees_of_freedom"),
    ("model_terms", 0, "p_value"),
    ("model_terms", 1, "p_value"),
    ("slopes", 2, "share_of_variance"),
    ("slopes", 2, "p_value"),
    ("pairwise_distances", 0, "distance"),
    ("pairwise_distances", 0, "p_value_holm"),
    ("pairwise_distances", 1, "p_value_holm"),
    ("pairwise_distances", 2, "distance"),
    ("accuracy", 0, "correct"),
    ("accuracy", 0, "specimens"),
    ("accuracy", 0, "share_correct"),
    ("accuracy", 0, "chance_corrected"),
    ("asymmetry", 0, "p_value"),
    ("asymmetry", 1, "p_value"),
    ("calibration_summary", 2, "outside"),
    ("calibration_summary", 2, "specimens"),
    ("calibration_summary", 2, "interval_low"),
    ("calibration_summary", 2, "interval_high"),
    ("calibration_summary", 3, "outside"),
    ("calibration_summary", 4, "outside"),
    ("calibration_summary", 4, "specimens"),
    ("membership", 3, "procrustes_distance"),
    ("membership", 3, "comparable_distance"),
    ("membership", 3, "mahalanobis_distance"),
    ("membership", 3, "landmark_distance"),
    ("membership", 3, "relative_distance"),
    ("membership", 3, "taxon_specimens"),
    ("noticing", 0, "smallest"),
    ("noticing", 0, "difference"),
    ("noticing", 0, "power"),
    ("noticing", 0, "power_low"),
    ("noticing", 0, "power_high"),
    ("noticing_landmarks", 0, "smallest_mm"),
    ("noticing_landmarks", 1, "smallest_mm"),
]


@pytest.mark.parametrize(("table", "row", "column"), TOLD)
def test_each_told_number_follows_its_table(element, table, row, column):
    """Another number in the table is another number in the words, and nothing else moves it."""
    settings = small.settings()
    before = results(settings, element)
    value = element.tables[table].loc[row, column]
    other = value + 1 if float(value).is_integer() else 1.0371 * value
    element.tables[table][column] = element.tables[table][column].astype(type(other))
    element.tables[table].loc[row, column] = other
    after = results(settings, element)
    assert after != before
    shown = readings(other) | {p_words(other).removeprefix("p = ")}
    assert told(after) & shown
    # sentence by sentence, only one is another
    old, new = before.split(". "), after.split(". ")
    assert len(old) == len(new)
    assert sum(a != b for a, b in zip(old, new, strict=True)) == 1


def test_degrees_of_freedom_are_those_left_by_the_model_up_to_the_term(element):
    """As each F is tested by the residual of that model."""
    table = element.tables["model_terms"]
    table["degrees_of_freedom"] = [1.0, 3.0, 36.0, 40.0]
    words = results(small.settings(), element)
    assert " on 1 and 39 degrees of freedom" in words
    assert " on 3 and 36 degrees of freedom" in words


NOTED = [
    ("slide", "passes", 14, "14 passes"),
    ("slide", "imputations", 31, "31 draws"),
    ("screen", "screened", 77, "Digitisations (77)"),
    ("ordinate", "share", 0.8861, "89 % of the variance"),
    ("ordinate", "axes_retained", 7, "7 with"),
    ("place", "shrinkage", {"as it is": 0.5512}, "target: 0.551 as it is)"),
]


@pytest.mark.parametrize(("step", "key", "value", "words"), NOTED)
def test_methods_follow_the_notes(element, step, key, value, words):
    assert words not in methods(small.settings(), element)
    element.notes[step][key] = value
    assert words in methods(small.settings(), element)


@pytest.mark.parametrize(
    ("block", "value", "words"),
    [
        ("seed", 4242, "is 4242"),
        ("tests", {"permutations": 8888}, "8888 permutations"),
        ("tests", {"alpha": 0.0123}, "rejects at 0.0123"),
        ("tests", {"smallest_taxon": 6}, "fewer than 6 specimens"),
        ("tests", {"folds": 7}, "7 folds"),
        ("tests", {"covariance": "shrunken"}, "a shrunken (Ledoit & Wolf 2004) covariance"),
        ("shape_space", {"share": 0.83}, "83 % of the variance"),
        ("shape_space", {"axes": "parallel"}, "parallel analysis"),
        ("shape_space", {"most": 21}, "more than 21"),
        ("model", {"terms": ["taxon", ["size", "taxon"]]}, "terms taxon and size by taxon"),
        (
            "preparation",
            {"semilandmarks": {"criterion": "procrustes"}},
            "the Procrustes distance to the mean least",
        ),
    ],
)
def test_methods_follow_the_settings(element, block, value, words):
    assert words not in methods(small.settings(), element)
    assert words in methods(small.settings(**{block: value}), element)


# Where a query differs, sample size and surfaces: rows at the query's own size.
DIFFERING = [
    ("displacements", 3, "displacement_mm"),
    ("displacements", 3, "in_taxon_sd"),
    ("fits", 1, "fits_rank_correlation"),
    ("fits", 1, "share_of_fits_differing"),
    ("region_displacements", 2, "share_of_displacement"),
    ("region_displacements", 2, "share_expected"),
    ("region_displacements", 2, "share_p_value_false_discovery"),
    ("measurement_ranking", 4, "value"),
    ("measurement_ranking", 4, "standardised_difference"),
    ("measurement_ranking", 4, "difference"),
    ("measurement_ranking", 4, "difference_percent"),
    ("adequacy", 0, "mean_error"),
    ("adequacy", 1, "mean_error"),
]


@pytest.mark.parametrize(("table", "row", "column"), DIFFERING)
def test_each_number_on_differences_follows_its_table(element, table, row, column):
    test_each_told_number_follows_its_table(element, table, row, column)


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "before", "after"),
    [
        ("specimens_to_decide", 2, "added", 22, "6 and 18 specimens", "6 and 22 specimens"),
        ("specimens_to_decide", 2, "simulations", 71, "43 times", "71 times"),
        ("meshes", 2, "share_folded", 0.0, "In 1 of these surfaces", None),
        ("meshes", 0, "watertight", False, "5 of 5 surfaces are closed", "4 of 5 surfaces"),
        ("meshes", 3, "holes_closed", 38, "37 holes filled", "38 holes filled"),
    ],
)
def test_methods_follow_the_tables(element, table, row, column, value, before, after):
    assert before in methods(small.settings(), element)
    element.tables[table].loc[row, column] = value
    text = methods(small.settings(), element)
    assert before not in text
    assert after is None or after in text


def test_kinds_of_measurements_and_of_forms_are_those_of_the_tables(element):
    text = methods(small.settings(), element)
    assert "Distances (mm) between landmarks and angles were taken" in text
    assert "to means, ends of axes and forms predicted by growth (3 surfaces)" in text
    table = element.tables["measurement_ranking"]
    element.tables["measurement_ranking"] = table[table["kind"] == "distance"]
    element.tables["meshes"] = element.tables["meshes"].iloc[:1]
    text = methods(small.settings(), element)
    assert "Distances (mm) between landmarks were taken" in text
    assert "to means (1 surfaces)" not in text
    assert "to means (1 surface)" in text
    for word in ("filled", "Colours", "predicted by growth"):
        assert word not in text


def test_what_was_done_at_one_size_only_is_not_told_of_both(element):
    for name in ("displacements", "measurement_ranking", "membership"):
        table = element.tables[name]
        element.tables[name] = table[~table["size_heeded"]]
    text = methods(small.settings(), element)
    assert "from its nearest taxon (from its mean) were tested" in text
    for words in ("expected of it at", "beyond allometry", "Huxley", "as it is and at its own"):
        assert words not in text
    assert "each known taxon (from" in methods(
        small.settings(differences={"against": "all"}), element
    )


@pytest.mark.parametrize(
    ("p", "own", "words"),
    [
        (0.613, [], "(it did not reject)"),
        (0.0431, ["ash", "elm"], "(it rejected; own slopes: ash and elm)"),
        (0.0431, [], "(it rejected, but no taxon could be given one)"),
        (None, [], None),
    ],
)
def test_own_slopes_are_those_of_the_notes(element, p, own, words):
    element.notes["grow"]["slopes_p_value"] = p
    element.notes["place"]["own_slopes"] = own
    text = methods(small.settings(), element)
    assert ("slopes of their own" in text) == (words is not None)
    assert words is None or words in text
    assert ("as slopes differ" in text) == (p is not None and p <= 0.05)


def test_each_choice_is_told_in_words(element):
    """Every kind of choice that can be tried has words of its own."""
    table = element.tables["stability_summary"]
    for choice in CHOICES[1:]:
        element.tables["stability_summary"] = table.assign(choice=choice)
        [sentence] = re.findall(
            r"one changed at a time: (.*?)\.", methods(small.settings(), element)
        )
        assert sentence != choice


def test_what_stands_before_a_verdict_is_taken_back_is_what_was_tried(element):
    text = methods(small.settings(robustness={"smallest_share": 0.73}), element)
    assert "smaller share than 0.73 of the settings" in text
    assert "of fewer than ten settings at least two must turn it, or the only one" in text
    assert "suspects a slip" not in text
    slips = pd.DataFrame({"specimen": ["find", "ash 1"], "kind": "displaced", "landmarks": "tip"})
    element.tables["suspicions"] = slips
    assert "screening suspects a slip in the digitisation of the query" in methods(
        small.settings(), element
    )
    assert "smaller share" not in methods(small.settings(robustness={"smallest_share": 0}), element)
    element.tables["calibration_summary"] = element.tables["calibration_summary"].iloc[:0]
    text = methods(small.settings(), element)
    assert "binomial" not in text
    assert "smaller share than 0.8" in text


def test_members_of_taxa_left_out_are_a_result_for_these_taxa(element):
    """Counts taxon by taxon, no interval: as many members as one likes are no sample of taxa."""
    text = results(small.settings(), element)
    [told] = re.findall(r"Of the members of taxa left out whole.*?\.", text)
    assert told == (
        "Of the members of taxa left out whole, 2 of 4 (ash) and 4 of 5 (oak) were told outside "
        "the other taxa: a result for these taxa, not for new ones at large."
    )
    words = methods(small.settings(), element)
    assert "over all taxa left out there is none" in words
    table = element.tables["calibration_summary"]
    none = table.assign(outside=table["outside"].where(table["left_out"] == "specimen", 0))
    element.tables["calibration_summary"] = none
    text = results(small.settings(), element)
    assert "0 of 4 (ash) and 0 of 5 (oak) were told outside the other taxa: the proced" in text
    element.tables["calibration_summary"] = table[table["left_out"] == "specimen"]
    assert "all taxa left out" not in methods(small.settings(), element)
    assert "With one known taxon" in results(small.settings(), element)


def test_ranks_and_what_stands_in_for_them_are_told_where_they_were_used(element):
    """The normal variable is named where it was used, and ranks where they were."""
    few = methods(small.settings(), element)
    assert "Fewer than 19 known specimens could be left out, so that no rank reaches 0.05" in few
    assert "normal variable, the standard deviation widened by 15 %" in few
    assert "found as if it were a query" not in few
    element.tables["verdicts"]["by_ranks"] = True
    many = methods(small.settings(), element)
    assert "found as if it were a query (Vovk et al. 2005; Vovk 2015; Barber et al. 2021)" in many
    assert "normal variable" not in many
    other = small.element(name="upper_jaw")
    both = methods(small.settings(), element, other)
    assert "Fewer than 19 known specimens could be left out for the upper jaw, so that" in both
    assert "found as if it were a query" in both
    assert "for a taxon with 99 specimens or more" in methods(
        small.settings(tests={"alpha": 0.01}), element
    )


def test_what_is_done_about_digitising_error_is_told_where_it_is_known(element):
    text = methods(small.settings(), element)
    assert "digitising error of the query exceeds that of the known specimens" in text
    assert "with twice that error as well" not in text
    element.tables["specimen_error"].loc[1, "told_by"] = "others"
    assert "others' replicates only, with twice that error as well" in methods(
        small.settings(), element
    )
    element.tables["specimen_error"]["error_mm"] = np.nan
    assert "exceeds that of the known" not in methods(small.settings(), element)


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        (None, "as the two nearest known taxa from each other would be noticed"),
        (0.0717, "as 0.0717 in Procrustes distance would be noticed"),
    ],
)
def test_what_inside_asks_for_is_told(element, stated, told):
    text = methods(small.settings(tests={"difference": stated}), element)
    assert f"less than 80 % of forms as far from every taxon {told}" in text
    element.tables["noticing"] = element.tables["noticing"].iloc[:0]
    assert "would be noticed" not in methods(small.settings(), element)


@pytest.mark.parametrize(
    ("specimens", "by", "told"),
    [
        (["oak e"], "other specimens",
         "among known specimens they tend to make p-values too small."),
        (["find"], "other specimens", "in a query they tend to make p-values too large."),
        (["find", "oak e"], "other specimens",
         "among known specimens they tend to make p-values too small, in a query too large."),
        (["find", "oak e"], "mirror side", None),
        ([], "other specimens", None),
    ],
)  # fmt: skip
def test_what_estimates_do_to_p_values_is_told_where_there_are_any(element, specimens, by, told):
    """Those from the mirror side are bone; who has estimates decides which way p-values go."""
    table = element.tables["estimated_points"]
    element.tables["estimated_points"] = pd.DataFrame(
        [table.iloc[0].to_dict() | {"specimen": name, "estimated_by": by} for name in specimens],
        columns=table.columns,
    )
    text = methods(small.settings(), element)
    assert ("nearer the mean" in text) == (told is not None)
    if told:
        assert f"from other specimens lie nearer the mean than bone does: {told}" in text
    element.tables["membership"] = element.tables["membership"].iloc[:0]
    assert "nearer the mean" not in methods(small.settings(), element)


def test_families_of_false_discoveries_are_those_of_the_table(element):
    assert (
        "p-values adjusted over the landmarks and, apart from them, over the semilandmarks by "
        "control of false discoveries" in methods(small.settings(), element)
    )
    table = element.tables["displacements"]
    element.tables["displacements"] = table[table["kind"] == "landmark"]
    text = methods(small.settings(), element)
    assert "p-values adjusted over the landmarks by control of false discoveries" in text


# ---------------------------------------------------------------- elements together


def individually(query="find"):
    lines = {query: f"{query} by 2 elements.", "lone": "lone by one element only."}
    return {name: marked_name(text) for name, text in lines.items()}


def together_text(joined):
    return "\n".join(map(as_plain, joined_findings(joined, individually())))


def test_individuals_with_one_element_are_not_told_of():
    text = together_text(small.joined())
    assert "find by 2 elements." in text
    assert "lone" not in text


def test_relative_sizes_are_those_of_the_table():
    assert (
        "The centroid size of the bone of find is 2.88 times that of its upper rib, outside the "
        "range of ash (2.12 to 2.34, n = 3), within that of oak (2.71 to 2.93, n = 5); it differs "
        "least from oak (0.448 of its standard deviations below its mean, p = 0.627)."
        in together_text(small.joined())
    )


@pytest.mark.parametrize(
    ("column", "row", "value", "words"),
    [
        ("query_ratio", 0, 2.555, "is 2.56 times"),
        ("ratio_minimum", 0, 2.001, "ash (2 to"),
        ("ratio_maximum", 1, 2.999, "to 3, n = 5"),
        ("taxon_specimens", 1, 11, "n = 11"),
        ("outside_range", 0, False, "within that of ash"),
        (
            "p_value_false_discovery",
            0,
            0.777,
            "least from ash (3.77 of its standard deviations above its mean, p = 0.777)",
        ),
    ],
)
def test_relative_sizes_follow_their_table(column, row, value, words):
    joined = small.joined()
    assert words not in together_text(joined)
    table = joined["proportions"]
    if column == "query_ratio":
        table[column] = value
    else:
        table.loc[row, column] = value
    assert words in together_text(joined)


def test_without_other_elements_nothing_is_joined(element):
    assert joined_findings({}, individually()) == []
    empty = {name: table.iloc[:0] for name, table in small.joined().items()}
    assert joined_findings(empty, individually()) == []
    single = small.joined()
    single["individuals"] = single["individuals"].iloc[1:]
    single["proportions"] = single["proportions"].iloc[:0]
    assert joined_findings(single, individually()) == []
    for joined in (None, {}, empty, single):
        marked = methods_paragraphs(small.settings(), [element], VERSIONS, joined)
        assert not any("Bonferroni" in text or "Relative sizes" in text for text in marked)
    marked = methods_paragraphs(small.settings(), [element], VERSIONS, small.joined())
    assert any("Bonferroni" in text and "Relative sizes" in text for text in marked)


@pytest.mark.parametrize("name", small.HOSTILE)
def test_hostile_names_stay_text_where_elements_are_joined(name):
    texts = joined_findings(small.joined(name), individually(name))
    assert name in "\n".join(map(as_plain, texts))
    assert not re.search(r"(?<!\\)<", "\n".join(map(as_markdown, texts)))


def test_elements_are_named_where_not_all_are_meant(element):
    other = small.element(name="upper_jaw")
    assert "Asymmetry was split" in methods(small.settings(), element, other)
    element.tables["asymmetry"] = element.tables["asymmetry"].iloc[:0]
    assert "Asymmetry of the upper jaw was split" in methods(small.settings(), element, other)


# ---------------------------------------------------------------- what is not claimed


def test_nothing_is_said_of_what_was_not_done(element):
    """Empty tables leave no sentence behind."""
    for name in ("model_terms", "slopes", "pairwise_distances", "accuracy", "asymmetry",
                 "membership", "calibration_summary", "estimated_points", "distortion",
                 "digitising_error", "stability_summary", "group_criteria", "adequacy",
                 "rarefaction", "specimens_to_decide", "noticing",
                 "noticing_landmarks", *small.differing()):  # fmt: skip
        element.tables[name] = element.tables[name].iloc[:0]
    element.notes["measure"] = {"repeatability": None, "error_distance": None, "trouble": []}
    element.notes["superimpose"]["symmetric"] = False
    element.notes["slide"] |= {"curves": [], "imputations": 0}
    element.notes["screen"]["screened"] = 0
    element.notes["grow"] |= {"slope_length": 0.0, "slopes_p_value": None}
    text = methods(small.settings(), element) + results(small.settings(), element)
    for word in ("linear model", "growth line", "Holm", "kappa", "symmetry", "Semilandmarks",
                 "estimated", "strangeness", "notices", "Distortion", "intersection",
                 "permutations", "criteria", "Repeatability", "binomial", "screened",
                 "Hotelling", "region", "Distances (mm)", "Hedges", "thin-plate", "scan",
                 "subsamples", "simulated", "slopes", "Bonferroni", "Relative sizes",
                 "taken back", "beside its nearest", "expected error", "normally"):  # fmt: skip
        assert word not in text, word
    assert "Digitising error is not known" in text


def test_a_test_without_a_p_value_claims_nothing(element):
    """No permutations: p is not known, and no effect is told as found or not found."""
    for name in ("model_terms", "slopes", "pairwise_distances", "asymmetry"):
        for column in ("p_value", "p_value_holm"):
            if column in element.tables[name]:
                element.tables[name][column] = np.nan
    element.notes["measure"]["observer_p_value"] = np.nan
    text = results(small.settings(tests={"permutations": 0}), element)
    assert "(not tested)" in text
    for word in ("detected", "do not share", "difference of means"):
        assert word not in text
    assert "permutations" not in methods(small.settings(tests={"permutations": 0}), element)


@pytest.mark.parametrize(
    ("table", "row", "column", "rejects", "keeps"),
    [
        ("model_terms", 1, "p_value", "taxon goes with", "no effect of taxon was detected"),
        ("slopes", 2, "p_value", "one growth line is rejected at 0.05", "which is no proof"),
        ("asymmetry", 0, "p_value", "asymmetry was detected", "asymmetry was not detected"),
        ("pairwise_distances", 1, "p_value_holm", "in 2 of 2 pairs", "in 1 of 2 pairs"),
    ],
)
def test_words_turn_with_the_level(element, table, row, column, rejects, keeps):
    """At the level itself a test rejects; above it, it does not."""
    settings = small.settings()
    element.tables[table].loc[row, column] = 0.05
    at = results(settings, element)
    assert rejects in at
    assert keeps not in at
    element.tables[table].loc[row, column] = 0.0501
    above = results(settings, element)
    assert keeps in above
    assert rejects not in above


def test_known_specimens_that_look_wrong_are_named_in_the_results(element):
    table = element.tables["specimens"]
    known = table.loc[(table["role"] == "known") & table["used"], "specimen"].iloc[0]
    assert "screening suspects" not in results(small.settings(), element)
    element.tables["suspicions"] = pd.DataFrame(
        {
            "specimen": ["find", known],
            "kind": "displaced",
            "landmarks": ["tip", "edge"],
            "replicate": "",
            "deviations": "7.1",
        }
    )
    text = results(small.settings(), element)
    assert f"Of the known specimens, screening suspects {known} (edge out of place):" in text
    assert text.count("screening suspects") == 1


def test_the_nearest_and_the_farthest_pair_are_those_of_the_distances(element):
    """By distance, not by p-value or place in the table."""
    element.tables["pairwise_distances"].loc[1, "p_value_holm"] = 0.031
    text = results(small.settings(), element)
    assert (
        "in 2 of 2 pairs of taxa after Holm's rule (largest adjusted p-value among these: 0.031; "
        "nearest ash and elm 0.0619 apart; farthest ash and oak 0.0871 apart)." in text
    )


OPENINGS = {
    "outside": "By its bone, find falls outside every known taxon of this sample.",
    "inside": "By its bone, find is compatible with oak.",
    "undecided": "By its bone, find can be told neither outside nor inside.",
}


@pytest.mark.parametrize("verdict", OPENINGS)
def test_the_verdict_is_that_of_the_table(element, verdict):
    element.tables["verdicts"].loc[0, ["verdict", "taxa_not_rejected"]] = verdict, "oak"
    text = results(small.settings(), element)
    assert {v for v, words in OPENINGS.items() if words in text} == {verdict}


CONCLUSION = {
    "specimen": "find", "verdict": "undecided", "verdict_before": "outside",
    "tempered_by": "unstable", "choice": "digitising error", "left_out_specimens": 0,
    "left_out_members": 0, "rests_on": "",
}  # fmt: skip


def test_a_conclusion_goes_before_the_verdict(element):
    """Where calibration or stability took it back, the sentence says what is left, once."""
    element.tables["conclusions"] = pd.DataFrame([CONCLUSION])
    text = results(small.settings(), element)
    assert text.count("that turns too often with one kind of choice (digitising error)") == 1
    assert text.count("neither outside nor inside") == 1
    assert OPENINGS["outside"] not in text
    assert "Outside holds in 17 of 19 other settings" in text


def test_nothing_is_told_twice(element):
    """Calibration is one for all queries of an element; no sentence comes again."""
    other = small.element(("find", "second"))
    rows = [CONCLUSION | {"specimen": name} for name in ("find", "second")]
    other.tables["conclusions"] = pd.DataFrame(rows)
    text = results(small.settings(), other)
    assert (
        text.count("Of 8 known specimens left out in turn and judged by the rest, 1 were told") == 1
    )
    assert text.count("2 of 4 (ash) and 4 of 5 (oak) were told outside the other taxa") == 1
    for each in (results(small.settings(), element), methods(small.settings(), element)):
        bare = CITED.sub("", each).replace("\n", " ")
        sentences = [sentence for sentence in bare.split(". ") if sentence]
        assert len(sentences) == len(set(sentences)) > 12


def test_what_went_wrong_is_told(element):
    element.notes["discriminate"]["trouble"] = [
        {
            "part": "discrimination",
            "size_heeded": False,
            "code": "few_specimens",
            "least": 4,
            "found": 3,
        }
    ]
    text = results(small.settings(), element)
    assert text.endswith(
        "Canonical axes with cross-validation (as it is) could not be computed: it takes at "
        "least 4 specimens, and there are 3 specimens."
    )


def test_a_sample_and_what_was_set_aside(element):
    text = methods(small.settings(), element)
    assert (
        "For the bone, 8 known specimens (ash, n = 3; oak, n = 5) and 1 to be placed (query) were "
        "analysed on 6 of 7 landmarks and 1 semilandmark on 1 curve. Set aside: ash a (known; too "
        "little is left: 7 of 7 landmarks, less than the 75 % asked for)." in text
    )
    assert "Replicate digitisations of 2 specimens" in text


def test_elements_are_told_apart():
    settings = small.settings()
    first, second = small.element(), small.element(name="upper_jaw")
    second.notes["slide"]["passes"] = 5
    text = methods(settings, first, second)
    assert "(13 passes for the bone; 5 passes for the upper jaw)" in text
    both = {one.name: small.told(one) for one in (first, second)}
    assert list(findings(settings, [first, second], both)) == ["bone", "upper_jaw"]


# ---------------------------------------------------------------- names


def test_hostile_queries_stay_text_in_the_results():
    element = small.element(small.HOSTILE)
    text = marked_results(small.settings(), element)
    markdown = "\n\n".join(map(as_markdown, text))
    plain = "\n".join(map(as_plain, text))
    for name in small.HOSTILE:
        assert name in plain
    assert not re.search(r"(?<!\\)<", markdown)
