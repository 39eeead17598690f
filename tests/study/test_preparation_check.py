"""What study.yaml asks of the preparation, held against the sample."""


def ask(tiny, preparation):
    tiny.write("study.yaml", tiny.read("study.yaml") + f"preparation:\n  {preparation}\n")


def lose(tiny, element, name, *landmarks):
    file = f"landmarks/{element}/{name}.csv"
    rows = [",".join(r.split(",")[:4]) + ",,," if r.split(",")[3] in landmarks else r
            for r in tiny.read(file).splitlines()]  # fmt: skip
    tiny.write(file, "\n".join(rows) + "\n")


def test_a_distorted_specimen_is_fine(tiny):
    """A user lists a specimen with a ring, which has a plane of symmetry."""
    ask(tiny, "distortion: [A-1, Q-1]")
    assert "distortion" not in tiny.told()


def test_a_distorted_specimen_must_be_in_the_table(tiny):
    """A user misspells a name."""
    ask(tiny, "distortion: [A-1, A1]")
    assert tiny.errors() == [
        'study.yaml:10 None None: preparation.distortion names "A1", which is not in the specimen '
        'table. | Did you mean "A-1"?'
    ]


def test_a_distorted_specimen_twice_is_told(tiny):
    """A user lists a specimen twice."""
    ask(tiny, "distortion: [A-1, A-1]")
    assert 'preparation.distortion names "A-1" twice' in tiny.told()


def test_without_a_plane_of_symmetry_distortion_stays(tiny):
    """A specimen has a jaw only, and half a jaw cannot be made symmetric."""
    (tiny.folder / "landmarks/ring/A-1.csv").unlink()
    ask(tiny, "distortion: [A-1]")
    told = tiny.check().render(["warning"])
    assert 'warning, line 10, specimen A-1: The distortion of "A-1" cannot be removed' in told


def test_estimated_landmarks_are_told(tiny):
    """A known specimen and a query lack landmarks: each is named."""
    ask(tiny, "missing: {smallest_share: 0.5}")
    lose(tiny, "jaw", "A-2", "notch")
    lose(tiny, "ring", "Q-1", "roof", "wing_left")
    told = tiny.told()
    assert "specimen A-2: The known specimen lacks notch: it will be estimated" in told
    assert "specimen Q-1: The query lacks roof and wing_left: they will be estimated" in told
    assert not tiny.errors()


def test_a_digitised_curve_that_lacks_an_end_is_said_to_be_estimated(tiny):
    """A user wonders where the points went that were digitised along the border."""
    ask(tiny, "missing: {smallest_share: 0.5}")
    lose(tiny, "jaw", "A-2", "tip")
    (note,) = [one for one in tiny.check() if (one.severity, one.specimen) == ("note", "A-2")]
    assert note.found.startswith(
        "The known specimen lacks tip: it will be estimated. So will border:"
    )
    assert "its digitised points are not used" in note.found
    lose(tiny, "jaw", "A-3", "notch")
    (note,) = [one for one in tiny.check() if (one.severity, one.specimen) == ("note", "A-3")]
    assert "border" not in note.found


def test_what_is_not_estimated_is_not_said_to_be(tiny):
    """A user sets knowns aside, or too little is left of one."""
    lose(tiny, "jaw", "A-2", "notch")
    lose(tiny, "ring", "A-2", "roof", "wing_left", "wing_right")
    ask(tiny, "missing: {known: set_aside}")
    told = tiny.told()
    assert "estimated" not in told
    assert "Write estimate under preparation: missing: known to keep it" in told


def test_a_landmark_that_no_known_specimen_has_cannot_be_estimated(tiny):
    """The roof is lost in every known ring, but not in the query's."""
    for name in tiny.names[:-1]:
        lose(tiny, "ring", name, "roof")
    (error,) = tiny.errors()
    assert "roof: No known specimen has the landmark roof: it cannot be estimated" in error


def test_the_other_side_is_enough_to_estimate_from(tiny):
    """The left wing is lost in every ring, but the right one is there."""
    for name in tiny.names:
        lose(tiny, "ring", name, "wing_left")
    assert tiny.errors() == []


def test_an_unwanted_landmark_that_nobody_has_is_no_error(tiny):
    """The user keeps to shared landmarks."""
    for name in tiny.names:
        lose(tiny, "ring", name, "roof")
    ask(tiny, "missing: {known: shared, query: shared}")
    assert tiny.errors() == []
