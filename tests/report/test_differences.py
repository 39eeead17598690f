"""Sentences on where a query differs: tied to their numbers, hedged; names stay text."""

import re

import pandas as pd
import pytest

from helpers import small_tables as small
from morpho.report.page import _query_table
from morpho.report.paper.tables import PRINTED
from morpho.report.words.differences import difference_words, nothing_passes
from morpho.report.words.filters import marked_name
from morpho.report.words.writing import as_markdown, as_plain
from morpho.results.figures import FIGURES
from morpho.results.tables import JOINED, TABLES
from morpho.wording import number

ALPHA = 0.05


@pytest.fixture
def tables():
    return small.differing()


def words(tables, alpha=ALPHA, specimen="find", taxon="oak"):
    return difference_words(tables, specimen, taxon, alpha)


def test_the_sentences(tables):
    """Landmarks, fits, regions, measurements: as a describer would read them."""
    assert words(tables) == [
        "Compared with oak at its own size, 1 of 2 landmarks lies off beyond false-discovery "
        "control at 0.05; most so, held against the usual displacement of members: p (1.24 mm "
        "higher; 1.24 mm in all, 4.14 times the usual; Tip of the spine). Directions: x: front; "
        "y: top; z: outer side; as on a right bone. Of 1 semilandmark, adjusted apart, 1 does.",
        "A fit that a local change does not drag along ranks the points much alike (Spearman's "
        "correlation 0.911); the two differ by more than one usual displacement at 14 % of the "
        "points.",
        "Of the difference 63 % lies in front part, which holds 42 % of the variation within taxa: "
        "a larger share than members have there (p = 0.037 after false-discovery control).",
        "2 of 3 distances between landmarks lie outside the range of every taxon (at its own "
        "size), 1 of them beyond false-discovery control at 0.05: p to q (7.13 mm; 0.467 mm or "
        "6.15 % shorter than the mean of ash, 3.27 of its standard deviations; below every range).",
    ]


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "place"),
    [
        ("displacements", 3, "displacement_mm", 2.917, 0),
        ("displacements", 3, "in_taxon_sd", 5.119, 0),
        ("fits", 1, "fits_rank_correlation", 0.8317, 1),
        ("region_displacements", 2, "share_of_displacement", 0.7113, 2),
        ("region_displacements", 2, "share_expected", 0.2919, 2),
        ("measurement_ranking", 4, "value", 8.8117, 3),
        ("measurement_ranking", 4, "standardised_difference", -4.117, 3),
        ("measurement_ranking", 4, "difference", -0.5113, 3),
        ("measurement_ranking", 4, "difference_percent", -9.317, 3),
    ],
)
def test_another_number_in_the_table_is_another_in_its_sentence(
    tables, table, row, column, value, place
):
    before = words(tables)
    tables[table].loc[row, column] = value
    after = words(tables)
    assert [i for i in range(4) if before[i] != after[i]] == [place]
    shown = {number(abs(value)), f"{100 * value:.0f}"}
    assert any(re.search(rf"(?<![\d.]){re.escape(text)}(?!\d)", after[place]) for text in shown)


@pytest.mark.parametrize("heeded", [True, False])
def test_rows_as_it_is_are_told_only_where_there_are_no_others(tables, heeded):
    if not heeded:
        for name in ("displacements", "fits", "region_displacements", "measurement_ranking"):
            tables[name] = tables[name][~tables[name]["size_heeded"]]
    text = " ".join(words(tables))
    assert ("at its own size" in text) == heeded
    assert ("as it is" in text) != heeded


def test_words_turn_with_the_level(tables):
    """What passes at 0.05 does not at 0.01; what does not pass is not claimed."""
    landmarks, _, region, distances = words(tables, alpha=0.01)
    assert landmarks.startswith("None of 2 landmarks was detected at 0.01 to lie farther from oak")
    assert landmarks.endswith("Of 1 semilandmark, adjusted apart, none do.")
    assert "mm" not in landmarks
    assert region.startswith(
        "No region was detected at 0.01 to hold a larger share than members have there (smallest p"
    )
    assert distances.startswith(
        "None of 3 distances between landmarks lies outside the range of every taxon beyond "
        "false-discovery control at 0.01 (at its own size; smallest p-value after it 0.022): 2 lie "
    )
    at = tables["displacements"].loc[3, "p_value_false_discovery"]
    assert words(tables, alpha=at)[0].startswith("Compared with oak")
    assert words(tables, alpha=0.4)[0].count("mm in all") == 2


@pytest.mark.parametrize(
    ("correlation", "share", "told"),
    [
        (0.8, 0.2, "much alike"),
        (0.7999, 0.2, "differently"),
        (0.9, 0.21, "part of the displacements may be a local change that was spread"),
        (float("nan"), 0.0, "cannot be ranked beside it"),
    ],
)
def test_agreement_of_the_fits(tables, correlation, share, told):
    tables["fits"].loc[1, ["fits_rank_correlation", "share_of_fits_differing"]] = correlation, share
    assert told in words(tables)[1]
    assert ("spread" in words(tables)[1]) == (share > 0.2)
    assert "nan" not in words(tables)[1]
    assert "–" not in words(tables)[1]


def test_a_share_without_a_p_value_is_told_without_a_claim(tables):
    tables["region_displacements"]["share_p_value_false_discovery"] = float("nan")
    text = words(tables)[2]
    assert text.endswith("of the variation within taxa.")
    assert "chance" not in text


def test_points_of_no_region_are_called_so(tables):
    parts = tables["region_displacements"]
    parts.loc[3, ["share_of_displacement", "share_p_value_false_discovery"]] = 0.9, 0.03
    assert "90 % lies in points of no named region" in words(tables)[2]


def test_estimated_landmarks_are_told_to_be(tables):
    assert "estimated" not in words(tables)[0]
    tables["displacements"].loc[3, "estimated"] = True
    assert "Tip of the spine; estimated)" in words(tables)[0]


def test_no_distance_outside_every_range(tables):
    tables["measurement_ranking"]["outside_every_taxon"] = False
    assert words(tables)[3] == (
        "None of 3 distances between landmarks lies outside the range of every taxon (at its own "
        "size)."
    )


def test_small_taxa_have_ranges_but_no_p_value(tables):
    """Where a taxon of one or two is among 'every', the p-value is told to be of the others."""
    assert "three or more" not in words(tables)[3]
    table = tables["measurement_ranking"]
    table["taxa_outside"] += table["outside_every_taxon"].astype(int)
    assert (
        "1 of them beyond false-discovery control at 0.05 against taxa of three or more specimens: "
        in words(tables)[3]
    )


def test_semilandmarks_and_angles_are_not_named(tables):
    text = " ".join(words(tables, alpha=0.99))
    assert "edge.1" not in text
    assert "steepness" not in text


def test_empty_tables_leave_no_sentence(tables):
    empty = {name: pd.DataFrame(columns=table.columns) for name, table in tables.items()}
    assert words(empty) == []
    assert words(tables, specimen="another") == []
    for name, place in (("displacements", 0), ("region_displacements", 2),
                        ("measurement_ranking", 3)):  # fmt: skip
        part = tables | {name: tables[name].iloc[:0]}
        assert words(tables)[place] not in words(part)
    angles = tables["measurement_ranking"]
    angles = angles[angles["kind"] == "angle"]
    assert len(words(tables | {"measurement_ranking": angles})) == 3


def test_another_taxon_is_not_taken_for_the_nearest(tables):
    for name in ("displacements", "fits", "region_displacements"):
        other = tables[name].assign(taxon="elm")
        tables[name] = pd.concat([other, tables[name]], ignore_index=True)
    assert words(tables) == words(small.differing())
    assert words(tables, taxon="elm")[0].startswith("Compared with elm")


@pytest.mark.parametrize("name", small.HOSTILE)
def test_hostile_names_are_text(name):
    """They come out as they are, and as text in Markdown."""
    tables = small.differing((name,), landmarks=[name, "q"])
    for table in ("displacements", "fits", "region_displacements"):
        tables[table]["taxon"] = name
    tables["measurement_ranking"]["nearest_taxon"] = name
    text = " ".join(words(tables, specimen=name, taxon=name))
    assert text.count(name) >= 3
    assert as_plain(marked_name(text)) == text
    assert not re.search(r"(?<!\\)[<>@|]", as_markdown(marked_name(text)))


def test_the_figure_of_measurements_says_at_which_size_it_compares():
    text = FIGURES["measurements"].caption
    assert "as they would be at the query's own size" in text
    assert "as in the table below and the sentences above" in text


@pytest.mark.parametrize(("heeded", "way"), [(True, "at its own size"), (False, "as it is")])
def test_the_table_of_measurements_says_at_which_size(tables, heeded, way):
    table = tables["measurement_ranking"]
    part = table[(table["specimen"] == "find") & (table["size_heeded"] == heeded)]
    shown = _query_table(TABLES["measurement_ranking"], part, ALPHA)
    assert shown["title"].startswith(f"Distances in the order in which they set it apart, {way}")
    assert f"outside every range {way}" in shown["head"]
    assert "query (mm, as measured)" in shown["head"]
    assert not any("{" in head for head in shown["head"])


def test_a_ranked_table_in_which_nothing_passes_says_so_first(tables):
    """Whatever stands first in it: nothing of it is a finding."""
    table = tables["measurement_ranking"]
    assert nothing_passes(table, 0.05) == ""
    nothing = nothing_passes(table, 0.01)
    assert nothing == "none beyond false-discovery control at 0.01 (smallest p = 0.022)"
    title = _query_table(TABLES["measurement_ranking"], table, 0.01)["title"]
    assert title.endswith(f"own size: {nothing}")
    untested = table.assign(p_value_false_discovery=float("nan"))
    assert nothing_passes(untested, 0.05) == "none could be tested"


def test_a_region_that_passes_is_told_though_another_has_a_larger_share(tables):
    parts = tables["region_displacements"]
    parts.loc[2:3, "share_p_value_false_discovery"] = [0.93, 0.031]
    assert words(tables)[2].startswith("Of the difference 37 % lies in points of no named region")


def test_mirror_images_are_told_and_counted_once(tables):
    """Both names, one landmark; the second side is neither told nor counted."""
    moved = tables["displacements"]
    moved["other_side"] = moved["landmark"].map({"p": "p_far", "edge.1": "edge_far.1"}).fillna("")
    far = moved[moved["other_side"] != ""].assign(counted=False)
    far = far.assign(landmark=far["other_side"], other_side=far["landmark"])
    tables["displacements"] = pd.concat([moved, far], ignore_index=True)
    tables["measurement_ranking"].loc[4, "other_side"] = "p_far to q"
    landmarks, _, _, distances = words(tables)
    assert "1 of 2 landmarks (a left and a right one counted once) lies off" in landmarks
    assert ": p and p_far (1.24 mm higher" in landmarks
    assert "Of 1 semilandmark, adjusted apart, 1 does." in landmarks
    assert "2 of 3 distances between landmarks (the two sides as one) lie" in distances
    assert "p to q (on both sides, 7.13 mm" in distances


@pytest.mark.parametrize("beside", ["above all", "below all", "between"])
def test_where_a_value_lies_beside_the_ranges_is_told(tables, beside):
    tables["measurement_ranking"].loc[4, "beside_ranges"] = beside
    told = {"above all": "above every range", "below all": "below every range"}
    assert words(tables)[3].endswith(f"; {told.get(beside, 'between the ranges')}).")


SHOWN_WORDS = [
    *[
        text
        for table in (*PRINTED, *(TABLES | JOINED).values())
        for text in (table.meaning, table.page, table.paper)
    ],
    *[
        text
        for table in (*PRINTED, *(TABLES | JOINED).values())
        for column in table.columns
        for text in (column.meaning, column.head)
    ],
    *[text for one in FIGURES.values() for text in (one.title, one.alternative, one.caption)],
]


def test_a_standard_deviation_is_never_cut_to_two_letters():
    """Spread of values, difference in units of it, multiple of a usual length: three things."""
    assert len(SHOWN_WORDS) > 300
    assert [text for text in SHOWN_WORDS if re.search(r"\bSDs?\b", text)] == []
    headings = {table.name: table.headings("paper") for table in PRINTED}
    assert headings["differential_diagnosis"]["standard_deviation"] == "standard deviation"
    spread = headings["proportions"]["standardised_difference"]
    assert spread == "difference in standard deviations"
    assert headings["displacements"]["in_taxon_sd"] == "times the usual displacement"
