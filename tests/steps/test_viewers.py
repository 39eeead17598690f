"""The 3D viewer of an element, from its results: what is handed to it, and what if it cannot be."""

import base64
import json
import re

import numpy as np
import pytest
import trimesh
from markupsafe import Markup

from morpho.drawing.bone.heat import heat_limit
from morpho.steps.show import scene as viewers

CHAIN = (
    "prepare", "slide", "measure", "superimpose", "ordinate", "grow", "place", "differ", "warp",
)  # fmt: skip
HOSTILE = ("</script><b>&", '"quoted" <!--', "NA")
STILL = b"<svg xmlns='http://www.w3.org/2000/svg'/>"


def analysed(study):
    for step in CHAIN:
        assert study.step(step, "bone") == 0, step
    folder = study.results().folder / "figures"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "mean_shape.svg").write_bytes(STILL)
    return study


def with_surface(study):
    """A ball within the mean of the landmarks, as the step before would leave one."""
    ball = trimesh.creation.icosphere(subdivisions=2, radius=0.3)
    surfaces = study.results().arrays("surfaces")
    surfaces |= {"mean_vertices": ball.vertices, "mean_faces": ball.faces}
    study.results().write_arrays("surfaces", **surfaces)
    return ball


@pytest.fixture
def study(invent):
    study = invent({"null": 6, "<u>": 6}, {HOSTILE[0]: "null", "own": "a form of its own"})
    study.rows[0]["specimen"], study.rows[7]["specimen"] = HOSTILE[1:]
    study.scheme["landmarks"][1]["definition"] = "Tip of the 'hook' </script>"
    study.write()
    return analysed(study)


@pytest.fixture
def handed(monkeypatch):
    """What the viewer is given, each time that it is tried."""
    tries = []

    def section(data, **look):
        tries.append((data, look))
        return section.real(data, **look)

    section.real = viewers.viewer_section
    monkeypatch.setattr(viewers, "viewer_section", section)
    return tries


def show(study):
    return viewers.element_viewer(study.config, study.results())


def the_data(study, handed):
    handed.clear()
    assert show(study)
    return handed[-1][0]


def placed(study):
    arrays = study.results().arrays("superimposed")
    shapes = arrays["tangent"].reshape(len(arrays["specimen"]), -1, 3) + arrays["mean"]
    return arrays, dict(zip(arrays["specimen"].tolist(), shapes, strict=True))


def embedded(markup):
    """The JSON that the page carries."""
    return json.loads(re.search(r"<script[^>]*json[^>]*>(.*?)</script>", markup, re.DOTALL)[1])


def test_every_way_is_there(study, handed):
    """Two axes, growth, and each query against its nearest taxon at its own size."""
    data = the_data(study, handed)
    nearest = study.results().table("verdicts").set_index("specimen")["nearest_taxon"]
    share = study.results().table("variance_per_axis")["share_of_variance"]
    assert [warp.label for warp in data.warps] == [
        f"Axis 1 ({100 * share[0]:.1f} % of variance)",
        f"Axis 2 ({100 * share[1]:.1f} % of variance)",
        "Growth within taxa",
        *(f"{q} against {nearest[q]} at the size of {q}" for q in sorted(nearest.index)),
    ]
    assert data.points.definitions[1] == "Tip of the 'hook' </script>"
    assert data.surface is None
    assert all(warp.heat is None for warp in data.warps)


def test_axes_run_between_the_known_specimens(study, handed):
    """At its ends an axis is the lowest and the highest known specimen's place on it."""
    data = the_data(study, handed)
    scores = study.results().table("shape_scores")
    known = scores[scores["role"] == "known"]
    ends = study.results().table("axis_shapes").set_index(["axis", "end", "landmark"]).sort_index()
    for j, warp in enumerate(data.warps[:2]):
        column = known[f"axis_{j + 1}"]
        np.testing.assert_allclose((warp.low, warp.high), (column.min(), column.max()))
        for end, at in (("low", warp.low), ("high", warp.high)):
            shape = np.asarray(data.points.positions) + at * np.asarray(warp.direction)
            table = ends.loc[(j + 1, end)].loc[list(data.points.names), ["x", "y", "z"]]
            table = table / np.sqrt((table**2).to_numpy().sum())
            shape = shape / np.sqrt((shape**2).sum())
            # straight in tangent space here, on the sphere of shapes there
            np.testing.assert_allclose(shape, table, atol=5e-4)


def test_growth_runs_between_the_smallest_and_the_largest(study, handed):
    """Along the slope within taxa, by least squares on dummies and log size."""
    growth = the_data(study, handed).warps[2]
    arrays, _ = placed(study)
    known = arrays["known"]
    x = arrays["log_size"][known]
    D = (arrays["taxon"][known][:, None] == np.unique(arrays["taxon"][known])).astype(float)
    slope = np.linalg.lstsq(np.column_stack([D, x]), arrays["tangent"][known], rcond=None)[0][-1]
    np.testing.assert_allclose(np.ravel(growth.direction), slope, atol=1e-9)
    np.testing.assert_allclose(
        (growth.low, growth.start, growth.high), (x.min(), x.mean(), x.max())
    )
    assert growth.logarithmic
    assert growth.sized


def test_a_query_is_itself_at_one_and_its_taxon_at_zero(study, handed):
    data = the_data(study, handed)
    arrays, shapes = placed(study)
    sizes = dict(zip(arrays["specimen"].tolist(), np.exp(arrays["log_size"]), strict=True))
    moved = study.results().table("displacements")
    mean = np.asarray(data.points.positions)
    scores = study.results().table("shape_scores").set_index("specimen").filter(like="axis_")
    for name in (HOSTILE[0], "own"):
        warp = next(w for w in data.warps if w.label.startswith(f"{name} against"))
        assert (warp.low, warp.start) == (0, 0)
        at_zero = mean + np.asarray(warp.offset)
        at_one = at_zero + np.asarray(warp.direction)
        np.testing.assert_allclose(at_one, shapes[name], atol=1e-9)
        rows = moved[(moved["specimen"] == name) & moved["size_heeded"]].set_index("landmark")
        goal = rows.loc[list(data.points.names), ["x", "y", "z"]] / sizes[name]
        np.testing.assert_allclose(at_zero, goal, atol=1e-8)
        assert warp.mm_per_unit == pytest.approx(sizes[name])
        at = np.asarray(warp.scores_at_start) + np.asarray(warp.scores_direction)
        np.testing.assert_allclose(at, scores.loc[name].iloc[: len(at)], atol=1e-8)


def test_heat_says_what_the_displacements_say(study, handed):
    """Positive where the query's surface lies outward of the taxon's, in mm."""
    ball = with_surface(study)
    data = the_data(study, handed)
    np.testing.assert_allclose(data.surface.vertices, ball.vertices)
    assert [warp.heat is None for warp in data.warps] == [True, True, True, False, False]
    for warp in data.warps[3:]:
        assert np.asarray(warp.heat.values_mm).shape == (len(ball.vertices),)
        assert "outward (+)" in warp.heat.label
        assert np.asarray(warp.heat.within).shape == (len(ball.vertices),)
    # a query that is its taxon blown up about the middle lies outward everywhere
    arrays, _ = placed(study)
    moved = study.results().table("displacements")
    rows = (moved["specimen"] == "own") & moved["size_heeded"]
    points = arrays["point"].tolist()
    i = arrays["specimen"].tolist().index("own")
    order = [points.index(name) for name in moved.loc[rows, "landmark"]]
    shape = arrays["tangent"][i].reshape(-1, 3) + arrays["mean"]
    size = float(np.exp(arrays["log_size"][i]))
    moved.loc[rows, ["x", "y", "z"]] = 0.9 * size * shape[order]
    study.results().write_table("displacements", moved)
    warp = next(w for w in the_data(study, handed).warps if w.label.startswith("own against"))
    values = np.asarray(warp.heat.values_mm)
    assert (values > 0).mean() > 0.95
    # the ball too is about a tenth of its radius larger
    assert np.median(values) == pytest.approx(0.1 * 0.3 * size, rel=0.5)


def test_heat_stands_where_the_table_says_and_on_the_scale_of_the_figure(study, handed):
    """Hatched by the nearest landmark's adjusted p; the end of the scale is that of the scan."""
    ball, results = with_surface(study), study.results()
    table = results.table("displacements")
    arrays, _ = placed(study)
    near = np.linalg.norm(arrays["mean"] - ball.vertices[0], axis=1).argmin()
    table["p_value_false_discovery"] = 0.6
    table.loc[table["landmark"] == arrays["point"][near], "p_value_false_discovery"] = 0.01
    results.write_table("displacements", table)
    surfaces = results.arrays("surfaces")
    results.write_arrays("surfaces", **surfaces | {"query": np.array(["own"]), "limit": [0.77]})
    warps = the_data(study, handed).warps
    own = next(warp for warp in warps if warp.label.startswith("own against"))
    other = next(warp for warp in warps if warp.heat is not None and warp is not own)
    assert own.heat.limit == 0.77
    shown = ~np.asarray(own.heat.within)
    assert 0 < shown.sum() < len(ball.vertices)
    shown = ~np.asarray(other.heat.within)
    assert other.heat.limit == heat_limit(np.asarray(other.heat.values_mm)[shown])
    table["p_value_false_discovery"] = 0.6
    results.write_table("displacements", table)
    warps = the_data(study, handed).warps
    assert all(np.asarray(w.heat.within).all() for w in warps if w.heat is not None)


def test_rows_are_found_by_their_names(study, handed):
    """The order of the rows of a table has no bearing on who stands where."""
    before = embedded(show(study))
    scores = study.results().table("shape_scores")
    study.results().write_table("shape_scores", scores.iloc[::-1])
    moved = study.results().table("displacements")
    study.results().write_table("displacements", moved.sample(frac=1, random_state=1))
    assert embedded(show(study)) == before
    data = the_data(study, handed)
    by_name = scores.set_index("specimen")
    for name, taxon, role, row in zip(
        data.specimens.names, data.specimens.taxa, data.specimens.roles,
        np.asarray(data.specimens.scores), strict=True,
    ):  # fmt: skip
        assert (taxon, role) == tuple(by_name.loc[name, ["taxon", "role"]])
        axes = by_name.loc[name].filter(like="axis_").to_numpy(dtype=float)
        np.testing.assert_allclose(row, axes[: len(row)])


def test_names_cannot_break_out_of_the_page(study):
    """Signs of HTML stay text: in the markup there is no tag that a name brought."""
    with_surface(study)
    markup = show(study)
    assert isinstance(markup, Markup)
    assert "</script><b>" not in markup
    assert "<u>" not in re.sub(r"<script[^>]*json.*?</script>", "", markup, flags=re.DOTALL)
    assert "<!--" not in markup
    content = embedded(markup)
    names = content["specimens"]["names"]
    assert set(HOSTILE) <= set(names)
    assert markup.count("<script") == markup.count("</script")
    assert base64.b64encode(STILL).decode() in markup


@pytest.mark.parametrize("fault", ["a face without a vertex", "a coordinate missing"])
def test_without_the_surface_where_that_cannot_be_shown(study, handed, capsys, fault):
    """Landmarks and lines stand for the bone, and why is told."""
    with_surface(study)
    surfaces = study.results().arrays("surfaces")
    if fault == "a face without a vertex":
        surfaces["mean_faces"][0, 0] = 10_000
    else:
        surfaces["mean_vertices"][0, 0] = np.nan
    study.results().write_arrays("surfaces", **surfaces)
    markup = show(study)
    assert markup
    assert "surface" not in embedded(markup)
    assert "3D of bone: " in capsys.readouterr().out
    assert handed[-1][0].surface is None
    assert len(handed[-1][0].warps) == 5


def test_nothing_where_it_cannot_be_shown_at_all(study, capsys):
    notes = study.results().notes("slide")
    study.results().write_notes("slide", notes | {"outline": [["point_1", "nowhere"]]})
    assert show(study) == Markup("")
    assert capsys.readouterr().out.count("'nowhere'") == 2


EDGES = {
    "no query": ({"queries": {}}, ["Axis 1", "Axis 2", "Growth"]),
    "sizes all equal": ({"same_size": True}, ["Axis 1", "Axis 2", "find 1 against the mean of"]),
    "one axis": (
        {"settings": {"shape_space": {"most": 1}}},
        ["Axis 1", "Growth", "find 1 against"],
    ),
    "only taxa of one": ({"taxa": {"ash": 1, "birch": 1, "cedar": 1, "oak": 1}}, ["Axis 1"]),
    "three known specimens": ({"taxa": {"ash": 3}}, ["Axis 1"]),
}


@pytest.mark.parametrize("name", EDGES)
def test_at_the_edge_what_there_is_is_shown(name, invent, handed):
    choices, labels = EDGES[name]
    study = analysed(invent(**choices))
    found = [warp.label for warp in the_data(study, handed).warps]
    assert len(found) >= len(labels)
    for label, warp in zip(labels, found, strict=False):
        assert warp.startswith(label)
    judged = study.results().table("verdicts")["nearest_taxon"].ne("").sum()
    assert sum(" against " in label for label in found) == judged


def test_two_runs_are_the_same(study):
    with_surface(study)
    before = show(study)
    for step in ("differ", "warp"):
        assert study.step(step, "bone") == 0
    with_surface(study)
    assert show(study) == before
