"""The figure of bones before and after their distortion was removed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from morpho.drawing.figures.data import distortion
from morpho.drawing.style import figure_style

NAMES = ["left", "right", "top", "low", "front"]
LINKS = [["left", "top"], ["right", "top"]]


def shapes(*specimens):
    rng = np.random.default_rng(0)
    tables = []
    for specimen in specimens:
        for when in ("before", "after"):
            table = pd.DataFrame(rng.normal(size=(5, 3)), columns=["x", "y", "z"])
            tables.append(table.assign(specimen=specimen, when=when, landmark=NAMES))
    columns = ["specimen", "when", "landmark", "x", "y", "z"]
    return pd.concat(tables) if tables else pd.DataFrame(columns=columns)


def test_each_bone_is_drawn_before_and_after_in_three_views():
    table = shapes("A <b>1", "B 2")
    with figure_style():
        figure = distortion(table, LINKS, ["left side", "top", "front"])
        panels = figure.get_axes()
        assert len(panels) == 6
        drawn = {tuple(np.round(row, 9)) for row in panels[0].collections[1].get_offsets()}
    first = table[(table["specimen"] == "A <b>1") & (table["when"] == "before")]
    assert drawn == {tuple(np.round(row, 9)) for row in first[["x", "y"]].to_numpy()}


def test_a_study_without_distortion_says_so():
    with figure_style():
        figure = distortion(shapes(), LINKS, ["x", "y", "z"])
        texts = [text.get_text() for axes in figure.get_axes() for text in axes.texts]
    assert texts == ["The distortion of no bone was removed."]
