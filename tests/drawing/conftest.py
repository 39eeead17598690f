"""Tables to draw from: of small invented studies, made by the steps themselves."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from matplotlib.axes import Axes
from matplotlib.text import Text

from helpers import invented
from morpho.steps import draw
from morpho.steps.files import ElementResults

LONG = "a name that goes on and on " * 7
# By what is hard about them: known specimens of each taxon, queries, and more.
STUDIES: dict[str, dict[str, Any]] = {
    "one query": {"taxa": {"ash": 6, "birch": 6, "cedar": 5}},
    "no query": {"taxa": {"ash": 6, "birch": 6, "cedar": 5}, "queries": {}},
    "three queries": {
        "taxa": {"ash": 6, "birch": 6, "cedar": 5},
        "queries": {"find 1": "ash", "find 2": "ash", "find 3": "own"},
    },
    "nine queries": {
        "taxa": {"ash": 6, "birch": 6, "cedar": 5},
        "queries": {f"find {i}": "ash" if i % 2 else f"own {i}" for i in range(9)},
    },
    "two taxa": {"taxa": {"ash": 6, "birch": 6}},
    "tiny taxa": {"taxa": {"ash": 3, "birch": 2, "cedar": 1}},
    "one taxon": {"taxa": {"ash": 8}},
    "twelve taxa": {
        "taxa": {f"taxon number {i}": 4 for i in range(12)},
        "queries": {"find 1": "taxon number 1", "find 2": "own", "find 3": "taxon number 5"},
        "landmarks": 30,
    },
    "long names": {
        "taxa": {LONG[:199] + str(i): 5 for i in range(3)},
        "queries": {LONG[:198] + "Q1": LONG[:199] + "1", LONG[:198] + "Q2": "own"},
    },
    "odd names": {
        "taxa": {"$x_1$ <b>": 5, "Übung & Söhne": 5, "мышь": 5, 'μῦς "]]>': 4},
        "queries": {"<img src=x>": "мышь", "a & b $": "own", "находка": "own too"},
    },
    "sizes all equal": {"taxa": {"ash": 6, "birch": 6}, "same_size": True},
    "a flat bone": {"taxa": {"ash": 6, "birch": 6, "cedar": 5}, "landmarks": 9, "replicates": 2},
    "digitised twice": {"taxa": {"ash": 6, "birch": 6}, "landmarks": 20, "replicates": 2},
}


@pytest.fixture(scope="session")
def studies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Every study of `STUDIES`, analysed."""
    made = {}
    for name, choices in STUDIES.items():
        study = invented.InventedStudy(tmp_path_factory.mktemp("drawn"), **choices)
        if name == "a flat bone":
            study.shapes["bone"] = study.shapes["bone"] * [1, 0.8, 0.05]
            study.scheme["axes"] = {
                "x": {"towards": "the end near the head", "from": "point_1", "to": "point_9"},
                "y": {"towards": "the upper side of it", "from": "point_4", "to": "point_2"},
                "z": {"towards": LONG},
            }
            study.write()
        study.analyse()
        made[name] = study
    return made


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
    """Draw a figure while it is open, and take down what was drawn where."""
    seen: list[Any] = []
    plain = Text.draw

    def draw(text: Text, renderer: Any) -> None:
        seen.append(text)
        plain(text, renderer)

    stream = io.BytesIO()
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
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


@pytest.fixture(scope="session")
def look(studies: dict[str, Any]) -> Iterator[Callable[..., Drawn]]:
    """Draws a figure of a study as the step does; each once, unless `again`."""
    looked: dict[tuple[str, str], Drawn] = {}
    with pytest.MonkeyPatch.context() as patch:

        def drawn(study: str, figure: str, again: bool = False) -> Drawn:
            key = (study, figure)
            if again or key not in looked:
                patch.setattr(
                    ElementResults,
                    "write_figure",
                    lambda _self, _name, made: looked.__setitem__(key, _look(made, patch)),
                )
                draw.run(studies[study].config, "bone", studies[study].results(), figure)
                patch.undo()
            return looked[key]

        yield drawn


# Figures of the bone and of its axes do not know taxa and queries.
_FEW = ("one query", "one taxon", "twelve taxa", "a flat bone", "digitised twice")
_BONE = ("mean_shape", "axis_shapes", "variance_per_axis", "landmark_error", "distortion")
PAIRS = [
    (study, figure)
    for study in STUDIES
    for figure in invented.FIGURES
    if study in _FEW or figure not in _BONE
]


@pytest.fixture(params=PAIRS, ids=lambda pair: ", ".join(pair))
def drawn(request: pytest.FixtureRequest, look: Callable[..., Drawn]) -> Drawn:
    """Every figure of every study that can make it differ."""
    return look(*request.param)
