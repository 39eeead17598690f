"""The demo's scans: one of every jaw, true to the landmarks, the same bytes each time."""

from pathlib import Path

import numpy as np
import pytest

from demo_landmarks.digitising import place_on_scanner
from demo_landmarks.individuals import draw_bone, known_individuals, query_individuals
from demo_landmarks.make_demo import make_demo
from morpho.study.scans.reading import read_scan_with_notes
from morpho.study.scans.surface_distance import distance_to_surface

DEMO = Path(__file__).resolve().parents[2] / "demo_landmarks"
SEED = 20
EVERYONE = known_individuals(SEED) + query_individuals()
JAWS = [individual for individual in EVERYONE if "lower_jaw" in individual.elements]
FINE = ("RIDGE-01", "CAVE-01", "SMALL-01")


@pytest.mark.parametrize("individual", JAWS, ids=lambda individual: individual.specimen)
def test_every_jaw_has_a_sound_scan_near_its_landmarks(individual):
    """A new user looks at a jaw: closed, and landmarks, curves and outer face lie on it."""
    path = DEMO / "scans" / "lower_jaw" / f"{individual.specimen}.ply"
    mesh, told = read_scan_with_notes(path)
    assert told.render() == ""
    assert mesh.is_watertight
    assert mesh.volume > 0
    assert len(mesh.faces) == (6600 if individual.specimen in FINE else 2072)
    bone = draw_bone(individual, "lower_jaw", SEED)
    curves = [bone.curve(name, np.linspace(0, 1, 30)) for name in
              ("gap_curve", "lower_curve", "hind_curve")]  # fmt: skip
    for points, most in (
        (np.array(list(bone.landmarks().values())), 1e-5),
        (np.concatenate(curves), 0.12),
        (bone.patch(), 0.10),
    ):
        placed = place_on_scanner(points, individual, "lower_jaw", SEED)
        assert distance_to_surface(placed, mesh.vertices, mesh.faces).max() < most


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    """A reader makes the demo anew: every file is the one in the repository, none is lacking."""
    make_demo(SEED, tmp_path)
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {
        path.relative_to(DEMO)
        for path in DEMO.rglob("*")
        if path.suffix in {".csv", ".ply", ".yaml"} and path.is_file()
    }
    assert made == kept
    for name in made:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name
