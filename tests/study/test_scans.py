"""Scans: read safely, and held against the landmarks."""

import re

import numpy as np
import pytest
import trimesh
from scipy.interpolate import RBFInterpolator
from scipy.spatial.distance import cdist

from morpho.study.check import check_study
from morpho.study.reading.problems import StudyError
from morpho.study.scans.reading import read_scan, read_scan_with_notes

SCANS = "scans: {files: 'scans/{element}/{specimen}.ply'}\n"


@pytest.fixture
def scanned(tiny):
    """The tiny study with a scan of the jaw of A-1 and of the query."""
    tiny.write("study.yaml", tiny.read("study.yaml") + SCANS)
    for name in ("A-1", "Q-1"):
        put_scan(tiny, name, of=name)
    return tiny


def sheet(tiny, name):
    """A sheet of 2,048 triangles through the landmarks of a jaw of the tiny study."""
    rows = [r.split(",") for r in tiny.read(f"landmarks/jaw/{name}.csv").splitlines()[1:]]
    points = np.array([[float(cell) for cell in row[4:]] for row in rows])
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(-1, 11, 33), np.linspace(-2, 7, 33)))
    places = np.column_stack([x, y])
    nearest = cdist(points[:, :2], places).argmin(axis=1)
    places[nearest] = points[:, :2]
    z = RBFInterpolator(points[:, :2], points[:, 2])(places)
    n = np.arange(33 * 33).reshape(33, 33)
    a, b, c, d = (part.ravel() for part in (n[:-1, :-1], n[1:, :-1], n[1:, 1:], n[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return trimesh.Trimesh(np.column_stack([places, z]), faces, process=False)


def put_scan(tiny, name, scale=1.0, move=0.0, of="A-1"):
    mesh = sheet(tiny, of)
    mesh.apply_scale(scale)
    mesh.apply_translation([move, 0, 0])
    return put_mesh(tiny, name, mesh)


def put_mesh(tiny, name, mesh, ending="ply"):
    path = tiny.folder / f"scans/jaw/{name}.{ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    mesh.export(path)
    return path


def put_box(tiny, ending):
    box = trimesh.creation.box(bounds=[[-1, -2, -2], [11, 7, 4]])
    return put_mesh(tiny, "A-1", box, ending)


@pytest.mark.parametrize("ending", ["ply", "stl", "obj", "glb"])
def test_every_format_is_read_in_millimetres(tiny, ending):
    """A user's scan in centimetres, in any of the four formats."""
    mesh = read_scan(put_box(tiny, ending), "cm")
    assert isinstance(mesh, trimesh.Trimesh)
    assert len(mesh.faces) == 12
    assert np.allclose(mesh.bounds, [[-10, -20, -20], [110, 70, 40]])


BROKEN = {
    "empty.ply": (b"", "empty file"),
    "empty.stl": (b"", "empty file"),
    "cut.ply": (None, "cannot be read"),
    "cut.stl": (None, "cannot be read|no triangle"),
    "cut.glb": (None, "cannot be read"),
    "garbage.ply": (b"garbage\n" * 9, "cannot be read|no triangle"),
    "garbage.stl": (b"garbage\n" * 9, "cannot be read|no triangle"),
    "garbage.obj": (b"garbage\n" * 9, "cannot be read|no triangle"),
    "garbage.glb": (b"garbage\n" * 9, "cannot be read|no triangle"),
    "points.obj": (b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no triangle|cannot be read"),
    "nan.obj": (b"v nan 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "not finite|no triangle"),
    "range.obj": (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "cannot be read|not there"),
    "comma.obj": (b"v 0,5 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "cannot be read|no triangle"),
    "point.obj": (b"v 1 1 1\nv 1 1 1\nv 1 1 1\nf 1 2 3\n", "one point|no triangle"),
    "scan.xyz": (b"0 0 0\n", 'cannot end in ".xyz"'),
    "missing.ply": ("missing", "does not exist"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_scans_are_refused_by_name(tiny, name):
    """A user's scan is empty, cut short, or no scan: some readers would say nothing."""
    data, expected = BROKEN[name]
    path = tiny.folder / name
    if data is None:
        whole = put_box(tiny, name.split(".")[1]).read_bytes()
        data = whole[: len(whole) // 2]
    if data != "missing":
        path.write_bytes(data)
    with pytest.raises(StudyError, match=f"(?s){name}.*({expected})"):
        read_scan(path)


def test_scans_that_fit_are_fine(scanned):
    """A user's scans fit the landmarks; specimens without a scan are no problem."""
    assert scanned.errors() == []
    assert "scan" not in scanned.check().render(["warning"])


def test_a_broken_scan_is_told_in_the_check(scanned):
    """A scan was cut short on the way: the check names file, element and specimen."""
    path = scanned.folder / "scans/jaw/A-1.ply"
    path.write_bytes(path.read_bytes()[:-40])
    told = scanned.told()
    assert "scans/jaw/A-1.ply\n  error, element jaw, specimen A-1: This scan cannot be read" in told


@pytest.mark.parametrize(("scale", "unit"), [(1000, "um"), (0.1, "cm"), (0.001, "m")])
def test_a_scan_in_another_unit_is_told(scanned, scale, unit):
    """A user exported the scan in another unit than the landmarks."""
    put_scan(scanned, "A-1", scale=scale)
    assert f"Its unit is probably {unit}, not mm (scans: units in study.yaml)" in scanned.told()


def test_a_scan_that_was_moved_is_told(scanned):
    """A user moved the scan after digitising."""
    put_scan(scanned, "A-1", move=50)
    assert "specimen A-1: Landmarks lie up to 4" in scanned.told()
    assert "mm outside the scan" in scanned.told()


def test_scans_of_nobody_and_of_undigitised_specimens_are_noted(scanned):
    """A user drops in scans before the tables."""
    put_scan(scanned, "A_1")
    put_scan(scanned, "A-2")
    (scanned.folder / "landmarks/jaw/A-2.csv").unlink()
    told = scanned.told()
    assert 'note, element jaw: This scan is of "A_1", which is not in the specimen table' in told
    assert 'Did you mean "A-1"?' in told
    assert "scans/jaw/A-2.ply\n  note, element jaw, specimen A-2: There is a scan but no" in told
    assert scanned.errors() == []


def test_missing_scans_of_query_and_template_are_told(scanned):
    """Scans are optional, but without these something is left out."""
    (scanned.folder / "scans/jaw/Q-1.ply").unlink()
    scanned.write(
        "schemes/jaw.yaml",
        scanned.read("schemes/jaw.yaml") + "patches: [{name: face, template: B-1}]\n",
    )
    rows = "B-1,jaw,,face.1,5,1,2\n"
    scanned.write("landmarks/jaw/B-1.csv", scanned.read("landmarks/jaw/B-1.csv") + rows)
    told = scanned.told()
    assert "note, element jaw, specimen Q-1: The query has no scan" in told
    assert "warning, element jaw, specimen B-1: There is no scan to carry the patch face" in told
    assert scanned.errors() == []


def test_scans_can_be_left_out_of_the_check(scanned):
    """A user with hundreds of large scans checks the tables only."""
    (scanned.folder / "scans/jaw/A-1.ply").write_bytes(b"")
    assert check_study(scanned.folder, scans=True)[1].errors
    assert not check_study(scanned.folder, scans=False)[1].errors


def test_landmarks_off_the_scan_are_listed_in_mm(scanned):
    """A landmark slipped off the bone: it is named with its distance, the others are not."""
    line = scanned.read("landmarks/jaw/A-1.csv").splitlines()[2]
    x, y, z = (float(cell) for cell in line.split(",")[4:])
    scanned.edit("landmarks/jaw/A-1.csv", line, f"A-1,jaw,,notch,{x},{y},{z + 1.5}")
    told = scanned.check().render(["warning"])
    assert "warning, element jaw, specimen A-1, landmark notch: These lie off the scan: notch " in (
        told
    )
    distance = float(re.search(r"notch ([0-9.]+) mm \(within 0\.3[0-9]* mm is fine\)", told)[1])
    assert 0.5 < distance <= 1.5
    assert told.count("warning") == 1


def test_a_curve_off_the_scan_is_told(scanned):
    """A curve's point slipped off the bone."""
    line = scanned.read("landmarks/jaw/A-1.csv").splitlines()[7]
    assert ",border.2," in line
    scanned.edit("landmarks/jaw/A-1.csv", line, "A-1,jaw,,border.2,6,-1.5,4.5")
    told = scanned.check().render(["warning"])
    assert re.search(r"These lie off the scan: curve border [12]\.[0-9]+ mm", told), told


def test_a_constructed_point_is_no_slip(scanned):
    """The centre of a ball lies off every scan: that is its definition, not a slip."""
    for name in ("A-1", "A-2", "A-3", "Q-1"):
        put_scan(scanned, name, of=name)
        line = scanned.read(f"landmarks/jaw/{name}.csv").splitlines()[2]
        cells = line.split(",")
        cells[-1] = f"{float(cells[-1]) + 1.5:.3f}"
        scanned.edit(f"landmarks/jaw/{name}.csv", line, ",".join(cells))
    assert "off the scan" not in scanned.told()


def test_a_scan_of_another_place_is_refused(scanned):
    """The scan was turned over after digitising: it overlaps, but most landmarks lie off it."""
    mesh = sheet(scanned, "A-1")
    mesh.vertices = mesh.bounds.sum(axis=0) - mesh.vertices
    put_mesh(scanned, "A-1", mesh)
    told = scanned.check().render(["error"])
    assert re.search(r"specimen A-1: [345] of 5 landmarks lie off the scan, up to [1-9]", told)


def test_a_patch_off_its_scan_is_refused(scanned):
    """The patch was placed on another scan than the template's: the distance is told."""
    scanned.write(
        "schemes/jaw.yaml",
        scanned.read("schemes/jaw.yaml") + "patches: [{name: face, template: A-1}]\n",
    )
    mesh = sheet(scanned, "A-1")
    rows = [f"A-1,jaw,,face.{n},{x:.4f},{y:.4f},{z:.4f}" for n, (x, y, z) in
            enumerate(mesh.vertices[300:340:10], start=1)]  # fmt: skip
    table = scanned.read("landmarks/jaw/A-1.csv")
    scanned.write("landmarks/jaw/A-1.csv", table + "\n".join(rows) + "\n")
    assert scanned.errors() == []
    x, y, z = mesh.vertices[330] + 2 * mesh.vertex_normals[330]
    rows[3] = f"A-1,jaw,,face.4,{x:.4f},{y:.4f},{z:.4f}"
    scanned.write("landmarks/jaw/A-1.csv", table + "\n".join(rows) + "\n")
    told = scanned.check().render(["error"])
    assert "specimen A-1, landmark face.4: The patch face lies off the scan of its template" in told
    assert 1.0 < float(re.search(r"by up to ([0-9.]+) mm", told)[1]) <= 2.0


def test_repairs_are_told_in_the_check(scanned):
    """A user's scan has its triangles facing inwards: it is put right with a note."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=8)
    ball.apply_translation([5, 2, 1])
    ball.invert()
    path = put_mesh(scanned, "A-1", ball)
    mesh, told = read_scan_with_notes(path)
    assert mesh.volume > 0
    assert [problem.severity for problem in told] == ["note"]
    assert "note, element jaw, specimen A-1: The scan was inside out" in scanned.told()
    assert read_scan(path).volume == mesh.volume


def test_a_scan_in_another_unit_can_have_a_unit_of_its_own(scanned):
    """A user does what the check says of one scan in centimetres."""
    put_scan(scanned, "A-1", scale=0.1)
    told = scanned.told()
    assert "write under scans: units_of: {jaw: {A-1: cm}}." in told
    own = SCANS.replace("}\n", ", units_of: {jaw: {A-1: cm}}}\n")
    scanned.edit("study.yaml", SCANS, own)
    assert scanned.errors() == []
    config = check_study(scanned.folder)[0].config
    assert config.scan_units("jaw", "A-1") == "cm"
    assert config.scan_units("jaw", "Q-1") == "mm"
    assert config.scan_units("ring", "A-1") == "mm"


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        ("{jow: {A-1: cm}}", 'the element "jow", which is not in study.yaml. | Did you mean jaw?'),
        ("{jaw: {A1: cm}}", '"A1", which is not in the specimen table. | Did you mean "A-1"?'),
        ("{jaw: {A-1: feet}}", 'scans.units_of.jaw.A-1 is "feet". | It must be um, mm, cm, m or'),
    ],
)
def test_units_of_nothing_are_refused(scanned, units, expected):
    scanned.edit("study.yaml", SCANS, SCANS.replace("}\n", f", units_of: {units}}}\n"))
    assert [expected in error for error in scanned.errors()] == [True]
