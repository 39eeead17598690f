"""Numbers beside dots: near their own, and hiding no other where there is room."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection

from morpho.drawing.figures.space import mean_shape
from morpho.drawing.style import figure_style, hold

mpl.use("Agg")


def drawn(points, outline=(), semilandmarks=0):
    """The numbers of a mean shape with their boxes, and the dots, in pixels."""
    count = len(points) - semilandmarks
    table = pd.DataFrame(points, columns=["x", "y", "z"])
    table["landmark"] = [f"p{i}" for i in range(len(points))]
    table["kind"] = ["landmark"] * count + ["curve"] * semilandmarks
    with figure_style():
        figure = mean_shape(table, outline, ["front", "top", "side"])
        hold(figure)
        figure.draw_without_rendering()
        axes = figure.axes[0]
        dots = next(
            axes.transData.transform(one.get_offsets())
            for one in axes.collections
            if isinstance(one, PathCollection) and len(one.get_offsets()) == len(points)
        )
        texts = [text for text in axes.texts if text.get_text()]
        boxes = [text.get_window_extent() for text in texts]
        return [text.get_text() for text in texts], boxes, dots, figure.dpi / 72


def hidden(boxes, dots):
    """Dots of which the middle lies under a number."""
    return [(i, j) for i, box in enumerate(boxes) for j, dot in enumerate(dots)
            if box.contains(*dot)]  # fmt: skip


def apart(a, b, pixels):
    wide = min(a.x1, b.x1) - max(a.x0, b.x0)
    high = min(a.y1, b.y1) - max(a.y0, b.y0)
    return wide <= pixels or high <= 3 * pixels  # boxes of digits have room for tails


def crowd():
    """Three landmarks in a row with others up and to the right of each: the old place."""
    base = np.array([[0.0, 0, 0], [0.5, 0.1, 0.02], [1.0, 0.4, 0.05], [0.3, 0.4, 0.0]])
    near = base[:3] + np.array([0.018, 0.018, 0.0])
    return np.vstack([base, near])


@pytest.mark.parametrize("semilandmarks", [0, 3])
def test_no_number_hides_a_dot(semilandmarks):
    words, boxes, dots, pixels = drawn(crowd(), semilandmarks=semilandmarks)
    assert words == [str(i + 1) for i in range(7 - semilandmarks)]
    assert hidden(boxes, dots) == []
    assert all(apart(a, b, pixels) for i, a in enumerate(boxes) for b in boxes[:i])


def test_each_number_is_nearest_to_its_own_dot_where_there_is_room():
    """And as near as a dot and a gap allow."""
    rng = np.random.default_rng(5)
    grid = np.stack(np.meshgrid(range(4), range(3)), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid + 0.1 * rng.normal(size=grid.shape), np.zeros(len(grid))])
    _, boxes, dots, pixels = drawn(points)
    for i, box in enumerate(boxes):
        middle = np.array([box.x0 + box.x1, box.y0 + box.y1]) / 2
        gaps = np.linalg.norm(dots - middle, axis=1)
        assert gaps.argmin() == i
        assert gaps[i] < 12 * pixels


def test_a_number_keeps_off_the_links():
    """Links lead up and to the right, where numbers stand otherwise."""
    points = np.array([[0, 0, 0], [1, 0.9, 0], [0.2, 0.7, 0.1]])
    alone = drawn(points)[1][0]
    linked = drawn(points, outline=[("p0", "p1")])[1][0]
    assert (alone.x0, alone.y0) != (linked.x0, linked.y0)
    _, boxes, dots, _ = drawn(points, outline=[("p0", "p1")])
    along = dots[0] + np.linspace(0, 1, 200)[:, None] * (dots[1] - dots[0])
    assert not any(boxes[0].contains(*point) for point in along)


def test_landmarks_in_one_place_have_numbers_apart():
    """Numbers that find no room beside the dot stand farther off, led there by a line."""
    points = np.vstack([np.zeros((9, 3)), [[1, 0.6, 0.1]]])
    words, boxes, _, pixels = drawn(points)
    assert len(words) == 10
    assert all(apart(a, b, pixels) for i, a in enumerate(boxes) for b in boxes[:i])
