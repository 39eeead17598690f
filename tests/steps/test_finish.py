"""What a run keeps for the next one of each row of the specimen table: nothing private."""

from morpho.study.element import read_element
from morpho.workflow.history import said_of


def test_sides_stages_and_variables_of_the_model_are_kept_and_nothing_private(invent):
    study = invent(
        {"ash": 4},
        side="left",
        columns={
            "sex": ["f", "m", "", "f", "m"],
            "locality": ["a cave"] * 5,
            "shelf": ["3"] * 5,
            "finder": ["a friend"] * 5,
        },
        settings={
            "model": {"terms": ["size", "taxon", "sex", ["size", "sex"]]},
            "specimens": {"file": "specimens.csv", "private": ["finder"]},
        },
    )
    specimens = read_element(study.config, "bone")[1]
    said = said_of(study.config, specimens)
    assert said["ash 1"] == {"side": "left", "stage": "adult", "sex": "f"}
    assert said["ash 3"]["sex"] == ""
    assert set(said) == set(study.names)
