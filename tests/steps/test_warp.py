"""Warped scans through the steps: invented bones whose scans and landmarks agree by formula."""

import inspect
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import trimesh
from matplotlib.colors import to_rgb
from scipy.spatial import cKDTree

from morpho import steps
from morpho.drawing.bone.heat import BONE, heat_limit
from morpho.report.words.meshes import with_remarks
from morpho.shape.superimposition import centroid_size
from morpho.study.reading.paths import safe_name
from morpho.study.scans.reading import scan_of

CHAIN = ("prepare", "slide", "measure", "superimpose", "ordinate", "grow", "place", "differ")
AXES = np.array([12.0, 6.0, 4.0])
TAXA = {"Ash/oak": 5, "ash:OAK": 5, "birch": 4}  # two of them would have one file name
BALL = trimesh.creation.icosphere(subdivisions=3)
HEIGHT, WIDTH = 2.0, 0.6
QUERIES = ("bump", "dent", "broken", "no scan")
ENDINGS = {".ply", ".glb", ".stl"}


def _spread(n):
    """Points spread evenly over the unit sphere along a spiral (Vogel 1979, from memory)."""
    i = np.arange(n) + 0.5
    z, turn = 1 - 2 * i / n, np.pi * (1 + np.sqrt(5)) * i
    r = np.sqrt(1 - z**2)
    return np.column_stack([r * np.cos(turn), r * np.sin(turn), z])


LANDMARKS = cKDTree(BALL.vertices).query(_spread(36))[1]
BUMP = BALL.vertices[LANDMARKS[2]]
NAMES = [f"point_{i + 1}" for i in range(len(LANDMARKS))]
# the outermost landmarks along x and y lay out the anatomical frame
ENDS = {
    axis: [NAMES[int(f(BALL.vertices[LANDMARKS, i]))] for f in (np.argmin, np.argmax)]
    for i, axis in enumerate("xy")
}


def _terms(U):
    x, y, z = U.T
    return np.column_stack([x, y, z, x * x - z * z, x * y, y * z, x * z])


def bone(rng, form, log_size, height=0.0):
    """All vertices of one bone: an ellipsoid bent by low terms, which no mirror leaves alone."""
    U = BALL.vertices
    bent = np.zeros((7, 3))
    bent[4, 2], bent[3, 1] = 1.5, 1.0
    own = 0.03 * rng.normal(size=(7, 3))
    grown = np.zeros((7, 3))
    grown[0, 0] = 1.0
    V = U * AXES + _terms(U) @ (bent + form + own + log_size * grown)
    near = np.exp(-((U - BUMP) ** 2).sum(axis=1) / WIDTH**2)
    return np.exp(log_size) * (V + height * near[:, None] * U)


def write_scan(study, name, V, F=BALL.faces):
    path = study.folder / "scans" / "bone" / f"{safe_name(name)}.ply"
    path.parent.mkdir(parents=True, exist_ok=True)
    trimesh.Trimesh(V, F, process=False).export(path)
    return path


def invented_bones(make, *, mirrored=(), with_scans=True, **settings):
    """A study of such bones: three queries, one of them broken, and one without a scan."""
    rng = np.random.default_rng(3)
    missing = {"known": "estimate", "query": "estimate", "imputations": 2}
    settings = {"preparation": {"missing": missing}, **settings}
    if with_scans:
        settings["scans"] = {"files": "scans/{element}/{specimen}.ply", "units": "mm"}
    like = {name: "birch" if name == "no scan" else "Ash/oak" for name in QUERIES}
    study = make(TAXA, like, landmarks=len(NAMES), side="left", settings=settings)
    forms = {taxon: 0.25 * rng.normal(size=(7, 3)) for taxon in TAXA}
    heights = {"bump": HEIGHT, "dent": -HEIGHT}
    vertices, turn = {}, np.array([-1.0, 1.0, 1.0])
    for row in study.rows:
        name = row["specimen"]
        V = bone(rng, forms[row["taxon"] or like[name]], rng.normal(0, 0.1), heights.get(name, 0))
        row["side"] = "right" if name in mirrored else "left"
        vertices[name] = V * turn if name in mirrored else V
        F = BALL.faces[:, ::-1] if name in mirrored else BALL.faces
        if name == "broken":
            F = F[(BALL.vertices[F][:, :, 0] < 0.62).all(axis=1)]
        if with_scans and name != "no scan":
            write_scan(study, name, vertices[name], F)
    study.shapes["bone"] = np.array([vertices[name][LANDMARKS] for name in study.names])
    gone = BALL.vertices[LANDMARKS, 0] > 0.6
    for name in ("broken", "no scan"):
        study.shapes["bone"][study.names.index(name), gone] = np.nan
    study.scheme["symmetry"] = "matching"
    study.scheme["outline"] = []
    study.scheme["axes"] = {
        axis: {"towards": word, "from": ENDS[axis][0], "to": ENDS[axis][1]}
        for axis, word in (("x", "front"), ("y", "top"))
    } | {"z": {"towards": "outer side"}}
    study.write()
    return study


def run(study, *steps):
    for step in steps or (*CHAIN, "warp"):
        assert study.step(step, "bone") == 0, step


@pytest.fixture(scope="module")
def study(invent_once):
    study = invented_bones(invent_once)
    run(study)
    return study


def meshes(study):
    return study.results().table("meshes")


def read(study, file, ending=".ply"):
    return trimesh.load_mesh(study.results().folder / "meshes" / (file + ending), process=False)


def stored(mesh, name):
    return np.ravel(mesh.metadata["_ply_raw"]["vertex"]["data"][name]).astype(float)


def file_of(study, **facts):
    table = meshes(study)
    for column, value in facts.items():
        table = table[table[column] == value]
    return table["file"].item()


def heat(study, name):
    rows = meshes(study)
    own = rows[(rows["specimen"] == name) & rows["form"].str.contains("heat")]
    mesh = read(study, own["file"].item())
    return np.asarray(mesh.vertices), stored(mesh, "beyond_mean_mm")


def test_each_surface_has_a_name_of_its_own_and_three_files(study):
    """Also of taxa whose names a disk would not tell apart."""
    files = meshes(study)["file"].tolist()
    assert len({name.casefold() for name in files}) == len(files)
    folder = study.results().folder / "meshes"
    assert {p.name for p in folder.iterdir()} == {f + e for f in files for e in ENDINGS}
    forms = meshes(study)["form"].value_counts()
    assert forms["mean of a taxon"] == len(TAXA)
    assert set(meshes(study)["specimen"]) == {"", *QUERIES}


def test_the_mean_of_a_taxon_has_its_landmarks_where_the_mean_shape_has_them(study):
    """At the taxon's mean size; and no face is folded."""
    placed = study.results().arrays("superimposed")
    shapes = placed["tangent"].reshape(len(placed["taxon"]), -1, 3) + placed["mean"]
    sizes = study.results().table("centroid_size")
    for taxon in TAXA:
        row = meshes(study)[meshes(study)["taxon"] == taxon]
        row = row[row["form"] == "mean of a taxon"].iloc[0]
        logs = sizes.loc[sizes["taxon"] == taxon, "log_centroid_size"]
        size = np.exp(logs.mean())
        assert row["centroid_size_mm"] == pytest.approx(size, rel=1e-7)
        mean = shapes[placed["taxon"] == taxon].mean(axis=0)
        goal = mean * size / centroid_size(mean[None])[0]
        distance, places = cKDTree(read(study, row["file"]).vertices).query(goal)
        assert distance.max() < 1e-5
        landmarks = np.asarray(read(study, row["file"]).vertices)[places]
        assert centroid_size(landmarks[None])[0] == pytest.approx(size, rel=1e-5)
        assert row["share_folded"] == 0


def test_ends_of_axes_and_of_growth_are_there(study):
    """The landmarks of the table of ends; small and large forms have the sizes of the bones."""
    ends = study.results().table("axis_shapes")
    for (axis, end), rows in ends.groupby(["axis", "end"]):
        shape = rows[["x", "y", "z"]].to_numpy()
        row = meshes(study).set_index("file").loc[f"axis_{axis}_{end}"]
        goal = shape * row["centroid_size_mm"] / centroid_size(shape[None])[0]
        assert cKDTree(read(study, row.name).vertices).query(goal)[0].max() < 1e-4
    sizes = study.results().table("centroid_size")
    known = sizes.loc[sizes["role"] == "known", "centroid_size_mm"]
    table = meshes(study).set_index("file")["centroid_size_mm"]
    assert table["smallest_form"] == pytest.approx(known.min(), rel=1e-7)
    assert table["largest_form"] == pytest.approx(known.max(), rel=1e-7)


@pytest.mark.parametrize(("name", "sign"), [("bump", 1), ("dent", -1)])
def test_heat_is_where_the_bump_was_planted(study, name, sign):
    """Positive where the query stands out, negative where it stays behind, elsewhere near none."""
    vertices, beyond = heat(study, name)
    assert len(vertices) == len(BALL.vertices)
    near = np.linalg.norm(BALL.vertices - BUMP, axis=1)
    assert sign * np.median(beyond[near < 0.12]) == pytest.approx(HEIGHT, rel=0.35)
    assert (sign * beyond[near < 0.25] > 0.5).all()
    assert np.abs(beyond[near > 1]).max() < 0.3 * HEIGHT
    assert np.abs(np.median(beyond[near > 1])) < 0.15


def test_heat_at_a_landmark_is_the_displacement_along_the_normal(study):
    """The table of displacements, turned onto the scan, says the same there."""
    moved = study.results().table("displacements")
    moved = moved[(moved["specimen"] == "bump") & moved["size_heeded"]].set_index("landmark")
    rows = moved.loc[NAMES]
    vertices, beyond = heat(study, "bump")
    mesh = trimesh.Trimesh(vertices, BALL.faces, process=False)
    along = (rows[["x_mm", "y_mm", "z_mm"]].to_numpy() * mesh.vertex_normals[LANDMARKS]).sum(axis=1)
    # laid onto its own goal, not onto the mean of all: little else moves
    assert np.abs(along - beyond[LANDMARKS]).max() < 0.25
    assert np.corrcoef(along, beyond[LANDMARKS])[0, 1] > 0.95


def test_colours_are_those_of_the_scale(study):
    """Yellow where it stands out, blue where it stays behind: red rises with the heat."""
    vertices, beyond = heat(study, "dent")
    file = next(f for f in meshes(study)["file"] if f.startswith("dent"))
    mesh = read(study, file)
    colours = mesh.visual.vertex_colors[:, :3].astype(int)
    assert len(colours) == len(vertices)
    shown = stored(mesh, "within_members_variation") == 0
    warm = colours[:, 0] - colours[:, 2]
    assert (warm[shown & (beyond < -0.5)] < 0).all()
    assert np.corrcoef(warm[shown], beyond[shown])[0, 1] > 0.8


def test_heat_within_members_variation_takes_the_colour_of_bone(study):
    """Where the nearest point's adjusted p-value is above the level, and only there."""
    table = study.results().table("displacements")
    table = table[(table["specimen"] == "bump") & table["size_heeded"]].set_index("landmark")
    alpha = study.config.settings.tests.alpha
    passes = (table.loc[NAMES, "p_value_false_discovery"] <= alpha).to_numpy()
    assert 0 < passes.sum() < len(passes)
    file = next(f for f in meshes(study)["file"] if f.startswith("bump"))
    mesh = read(study, file)
    vertices = np.asarray(mesh.vertices)
    gaps = np.linalg.norm(vertices[:, None] - vertices[LANDMARKS], axis=2)
    two = np.sort(gaps, axis=1)
    sure = two[:, 1] - two[:, 0] > 0.3  # the landmarks are laid onto their goal, not the vertices
    off = passes[gaps.argmin(axis=1)]
    within = stored(mesh, "within_members_variation") == 1
    assert sure.sum() > 100
    np.testing.assert_array_equal(within[sure], ~off[sure])
    bone = np.round(255 * np.array(to_rgb(BONE))).astype(int)
    plain = (mesh.visual.vertex_colors[:, :3].astype(int) == bone).all(axis=1)
    np.testing.assert_array_equal(plain, within)
    surfaces = study.results().arrays("surfaces")
    place = surfaces["query"].tolist().index("bump")
    np.testing.assert_array_equal(surfaces[f"within_{place}"], within)
    beyond = surfaces[f"beyond_{place}"]
    assert surfaces["limit"][place] == heat_limit(beyond[~within])
    assert (
        "colour of bone: within members' variation"
        in meshes(study).set_index("file").loc[file, "form"]
    )


@pytest.mark.slow
@pytest.mark.parametrize("turned", [("bump", "dent"), ("Ash/oak 2", "birch 1", "broken")])
def test_mirrored_bones_give_the_same_heat(study, invent, turned):
    """Right bones, digitised and scanned as mirror images: every vertex has the same value."""
    other = invented_bones(invent, mirrored=turned)
    run(other)
    assert other.results().table("specimens")["mirrored"].sum() == len(turned)
    for name in ("bump", "dent", "broken"):
        (V, before), (W, after) = heat(study, name), heat(other, name)
        distance, same = cKDTree(W).query(V)
        assert distance.max() < 1e-4
        np.testing.assert_allclose(after[same], before, atol=1e-4)
    pd.testing.assert_series_equal(meshes(other)["volume_mm3"], meshes(study)["volume_mm3"],
                                   rtol=1e-4)  # fmt: skip
    assert (meshes(other)["volume_mm3"].dropna() > 0).all()


def test_a_broken_bone_is_completed_and_the_filled_part_marked(study):
    """By its own scan where it has one, else by the landmarks that were estimated."""
    for name in ("broken", "no scan"):
        rows = meshes(study)[meshes(study)["specimen"] == name]
        row = rows[rows["form"].str.contains("completed")].iloc[0]
        assert "hypothesis" in row["form"]
        assert row["template"] in study.names
        mesh = read(study, row["file"])
        filled = stored(mesh, "filled") == 1
        along = BALL.vertices[:, 0]
        assert filled[along > 0.85].all()
        assert not filled[along < 0.3].any()
        colours = mesh.visual.vertex_colors[:, :3]
        assert len(np.unique(colours[filled], axis=0)) == 1
        assert len(np.unique(colours[~filled], axis=0)) == 1
        assert (colours[filled][0] != colours[~filled][0]).any()
    assert not meshes(study)["form"].str.contains("no scan, heat").any()
    whole = meshes(study)[meshes(study)["specimen"].isin(["bump", "dent"])]
    assert not whole["form"].str.contains("completed").any()


def test_the_three_files_hold_one_surface(study):
    """Read again by trimesh; the STL closed where the list says so, and by its volume."""
    for row in meshes(study).to_dict("records"):
        ply, glb, stl = (read(study, row["file"], e) for e in (".ply", ".glb", ".stl"))
        # trimesh gives GLB in metres, as the format has it
        np.testing.assert_allclose(ply.vertices, 1000 * glb.vertices, rtol=1e-6)
        np.testing.assert_array_equal(ply.faces, glb.faces)
        assert len(ply.faces) == row["faces"]
        joined = trimesh.load_mesh(study.results().folder / "meshes" / f"{row['file']}.stl")
        assert joined.is_watertight == row["watertight"], row["file"]
        if row["holes_closed"] == row["holes_left"] == 0:
            corners = [
                mesh.triangles.astype("f4")[np.lexsort(mesh.triangles_center.astype("f4").T)]
                for mesh in (ply, stl)
            ]
            np.testing.assert_allclose(np.sort(corners[0], axis=1), np.sort(corners[1], axis=1))
        if row["watertight"]:
            assert joined.volume == pytest.approx(row["volume_mm3"], rel=1e-5)
        else:
            assert np.isnan(row["volume_mm3"])
    broken = meshes(study)[meshes(study)["form"].str.startswith("broken, heat")].iloc[0]
    assert broken["holes_closed"] + broken["holes_left"] == 1
    assert broken["watertight"] == (broken["holes_left"] == 0)


def test_a_hole_that_is_left_is_told(study, invent):
    """One with a border far from any plane cannot be closed in good faith."""
    other = invented_bones(invent)
    middles = BALL.vertices[BALL.faces].mean(axis=1)
    kept = middles[:, 0] < 0.2 + 0.6 * np.sin(2 * np.arctan2(middles[:, 2], middles[:, 1]))
    i = other.names.index("bump")
    V = trimesh.load_mesh(other.config.scan_file("bone", "bump"), process=False).vertices
    assert np.allclose(V[LANDMARKS], other.shapes["bone"][i], atol=1e-5)
    write_scan(other, "bump", V, BALL.faces[kept])
    run(other)
    row = meshes(other)[meshes(other)["specimen"] == "bump"].iloc[0]
    assert not row["watertight"]
    assert row["holes_left"] > 0
    reasons = row["hole_reasons"].split(";")
    assert len(reasons) == len(row["hole_lengths_mm"].split(";")) == row["holes_left"]
    assert set(reasons) <= {"bent", "long"}
    remark = with_remarks({"meshes": meshes(other)})["meshes"]["remark"]
    assert re.match(r"a hole \S+ mm around is left: it (leaves|is too long)", remark[row.name])
    stl = trimesh.load_mesh(other.results().folder / "meshes" / f"{row['file']}.stl")
    assert not stl.is_watertight


def test_two_runs_write_the_same_bytes(study):
    results = study.results().folder
    paths = sorted((results / "meshes").iterdir())
    paths += [results / "tables/meshes.csv", results / "arrays/surfaces.npz"]
    before = {path: path.read_bytes() for path in paths}
    mine = results / "meshes" / "mine.ply"
    mine.write_bytes(b"ply")
    run(study, "warp")
    assert {path: path.read_bytes() for path in paths} == before
    assert mine.read_bytes() == b"ply"
    mine.unlink()


def test_the_template_is_the_known_bone_nearest_the_mean(study):
    """Of those that are whole and have a scan."""
    table = study.results().table("configurations").set_index(["specimen", "landmark"])
    mean = study.results().table("mean_shape").set_index("landmark").loc[NAMES, ["x", "y", "z"]]
    known = [name for name in study.names if name not in QUERIES]
    far = {
        name: np.linalg.norm(table.loc[name].loc[NAMES, ["x", "y", "z"]] - mean) for name in known
    }
    assert set(meshes(study)["template"]) == {"", min(far, key=far.get)}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("chosen", "spoilt", "taken"),
    [("birch 4", "", True), ("birch 4", "scan", False), ("birch 4", "landmark", False)],
)
def test_the_template_is_the_schemes_choice(study, invent, chosen, spoilt, taken):
    """Unless it has no scan, or lacks a landmark: then the nearest again."""
    other = invented_bones(invent)
    other.scheme["patches"] = [{"name": "face", "template": chosen}]
    other.study["preparation"]["semilandmarks"] = {"patches": False}
    if spoilt == "scan":
        other.config.scan_file("bone", chosen).unlink()
    if spoilt == "landmark":
        other.shapes["bone"][other.names.index(chosen), 0] = np.nan
    other.write()
    with open(other.folder / "landmarks/bone/all.csv", "a", encoding="utf-8") as file:
        file.writelines(f"{chosen},,face.{i},1,{i},{i * i}\n" for i in (1, 2, 3))
    run(other)
    found = set(meshes(other)["template"]) - {""}
    assert (found == {chosen}) == taken
    assert len(found) == 1


@pytest.mark.long
def test_a_study_without_scans_has_an_empty_list(invent, only_svg):
    """No surface, no file, no figure of heat; all other figures of the query are there."""
    study = invented_bones(invent, with_scans=False)
    run(study)
    folder = study.results().folder
    assert not (folder / "meshes").exists()
    assert meshes(study).empty
    surfaces = study.results().arrays("surfaces")
    assert surfaces["query"].tolist() == []
    assert surfaces["mean_faces"].shape == surfaces["mean_vertices"].shape == (0, 3)
    run(study, "portray")
    portraits = study.results().table("portraits")
    assert set(portraits["figure"]) == {"displacements", "displacement_ranking", "measurements"}
    assert {p.stem for p in (folder / "figures/queries").iterdir()} == set(portraits["file"])


@pytest.mark.slow
def test_scans_that_are_not_there_yet(study, invent):
    """The folder is named in study.yaml, and nothing is in it: the same empty list."""
    other = invented_bones(invent)
    for path in (other.folder / "scans/bone").iterdir():
        path.unlink()
    run(other)
    assert meshes(other).empty
    assert not (other.results().folder / "meshes").exists()


@pytest.mark.long
def test_figures_of_the_queries_are_drawn(study, only_svg):
    run(study, "portray")
    portraits = study.results().table("portraits")
    drawn = portraits.groupby("specimen")["figure"].agg(set)
    assert {name for name in QUERIES if "heat" in drawn[name]} == {"bump", "dent", "broken"}
    text = (study.results().folder / "figures/queries/bump_heat.svg").read_text("utf-8")
    assert "bump beyond the mean of Ash/oak" in text


@pytest.mark.long
def test_scans_in_units_of_their_own_are_the_same_scans(study, invent):
    """A query's scan in centimetres and the template's in micrometres: the same meshes."""
    other = invented_bones(invent)
    (template,) = set(meshes(study)["template"]) - {""}
    units = {"bump": ("cm", 0.1), template: ("um", 1000.0)}
    other.study["scans"]["units_of"] = {"bone": {name: unit for name, (unit, _) in units.items()}}
    other.write()
    for name, (_, factor) in units.items():
        mesh = trimesh.load_mesh(other.config.scan_file("bone", name), process=False)
        write_scan(other, name, factor * mesh.vertices, mesh.faces)
    run(other)
    pd.testing.assert_frame_equal(meshes(other), meshes(study), rtol=1e-3, atol=1e-3)


def test_every_step_asks_for_the_unit_of_the_very_scan():
    """Wherever a scan is read: by `scan_of`, which asks `StudyConfig.scan_units`."""
    readers = 0
    for path in Path(steps.__file__).parent.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        readers += text.count("scan_of(")
        assert not re.search(r"""\[["']scans["']\]\[["']units["']\]|read_scan""", text), path.name
    assert readers >= 4
    assert "config.scan_units(element, specimen)" in inspect.getsource(scan_of)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["bump", "template"])
def test_a_broken_scan_is_told_in_words(study, invent, capsys, name):
    other = invented_bones(invent)
    run(other, *CHAIN)
    if name == "template":
        (name,) = set(meshes(study)["template"]) - {""}
    path = other.config.scan_file("bone", name)
    path.write_bytes(path.read_bytes()[:2000])
    capsys.readouterr()
    assert other.step("warp", "bone") == 1
    told = capsys.readouterr().err
    assert path.name in told
    assert "Export it again" in told
    assert "Traceback" not in told


@pytest.mark.slow
def test_a_bone_that_no_spline_can_follow_is_told_and_the_rest_made(study, invent, capsys):
    """Two landmarks of a query in one place, far apart in its taxon: no heat of that one."""
    other = invented_bones(invent)
    i = other.names.index("bump")
    other.shapes["bone"][i, 3] = other.shapes["bone"][i, 30]
    other.write()
    run(other)
    assert "heat, bump: Landmarks 3 and 30" in capsys.readouterr().out
    assert other.results().notes("warp")["trouble"] == [
        {"part": "heat", "specimen": "bump", "code": "one_place"}
    ]
    names = set(meshes(other)["specimen"])
    assert "bump" not in names
    assert "dent" in names
    assert (meshes(other)["form"] == "mean of a taxon").sum() == len(TAXA)


def symmetric_bones(make, distortion, sheared):
    """Bones with a plane of symmetry (y = 0), of one query sheared in the ground."""
    rng = np.random.default_rng(8)
    U = BALL.vertices
    half = U[LANDMARKS][U[LANDMARKS][:, 1] > 0.25][:9]
    flat = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 0, 1.0], [0, 0, -1.0], [0.7, 0, 0.7]])
    points = np.concatenate([half, half * [1, -1, 1], flat])
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    study = make(
        {"ash": 6, "birch": 6}, {"find": "ash"}, landmarks=len(points),
        settings={
            "scans": {"files": "scans/{element}/{specimen}.ply", "units": "mm"},
            "preparation": {"distortion": distortion, "symmetry": "symmetric"},
        },
    )  # fmt: skip
    k = len(half)
    study.scheme |= {
        "symmetry": "object",
        "pairs": [[study.landmarks[i], study.landmarks[k + i]] for i in range(k)],
        "midline": study.landmarks[2 * k :],
        "outline": [],
        "axes": {
            "x": {"towards": "front", "from": study.landmarks[2 * k + 1],
                  "to": study.landmarks[2 * k]},
            "y": {"towards": "left", "from": study.landmarks[k], "to": study.landmarks[0]},
            "z": {"towards": "top"},
        },
    }  # fmt: skip
    forms = {taxon: 0.4 * rng.normal(size=(4, 3)) for taxon in ("ash", "birch")}
    # terms that are even across the plane move x and z, odd ones move y
    own = {row["specimen"]: 0.08 * rng.normal(size=(4, 3)) for row in study.rows}

    def grown(P, row):
        C = forms[row["taxon"] or "ash"] + own[row["specimen"]]
        x, y, z = P.T
        even = np.column_stack([x, z, x * z, y * y]) @ C
        return P * AXES + np.column_stack([even[:, 0], y * even[:, 1], even[:, 2]])

    # a stretch along one bisector of front and side, and a press along the other
    turn = np.array([[1.0, 1.0, 0], [-1.0, 1.0, 0], [0, 0, np.sqrt(2)]]) / np.sqrt(2)
    S = turn @ np.diag([1.12, 1 / 1.12, 1]) @ turn.T
    shapes = []
    for row in study.rows:
        L, V = grown(points, row), grown(U, row)
        if row["specimen"] in sheared:
            L, V = L @ S, V @ S
        shapes.append(L)
        write_scan(study, row["specimen"], V)
    study.shapes["bone"] = np.array(shapes)
    study.write()
    run(study)
    return study


@pytest.mark.slow
def test_a_scan_is_undistorted_with_its_landmarks(invent):
    """Sheared and made symmetric, the scan lies where it lies of the bone that never was."""
    before = heat(symmetric_bones(invent, [], []), "find")
    left = heat(symmetric_bones(invent, [], ["find"]), "find")
    mended = symmetric_bones(invent, ["find"], ["find"])
    after = heat(mended, "find")
    assert mended.results().table("distortion")["shear"].item() > 0.15
    away = np.linalg.norm(left[0] - before[0], axis=1).max()
    assert away > 0.8
    assert np.linalg.norm(after[0] - before[0], axis=1).max() < 0.1 * away
    np.testing.assert_allclose(after[1], before[1], atol=0.1)
    assert np.abs(left[1] - before[1]).max() > 0.3


@pytest.mark.long
def test_a_bone_made_symmetric_is_no_template(invent):
    """Its scan is not as it was found: another one is warped."""
    plain = symmetric_bones(invent, [], [])
    (nearest,) = set(meshes(plain)["template"]) - {""}
    other = symmetric_bones(invent, [nearest], [])
    (found,) = set(meshes(other)["template"]) - {""}
    assert found != nearest


def test_where_every_surface_was_made_nothing_is_noted(study):
    assert study.results().notes("warp") == {"trouble": []}
