"""Tables to draw from: of small invented studies, made by the steps themselves."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from matplotlib.axes import Axes
from matplotlib.text import Text

from helpers import invented
from helpers.shared import made_once
from morpho.drawing.style import hold
from morpho.steps.show import draw

LONG = "a name that goes on and on " * 7
# By what is hard about them: known specimens of each taxon, queries, and more.
STUDIES: dict[str, dict[str, Any]] = {
    "plain": {
        "taxa": {"ash": 6, "birch": 6, "cedar": 5},
        "queries": {"find 1": "ash", "find 2": "ash", "find 3": "own"},
        "landmarks": 20,
        "replicates": 2,
    },
    "crowded": {
        "taxa": {f"taxon number {i}": 4 for i in range(10)} | {"pair": 2, "single": 1},
        "queries": {f"find {i}": "own" if i % 3 == 0 else f"taxon number {i}" for i in range(9)},
        "landmarks": 12,
        "settings": {"robustness": {"rarefactions": 10, "simulations": 2}},
    },
    "hard names": {
        "taxa": {LONG[:199] + "1": 5, LONG[:199] + "2": 5,
                 "$x_1$ <b>": 5, "Übung & Söhne": 5, "мышь": 5, 'μῦς "]]>': 4},
        "queries": {LONG[:198] + "Q1": LONG[:199] + "1", LONG[:198] + "Q2": "own",
                    "<img src=x>": "мышь", "a & b $": "own", "находка": "own too"},
    },
    "two taxa of a flat bone": {"taxa": {"ash": 6, "birch": 6}, "landmarks": 9, "replicates": 2},
    "one taxon": {"taxa": {"ash": 8}},
    "bare": {"taxa": {"ash": 3, "birch": 2, "cedar": 1}, "queries": {}, "same_size": True},
}  # fmt: skip


def _analysed(folder: Path, name: str) -> Any:
    """A study of `STUDIES`, analysed in a folder."""
    study = invented.InventedStudy(folder, **STUDIES[name])
    if name == "two taxa of a flat bone":
        study.shapes["bone"] = study.shapes["bone"] * [1, 0.8, 0.05]
        study.scheme["axes"] = {
            "x": {"towards": "the end near the head", "from": "point_1", "to": "point_9"},
            "y": {"towards": "the upper side of it", "from": "point_4", "to": "point_2"},
            "z": {"towards": LONG},
        }
        study.write()
    study.analyse()
    return study


class _Studies(Mapping[str, Any]):
    """Every study of `STUDIES`, analysed when it is asked for, once for all processes."""

    def __init__(self, factory: pytest.TempPathFactory) -> None:
        self._factory, self._made = factory, {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            make = partial(_analysed, name=name)
            self._made[name] = made_once(self._factory, name, make)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(STUDIES)

    def __len__(self) -> int:
        return len(STUDIES)


@pytest.fixture(scope="session")
def studies(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Any]:
    """Every study of `STUDIES`, by its name."""
    return _Studies(tmp_path_factory)


@dataclass(frozen=True)
class Drawn:
    """A figure, and where everything stood on it when it was drawn.

    Attributes
    ----------
    figure : Figure
    svg : bytes
    warned : list of str
    texts : list of (Text, Bbox)
        Texts that were drawn.
    legends : list of Bbox
    panels : list of (Axes, Bbox, Bbox)
        Axes that show, what they enclose, and the same with their labels.
    """

    figure: Any
    svg: bytes
    warned: list[str]
    texts: list[Any]
    legends: list[Any]
    panels: list[Any]


def _look(figure: Any, monkeypatch: pytest.MonkeyPatch) -> Drawn:
    """Draw a figure while it is open, as a step does, and take down what was drawn where."""
    seen: list[Any] = []
    plain = Text.draw

    def draw(text: Text, renderer: Any) -> None:
        seen.append(text)
        plain(text, renderer)

    stream = io.BytesIO()
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        dpi = figure.dpi
        hold(figure)
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
        figure.set_dpi(dpi)
        with monkeypatch.context() as patched:
            patched.setattr(Text, "draw", draw)
            figure.canvas.draw()
    texts = [t for t in dict.fromkeys(seen) if t.get_visible() and t.get_text().strip()]
    panels = [axes for axes in figure.findobj(Axes) if axes.axison]
    return Drawn(
        figure,
        stream.getvalue(),
        [str(warning.message) for warning in warned],
        [(text, text.get_window_extent()) for text in texts],
        [legend.get_window_extent() for legend in figure.legends],
        [(axes, axes.get_window_extent(), axes.get_tightbbox()) for axes in panels],
    )


@pytest.fixture
def look_at(monkeypatch: pytest.MonkeyPatch) -> Callable[[Any], Drawn]:
    """Looks at any figure."""
    return lambda figure: _look(figure, monkeypatch)


@pytest.fixture(scope="session")
def look(studies: Mapping[str, Any]) -> Iterator[Callable[..., Drawn]]:
    """Draws a figure of a study as the step does; each once, unless `again`."""
    looked: dict[tuple[str, str], Drawn] = {}
    with pytest.MonkeyPatch.context() as patch:

        def drawn(study: str, figure: str, again: bool = False) -> Drawn:
            key = (study, figure)
            if again or key not in looked:
                patch.setattr(
                    "morpho.drawing.saving.save_figure",
                    lambda _folder, _name, made: looked.__setitem__(key, _look(made, patch)),
                )
                draw.run(studies[study].config, "bone", studies[study].results(), figure)
                patch.undo()
            return looked[key]

        yield drawn
