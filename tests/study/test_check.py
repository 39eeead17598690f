"""The whole study at once, and what its sample can decide."""

from pathlib import Path

import pytest

import morpho.study
from morpho.study.check import check_study
from morpho.study.element import read_element
from morpho.study.reading.problems import StudyError
from morpho.study.settings.config import read_config

DEMO = Path(__file__).resolve().parents[2] / "config" / "study.yaml"


def with_model(tiny, terms):
    tiny.write("study.yaml", tiny.read("study.yaml") + f"model:\n  terms: {terms}\n")


def test_a_study_is_read_whole(tiny):
    """A user with nothing wrong gets config, schemes, specimens and landmarks."""
    study, problems = check_study(tiny.folder)
    assert not problems.errors
    assert list(study.schemes) == ["jaw", "ring"]
    assert len(study.specimens) == 9
    assert len(study.landmarks["jaw"]) == 9 * 7
    assert len(study.landmarks["ring"]) == 9 * 5


def test_one_element_is_read_alone(tiny):
    """The workflow prepares the ring, of which one specimen is not preserved."""
    (tiny.folder / "landmarks/ring/A-2.csv").unlink()
    scheme, specimens, rows = read_element(read_config(tiny.path), "ring")
    assert scheme.element == "ring"
    assert "A-2" not in specimens.index
    assert set(rows["element"]) == {"ring"}


def test_an_error_in_another_element_does_not_stop_this_one(tiny):
    """A slip in the jaw's tables leaves the ring alone."""
    tiny.edit("landmarks/jaw/A-1.csv", "tip", "tipp")
    read_element(read_config(tiny.path), "ring")
    with pytest.raises(StudyError, match="tipp"):
        read_element(read_config(tiny.path), "jaw")


def test_an_unknown_element_is_refused(tiny):
    """A step asks for an element that the study does not have."""
    with pytest.raises(ValueError, match="femur is not among the elements jaw, ring"):
        read_element(read_config(tiny.path), "femur")


TERMS = {
    "unknown": ("[size, staeg]", '"staeg", which is no column(.|\n)*Did you mean stage'),
    "unknown in an interaction": ("[size, [size, sex]]", '"sex", which is no column'),
    "twice": ("[size, taxon, size]", "model.terms has size twice"),
    "interaction twice": ("[[size, taxon], [taxon, size]]", "interaction of taxon and size twice"),
    "interaction with itself": ("[[size, size]]", "model.terms has the interaction of size and"),
    "the role": ("[role]", '"role", which is no column'),
}


@pytest.mark.parametrize(("terms", "expected"), TERMS.values(), ids=TERMS.keys())
def test_terms_must_be_columns(tiny, terms, expected):
    """A user names a term that the table does not have, or one twice."""
    with_model(tiny, terms)
    with pytest.raises(StudyError, match=f"line 10: .*{expected}"):
        check_study(tiny.folder)[1].raise_if_errors()


def test_a_private_term_is_refused(tiny):
    """A user takes the site for a term: it would stand in the results."""
    tiny.edit("specimens.csv", "stage", "site")
    with_model(tiny, "[size, site]")
    assert '"site", a private column, which must not reach the results' in tiny.told()


def test_terms_that_explain_nothing_are_warned_of(tiny):
    """A user's term is blank for some, or the same for all."""
    with_model(tiny, "[size, stage]")
    assert 'The column "stage", a term of the model, is the same for every known' in tiny.told()
    row = "A-2,marsh dormouse,known,left,"
    tiny.edit("specimens.csv", row + "adult", row)
    assert "is blank for 1 known specimen (A-2)" in tiny.told()


def test_a_column_called_size_is_warned_of(tiny):
    """A user's own column size is not what the term size means."""
    tiny.edit("specimens.csv", "stage", "size")
    assert "has a column size, but size in model.terms is log centroid size" in tiny.told()


def test_a_small_taxon_is_warned_of_with_what_falls_away(tiny):
    """A taxon has three specimens for the ring, though four in the table."""
    (tiny.folder / "landmarks/ring/A-2.csv").unlink()
    told = tiny.check().render(["warning"])
    assert (
        'warning, element ring: The taxon "marsh dormouse" has 3 specimens that can be used for '
        "ring, fewer than 4 (tests: smallest_taxon): it takes no part in the tests between taxa "
        "and the discriminant analysis" in told
    )
    assert "how much it varies" not in told
    assert told.count("warning") == 1


@pytest.mark.parametrize(
    ("alpha", "enough"), [(0.05, 19), (0.11, 9), (0.1111112, None), (0.2, None)]
)
def test_too_few_to_rank_are_noted(tiny, alpha, enough):
    """Eight specimens can be left out: the smallest rank is 1/9."""
    tiny.write("study.yaml", tiny.read("study.yaml") + f"tests: {{alpha: {alpha}}}\n")
    told = tiny.told()
    assert ("by which ranks reach" in told) == (enough is not None)
    if enough:
        note = "8 known specimens of jaw can be left out in turn, fewer than the"
        assert f"{note} {enough} by which ranks reach alpha {alpha:g}" in told


def test_a_taxon_of_one_specimen_is_said_to_vary_unknown(tiny):
    """A user has a single specimen of a taxon, alone in it."""
    for name in ("A-2", "A-3", "A-4"):
        tiny.edit("specimens.csv", f"{name},marsh dormouse", f"{name},ridge dormouse")
    assert "Nobody can say how much it varies, so nothing is told outside of it." in tiny.told()


def test_no_known_specimen_is_an_error(tiny):
    """A user has queries only."""
    tiny.write("specimens.csv", tiny.read("specimens.csv").replace("known", "query"))
    assert "error: There is no known specimen" in tiny.told()


def test_no_query_is_a_warning(tiny):
    """A user has nothing to place."""
    tiny.edit("specimens.csv", "Q-1,,query", "Q-1,ridge dormouse,known")
    assert "warning: There is no query" in tiny.told()
    assert not tiny.errors()


def test_one_taxon_is_a_warning(tiny):
    """A user has one known taxon only."""
    tiny.write("specimens.csv", tiny.read("specimens.csv").replace("ridge", "marsh"))
    assert 'There is one known taxon only, "marsh dormouse"' in tiny.told()


def test_one_taxon_in_an_element_is_a_warning(tiny):
    """The ring is preserved in one taxon only."""
    for n in range(1, 5):
        (tiny.folder / f"landmarks/ring/B-{n}.csv").unlink()
    assert 'Only one known taxon, "marsh dormouse", has specimens that can be used for ring' in (
        tiny.told()
    )


def test_no_usable_specimen_is_an_error(tiny):
    """Every known ring lacks a landmark and is set aside."""
    for name in tiny.names[:-1]:
        file = f"landmarks/ring/{name}.csv"
        rows = [",".join(r.split(",")[:4]) + ",,," if ",roof," in r else r
                for r in tiny.read(file).splitlines()]  # fmt: skip
        tiny.write(file, "\n".join(rows))
    study = tiny.read("study.yaml")
    tiny.write("study.yaml", study + "preparation: {missing: {known: set_aside}}\n")
    assert tiny.errors() == [
        "specimens.csv:None None None: No known specimen can be used for ring. | Digitise known "
        "specimens in full, or relax preparation: missing."
    ]
    tiny.write("study.yaml", study + "preparation: {missing: {known: shared}}\n")
    assert tiny.errors() == []


def test_a_specimen_without_digitisation_is_noted(tiny):
    """A user listed a specimen that is not digitised yet."""
    tiny.write("specimens.csv", tiny.read("specimens.csv") + "A-5,marsh dormouse,known,,\n")
    assert "note, specimen A-5: The specimen has no digitisation" in tiny.told()


SLIPS = {
    "misspelt line": ("[tip, notch]\nmod", "[tip, noch]\nmod"),
    "unknown key": ("outline:", "lnks:"),
    "misspelt end of a curve": ("to: heel", "to: heal"),
    "misspelt key of a landmark": ("- {name: hole}", "- {nmae: hole}"),
    "not YAML": ("outline:", "outline: ["),
}


@pytest.mark.parametrize(("old", "new"), SLIPS.values(), ids=SLIPS.keys())
def test_a_slip_in_a_scheme_hides_no_slip_in_the_tables(tiny, old, new):
    """All at once: the scheme's slip, a cell, a specimen; and nothing is said to be missing."""
    tiny.edit("schemes/jaw.yaml", old, new)
    # only the jaw was digitised of these
    for name in ("A-1", "B-1"):
        (tiny.folder / f"landmarks/ring/{name}.csv").unlink()
    tiny.edit("landmarks/jaw/A-1.csv", "A-1,jaw,,tip,", "A-1,jaw,,tip,x")
    tiny.edit("landmarks/jaw/A-3.csv", "A-3,jaw,,heel,", "Z-9,jaw,,heel,")
    errors = tiny.errors()
    assert errors[0].startswith(("landmarks/jaw/A-1.csv", "schemes/jaw.yaml"))
    assert any(error.startswith("schemes/jaw.yaml") for error in errors)
    assert any(error.startswith("landmarks/jaw/A-1.csv:2 A-1 tip: x is") for error in errors)
    assert any('The specimen "Z-9" is not in' in error for error in errors)
    assert "has no digitisation" not in tiny.told()


@pytest.mark.parametrize("slip", ["misspelt line", "unknown key", "misspelt end of a curve"])
def test_a_slip_in_a_scheme_whose_names_are_whole_hides_no_name(tiny, slip):
    """Names of landmarks, sizes and absent rows are checked as well."""
    tiny.edit("schemes/jaw.yaml", *SLIPS[slip])
    tiny.edit("landmarks/jaw/A-1.csv", "A-1,jaw,,tip,", "A-1,jaw,,tipp,")
    tiny.write("landmarks/jaw/A-2.csv", tiny.table("A-2", "jaw", scale=1000))
    told = tiny.told()
    assert 'The landmark "tipp" is not in the scheme of jaw.' in told
    assert "There is no row for this landmark" in told
    assert "times the size of the other specimens" in told


def test_a_query_with_too_little_left_is_noted(tiny):
    """The query's ring has two of five landmarks."""
    rows = [",".join(r.split(",")[:4]) + ",,," if i in (1, 2, 3) else r for i, r in
            enumerate(tiny.read("landmarks/ring/Q-1.csv").splitlines())]  # fmt: skip
    tiny.write("landmarks/ring/Q-1.csv", "\n".join(rows))
    assert (
        "note, element ring, specimen Q-1: The query has 40% of the landmarks of ring, less than "
        "75%: it will be set aside" in tiny.told()
    )


def test_a_side_is_needed_where_left_and_right_are_brought_together(tiny):
    """A user left one side blank: a mirrored jaw would be taken for another shape."""
    tiny.edit("specimens.csv", "A-2,marsh dormouse,known,left", "A-2,marsh dormouse,known,")
    assert "specimen A-2: side is blank, but jaw exists as left and right" in tiny.told()
    with pytest.raises(StudyError, match="side is blank"):
        read_element(read_config(tiny.path), "jaw")
    read_element(read_config(tiny.path), "ring")


def test_no_side_at_all_is_a_warning(tiny):
    """A user has no column for the side."""
    tiny.write("specimens.csv", tiny.read("specimens.csv").replace(",left", ","))
    assert "No specimen digitised in jaw has a side; all are taken to be of one" in tiny.told()
    assert not tiny.errors()


@pytest.mark.parametrize("lost", ["specimens.csv", "study.yaml"])
def test_without_the_main_files_there_is_no_study(tiny, lost):
    """A user's main table is lost: the rest is checked still."""
    (tiny.folder / lost).unlink()
    tiny.edit("landmarks/jaw/A-1.csv", "tip", "tipp")
    study, problems = check_study(tiny.folder)
    assert study is None
    assert f"{lost}\n  error: This file does not exist" in problems.render()
    assert ("tipp" in problems.render()) == (lost == "specimens.csv")


def test_public_names_are_there():
    """A notebook user imports from morpho.study."""
    for name in morpho.study.__all__:
        assert getattr(morpho.study, name).__name__ == name
    with pytest.raises(AttributeError, match="nothing"):
        _ = morpho.study.nothing


def test_the_demo_study_is_clean():
    """A new user checks the demo: no error, no warning."""
    problems = check_study(DEMO)[1]
    assert problems.render(["error", "warning"]) == ""
