"""Schemes: what is refused, and how it is said."""

import re

import pytest
import yaml

from helpers.defaults import with_defaults
from morpho.study.reading.problems import StudyError
from morpho.study.reading.schemas import CONFIG_FOLDER, load_schema
from morpho.study.scheme.reading import NamedMeasurement, read_scheme


def refusal(tiny, element):
    with pytest.raises(StudyError) as caught:
        read_scheme(tiny.folder / f"schemes/{element}.yaml", element)
    return str(caught.value)


def test_a_scheme_is_read_whole(tiny):
    """A user's scheme with everything in it."""
    scheme = read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw")
    assert scheme.landmark_names == ("tip", "notch", "heel", "knob", "hole")
    assert (scheme.curves[0].start, scheme.curves[0].end) == ("tip", "heel")
    assert scheme.outline == (("tip", "notch"),)
    assert scheme.modules == {"front": ("tip", "notch")}
    assert scheme.axes["x"].start == "heel"
    assert scheme.axes["z"].start is None
    assert scheme.landmarks[0].type == 2


def test_what_is_left_out_is_as_the_schema_says(tiny):
    """Defaults of the JSON Schema, written out by a user, change nothing."""
    least = {
        "landmarks": [{"name": name} for name in ("tip", "notch", "heel")],
        "curves": [{"name": "border", "from": "tip", "to": "heel", "semilandmarks": 2}],
        "patches": [{"name": "face"}],
        "measurements": [{"name": "length", "points": ["tip", "heel"]}],
    }
    read = []
    for data in (least, with_defaults(least, load_schema("scheme"))):
        read.append(read_scheme(tiny.write("schemes/jaw.yaml", yaml.safe_dump(data)), "jaw"))
    assert data["landmarks"][0] == {"name": "tip", "type": 2, "definition": ""}
    assert read[0] == read[1]


def test_the_other_way_along_an_axis_is_given_or_known(tiny):
    """A user names the other way where the usual words will not do."""
    text = tiny.read("schemes/jaw.yaml").replace(
        "towards: front,", "towards: front, away: the tail,"
    )
    text = text.replace("{towards: outer side}", "{towards: outer side, from: notch, to: knob}")
    tiny.write("schemes/jaw.yaml", text)
    axes = read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw").axes
    assert [axes[key].other_way for key in "xyz"] == ["the tail", "bottom", "inner side"]
    assert (axes["z"].start, axes["z"].end) == ("notch", "knob")


def test_mirror_partners(tiny):
    """A user's pairs, midline and curves are matched across the plane of symmetry."""
    curves = (
        "curves:\n"
        "  - {name: l, from: roof, to: wing_left, semilandmarks: 2}\n"
        "  - {name: r, from: wing_right, to: roof, semilandmarks: 2}\n"
        "  - {name: across, from: foot_left, to: foot_right, semilandmarks: 4}\n"
    )
    tiny.write("schemes/ring.yaml", tiny.read("schemes/ring.yaml") + curves)
    scheme = read_scheme(tiny.folder / "schemes/ring.yaml", "ring")
    assert scheme.mirror_of("wing_left") == "wing_right"
    assert scheme.mirror_of("roof") == "roof"
    assert scheme.mirror_of("l") == "r"
    assert scheme.mirror_of("r") == "l"
    assert scheme.mirror_of("across") == "across"
    assert read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw").mirror_of("tip") is None


JAW = {
    "name twice": ("{name: hole}", "{name: tip}", "line 7", 'The name "tip" stands twice.*line 3'),
    "curve named as a landmark": ("name: border", "name: tip", "line 9", "stands twice"),
    "unknown landmark in a curve": ("to: heel", "to: heal", "line 9", '"heal".*you mean heel?'),
    "curve to itself": ("to: heel", "to: tip", "line 9", "border runs from tip to the same"),
    "unknown landmark in outline": ("- [tip, notch]", "- [tip, nocth]", "line 11", "mean notch?"),
    "line to itself": ("- [tip, notch]", "- [tip, tip]", "line 11", "A line runs from tip to"),
    "unknown landmark in modules": (
        "front: [tip, notch]",
        "front: [tip, zzz]",
        "line 13",
        'The module front names "zzz", which is no landmark.*add it to landmarks',
    ),
    "landmark twice in a module": (
        "front: [tip, notch]",
        "front: [tip, tip]",
        "line 13",
        "The module front names tip twice",
    ),
    "unknown landmark in axes": ("to: knob", "to: nob", "line 16", "The axis y names.*knob"),
    "axis to itself": ("to: knob", "to: hole", "line 16", "The axis y runs from hole to the same"),
    "pairs without object symmetry": (
        "outline:",
        "pairs: [[tip, heel]]\nlinks:",
        "line 10",
        "There are pairs but symmetry is matching.*symmetry: object",
    ),
    "midline without object symmetry": (
        "outline:",
        "midline: [tip]\nlinks:",
        "line 10",
        "There are midline but symmetry is matching",
    ),
    "a dot in a name": ("{name: hole}", "{name: hole.1}", "line 7", "letters, digits and under"),
    "unknown key": ("{name: hole}", "{nam: hole}", "line 7", '"nam" is not known.*mean name'),
    "type of 4": ("{name: hole}", "{name: hole, type: 4}", "line 7", "is 4.*1, 2 or 3"),
    "no semilandmarks": ("semilandmarks: 3", "semilandmarks: 0", "line 9", "is 0.*at least 1"),
    "misspelt symmetry": ("matching", "maching", "line 1", "Did you mean matching?"),
    "half of the third axis": (
        "z: {towards: outer side}",
        "z: {towards: outer side, to: knob}",
        "line 17",
        "The axis z has a landmark to, but none from.*Give both, or neither",
    ),
    "axis missing": ("  z: {towards: outer side}\n", "", "line 14", "key z is missing in axes"),
}


@pytest.mark.parametrize(("old", "new", "line", "expected"), JAW.values(), ids=JAW.keys())
def test_slips_in_a_scheme_are_told(tiny, old, new, line, expected):
    """A user makes one slip in a scheme and is told line, finding and remedy."""
    tiny.edit("schemes/jaw.yaml", old, new)
    told = refusal(tiny, "jaw")
    assert re.search("(?s)" + expected.replace("?", r"\?"), told), told
    assert f"{line}, element jaw" in told


# Line 19 of the jaw's scheme, and what the refusal must say.
MEASURED = {
    "unknown landmark": ("m, points: [tip, heal]", 'm names "heal".*Did you mean heel?'),
    "unknown landmark with none near": ("m, points: [tip, zzz]", '"zzz".*add it to landmarks'),
    "point of a curve": ("m, points: [tip, border]", 'm names "border", which is no landmark'),
    "distance of nothing": ("m, points: [tip, tip]", "The measurement m runs from tip to the same"),
    "angle of two": ("m, points: [tip, heel, tip]", "angle that names tip more than once.*second"),
    "angle without an arm": ("m, points: [tip, tip, heel]", "an angle that names tip more than"),
    "ratio of nothing": (
        "m, points: [tip, tip, heel, knob]",
        "m, a ratio, has a distance that runs from tip to the same.*for each distance",
    ),
    "ratio to nothing": (
        "m, points: [heel, knob, tip, tip]",
        "m, a ratio, is taken to a distance that runs from tip to the same.*for each distance",
    ),
    "ratio of a distance to itself": (
        "m, points: [heel, knob, knob, heel]",
        "m divides a distance by itself, which is always 1.*Name another",
    ),
    "one landmark": ("m, points: [tip]", "item 1 points is a list of 1.*list of 2 to 4 entries"),
    "five landmarks": ("m, points: [tip, heel, knob, hole, notch]", "is a list of 5.*2 to 4"),
    "no landmarks": ("m", "key points is missing in measurements item 1.*Two, three or four"),
    "landmarks as a text": ("m, points: tip", 'points is "tip".*a list of 2 to 4'),
    "name of two words": ("long m, points: [tip, heel]", '"long m".*letters, digits and under'),
    "misspelt key": ("m, points: [tip, heel], defintion: x", '"defintion".*mean definition?'),
    "named as a landmark": ("heel, points: [tip, heel]", 'The name "heel" stands twice.*line 5'),
    "named as a curve": ("border, points: [tip, heel]", '"border" stands twice.*line 9'),
    "name doubled": (
        "m, points: [tip, heel]}\n  - {name: m, points: [tip, knob]",
        'The name "m" stands twice; it is in line 19.*landmark, curve, patch and measurement',
    ),
    "names that differ in capitals": (
        "m, points: [tip, heel]}\n  - {name: M, points: [tip, knob]",
        "The measurements m and M differ only in capitals",
    ),
    "distance measured twice": (
        "m, points: [tip, heel]}\n  - {name: back, points: [heel, tip]",
        "The measurement back is the same as m, between the same landmarks",
    ),
    "angle measured twice": (
        "m, points: [tip, heel, knob]}\n  - {name: back, points: [knob, heel, tip]",
        "The measurement back is the same as m",
    ),
    "ratio measured twice": (
        "m, points: [tip, heel, knob, hole]}\n  - {name: back, points: [heel, tip, hole, knob]",
        "The measurement back is the same as m",
    ),
}


@pytest.mark.parametrize(("entry", "expected"), MEASURED.values(), ids=MEASURED.keys())
def test_slips_in_a_measurement_are_told(tiny, entry, expected):
    """A user makes one slip in a measurement and is told line, finding and remedy."""
    text = tiny.read("schemes/jaw.yaml") + f"measurements:\n  - {{name: {entry}}}\n"
    tiny.write("schemes/jaw.yaml", text)
    told = refusal(tiny, "jaw")
    assert re.search("(?s)" + expected.replace("?", r"\?"), told), told
    assert told.count("  error") == 1
    line = 20 if "name:" in entry else 19
    assert f"line {line}, element jaw" in told


STANDARD = {
    "unknown landmark": ("[tip, heal]", 'standard_length names "heal".*Did you mean heel?'),
    "one landmark twice": ("[tip, tip]", "standard_length runs from tip to the same.*different"),
    "one landmark": ("[tip]", "standard_length is a list of 1.*a list of 2 entries"),
    "three landmarks": ("[tip, heel, knob]", "standard_length is a list of 3.*a list of 2 entries"),
    "a name alone": ("tip", 'standard_length is "tip".*a list of 2 entries'),
    "a name of two words": ("[tip, the heel]", '"the heel".*letters, digits and underscores'),
    "left empty": ("", "standard_length is empty.*a list of 2 entries"),
}


@pytest.mark.parametrize(("value", "expected"), STANDARD.values(), ids=STANDARD.keys())
def test_slips_in_the_standard_length_are_told(tiny, value, expected):
    """A user names no length that ratios can be taken to."""
    tiny.write("schemes/jaw.yaml", tiny.read("schemes/jaw.yaml") + f"standard_length: {value}\n")
    told = refusal(tiny, "jaw")
    assert re.search("(?s)" + expected.replace("?", r"\?"), told), told
    assert told.count("  error") == 1
    assert "line 18, element jaw" in told


def test_measurements_are_read(tiny):
    """A user names a distance, an angle and ratios, and the length that ratios are taken to."""
    assert read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw").measurements == ()
    assert read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw").standard_length is None
    added = (
        "measurements:\n"
        "  - {name: length, points: [heel, tip], definition: From heel to tip}\n"
        "  - {name: opening, points: [tip, notch, knob]}\n"
        "  - {name: opening_at_the_tip, points: [notch, tip, knob]}\n"
        "  - {name: slenderness, points: [heel, tip, knob, hole]}\n"
        "  - {name: breadth, points: [knob, hole, heel, tip]}\n"
        "  - {name: jointed, points: [heel, tip, tip, hole]}\n"
        "standard_length: [heel, tip]\n"
    )
    tiny.write("schemes/jaw.yaml", tiny.read("schemes/jaw.yaml") + added)
    scheme = read_scheme(tiny.folder / "schemes/jaw.yaml", "jaw")
    assert scheme.measurements[:2] == (
        NamedMeasurement("length", ("heel", "tip"), "From heel to tip"),
        NamedMeasurement("opening", ("tip", "notch", "knob"), ""),
    )
    assert [len(m.points) for m in scheme.measurements] == [2, 3, 3, 4, 4, 4]
    assert scheme.standard_length == ("heel", "tip")
    assert isinstance(hash(scheme), int)


def test_all_slips_of_measurements_come_at_once(tiny):
    """A user with six slips in measurements and one elsewhere is told of seven, in order."""
    added = (
        "measurements:\n"
        "  - {name: a, points: [heal, tip]}\n"
        "  - {name: a, points: [tip, tip]}\n"
        "  - {name: b, points: [tip, notch, nob, hole, heel]}\n"
        "  - {name: c, points: [tip, heel, knob, knob]}\n"
        "standard_length: [hole, hole]\n"
    )
    tiny.write("schemes/jaw.yaml", tiny.read("schemes/jaw.yaml") + added)
    tiny.edit("schemes/jaw.yaml", "to: heel", "to: heal")
    told = refusal(tiny, "jaw")
    lines = [int(line) for line in re.findall(r"error, line (\d+)", told)]
    assert lines == [9, 19, 20, 20, 21, 22, 23]


@pytest.mark.parametrize("element", ["lower_jaw", "atlas"])
def test_the_demo_names_measurements(element):
    """The demo shows a distance, an angle and a ratio, each told in plain words."""
    scheme = read_scheme(CONFIG_FOLDER / "schemes" / f"{element}.yaml", element)
    assert {len(measurement.points) for measurement in scheme.measurements} == {2, 3, 4}
    assert all(len(measurement.definition) > 20 for measurement in scheme.measurements)
    assert scheme.standard_length is not None


RING = {
    "landmark in two pairs": (
        "- [foot_left, foot_right]",
        "- [foot_left, wing_right]",
        "wing_right is in two pairs",
    ),
    "pair twice": (
        "- [foot_left, foot_right]",
        "- [wing_right, wing_left]",
        "wing_left is in two pairs",
    ),
    "paired with itself": ("[foot_left, foot_right]", "[foot_left, foot_left]", "with itself"),
    "on the midline and in a pair": (
        "midline: [roof]",
        "midline: [roof, foot_left]",
        "foot_left is in a pair and on the midline",
    ),
    "twice on the midline": ("[roof]", "[roof, roof]", "roof stands twice in midline"),
    "neither paired nor on the midline": ("midline: [roof]", "", "roof is neither in a pair nor"),
    "unknown landmark in a pair": ("[foot_left,", "[fot_left,", "Did you mean foot_left?"),
    "unknown landmark on the midline": ("[roof]", "[rof]", "Did you mean roof?"),
    "no pairs and no midline": (
        "pairs:\n  - [wing_left, wing_right]\n  - [foot_left, foot_right]\nmidline: [roof]\n",
        "",
        "there are neither pairs nor midline",
    ),
    "no pairs": (
        "pairs:\n  - [wing_left, wing_right]\n  - [foot_left, foot_right]\n",
        "",
        "there are no pairs",
    ),
    "curve without its mirror image": (
        "midline: [roof]",
        "midline: [roof]\ncurves: [{name: c, from: roof, to: wing_left, semilandmarks: 3}]",
        "The curve c has no mirror image: none runs between roof and wing_right",
    ),
}


@pytest.mark.parametrize(("old", "new", "expected"), RING.values(), ids=RING.keys())
def test_slips_in_symmetry_are_told(tiny, old, new, expected):
    """A user pairs the landmarks of a symmetric bone wrongly."""
    tiny.edit("schemes/ring.yaml", old, new)
    assert expected in refusal(tiny, "ring")


def test_all_slips_of_a_scheme_come_at_once(tiny):
    """A user with four slips is told of four."""
    tiny.edit("schemes/jaw.yaml", "to: heel", "to: heal")
    tiny.edit("schemes/jaw.yaml", "- [tip, notch]", "- [tip, nocth]")
    tiny.edit("schemes/jaw.yaml", "to: knob", "to: hole")
    tiny.edit("schemes/jaw.yaml", "outline:", "lnks: 1\noutline:")
    assert refusal(tiny, "jaw").count("  error") == 4


def test_a_broken_scheme_does_not_hide_other_problems(tiny):
    """A user's scheme cannot be read: the other element and the specimens are checked still."""
    tiny.write("schemes/jaw.yaml", "landmarks: [")
    tiny.edit("landmarks/ring/A-1.csv", "roof", "rof")
    told = tiny.told()
    assert "schemes/jaw.yaml" in told
    assert 'The landmark "rof" is not in the scheme of ring' in told


def test_a_missing_scheme_is_told(tiny):
    """A user's path of a scheme leads nowhere."""
    tiny.edit("study.yaml", "schemes/jaw.yaml", "schemes/jow.yaml")
    assert "schemes/jow.yaml\n  error, element jaw: This file does not exist" in tiny.told()
    assert 'Did you mean "jaw.yaml"' in tiny.told()


def test_a_key_that_has_another_name_now_is_said(tiny):
    """A user has a scheme and a study of an earlier version."""
    tiny.edit("schemes/jaw.yaml", "outline:", "links:")
    assert 'The key "links" is not known' in refusal(tiny, "jaw")
    assert "It is called outline now." in refusal(tiny, "jaw")
    tiny.write("study.yaml", tiny.read("study.yaml") + "\nfigures: {magnify: 2}\n")
    assert "It is called exaggeration now." in tiny.told()
