"""Scans: read safely, and held against the landmarks."""

import numpy as np
import pytest
import trimesh

from morpho.study.check import check_study
from morpho.study.problems import StudyError
from morpho.study.scans import read_scan

SCANS = "scans: {files: 'scans/{element}/{specimen}.ply'}\n"


@pytest.fixture
def scanned(tiny):
    """The tiny study with a scan of the jaw of A-1 and of the query."""
    tiny.write("study.yaml", tiny.read("study.yaml") + SCANS)
    for name in ("A-1", "Q-1"):
        put_scan(tiny, name)
    return tiny


def put_scan(tiny, name, scale=1.0, move=0.0, ending="ply"):
    box = trimesh.creation.box(bounds=[[-1, -2, -2], [11, 7, 4]])
    box.apply_scale(scale)
    box.apply_translation([move, 0, 0])
    path = tiny.folder / f"scans/jaw/{name}.{ending}"
    path.parent.mkdir(parents=True, exist_ok=True)
    box.export(path)
    return path


@pytest.mark.parametrize("ending", ["ply", "stl", "obj", "glb"])
def test_every_format_is_read_in_millimetres(tiny, ending):
    """A user's scan in centimetres, in any of the four formats."""
    mesh = read_scan(put_scan(tiny, "A-1", ending=ending), "cm")
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
        whole = put_scan(tiny, "A-1", ending=name.split(".")[1]).read_bytes()
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
