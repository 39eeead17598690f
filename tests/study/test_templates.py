"""Templates of patches, and the points placed on them."""

from pathlib import Path

import numpy as np

from morpho.study.element import read_element
from morpho.study.scans.templates import patch_carriers, patch_points
from morpho.study.settings.config import read_config

DEMO = Path(__file__).resolve().parents[2] / "config" / "study.yaml"


def test_points_come_in_the_order_of_their_numbers(tiny):
    """A user placed eleven points; the tenth comes after the ninth, not after the first."""
    tiny.write("schemes/jaw.yaml", tiny.read("schemes/jaw.yaml") + "patches: [{name: face}]\n")
    for name in ("A-3", "B-1"):
        rows = [f"{name},jaw,,face.{n},{n},1,2" for n in range(11, 0, -1)]
        text = tiny.read(f"landmarks/jaw/{name}.csv")
        tiny.write(f"landmarks/jaw/{name}.csv", text + "\n".join(rows) + "\n")
    rows = read_element(read_config(tiny.path), "jaw")[2]
    assert patch_carriers(rows, "face") == ("A-3", "B-1")
    assert np.array_equal(patch_points(rows, "face", "B-1")[:, 0], np.arange(1, 12))
    assert patch_points(rows, "face", "A-1").shape == (0, 3)


def test_the_demo_has_a_template():
    """The demo's patch is on RIDGE-01 alone, twenty points, and reaches who reads the element."""
    scheme, _, rows = read_element(read_config(DEMO), "lower_jaw")
    assert patch_carriers(rows, "outer_face") == ("RIDGE-01",)
    assert patch_points(rows, "outer_face", "RIDGE-01").shape == (20, 3)
    assert scheme.patches[0].template == "RIDGE-01"
