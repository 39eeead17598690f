"""Builds small studies of invented bones: shapes with a known cause, in files of a user."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from numpy.typing import NDArray

from morpho.results.figures import FIGURES as DESCRIBED
from morpho.results.store import ALL_ELEMENTS, ElementResults
from morpho.results.whole import whole
from morpho.steps.__main__ import STEPS, main
from morpho.study.settings.config import StudyConfig, read_config
from morpho.workflow.rules import RULES

__all__ = ["ANALYSES", "FIGURES", "InventedStudy", "sketched"]

# carry is for scans, which these studies have none of; portray draws
_WHOLE = [rule.step for rule in RULES if rule.per == "study"]
ANALYSES = tuple(step for step in STEPS if step not in (*_WHOLE, "carry", "portray", "draw"))
FIGURES = tuple(name for name, figure in DESCRIBED.items() if figure.per == "element")


def _sketch(folder: Path, name: str, figure: Any) -> list[Path]:
    paths = [folder / f"{name}.{ending}" for ending in ("svg", "pdf", "png")]
    for path in paths:
        with whole(path) as temporary:
            temporary.write_text(f"<svg xmlns='http://www.w3.org/2000/svg'><!-- {name} --></svg>")
    return paths


def _as_svg(folder: Path, name: str, figure: Any) -> list[Path]:
    paths = _sketch(folder, name, figure)
    with whole(paths[0]) as temporary:
        figure.savefig(temporary, format="svg")
    return paths


@contextmanager
def sketched(*, svg: bool = False) -> Iterator[None]:
    """Write in place of each figure its name, as writing them takes most of the time.

    Parameters
    ----------
    svg : bool
        Write its SVG as it is: PDF and PNG take longest.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("morpho.drawing.saving.save_figure", _as_svg if svg else _sketch)
        yield


def _shapes(
    rng: np.random.Generator, taxa: Sequence[str], landmarks: int, same_size: bool
) -> NDArray[np.float64]:
    """Configurations in mm: a base, a form for each taxon, growth, and individual noise."""
    base = 6 * rng.normal(size=(landmarks, 3))
    form = {taxon: 0.4 * rng.normal(size=base.shape) for taxon in sorted(set(taxa))}
    growth = 0.8 * rng.normal(size=base.shape)
    shapes = []
    for taxon in taxa:
        log_size = rng.normal(0, 0.12)
        shape = base + form[taxon] + log_size * growth + 0.12 * rng.normal(size=base.shape)
        if same_size:
            shape = shape - shape.mean(axis=0)
            shapes.append(20 * shape / np.linalg.norm(shape))
        else:
            shapes.append(np.exp(log_size) * shape)
    return np.array(shapes)


class InventedStudy:
    """A study in a folder of its own.

    Parameters
    ----------
    folder : Path
    taxa : mapping of str to int
        Known specimens of each taxon.
    queries : mapping of str to str
        Taxon that each query is made like; its own name makes it a form of its own.
    landmarks : int
    same_size : bool
        All specimens have the same centroid size.
    side : str
        Side of every bone; blank for none.
    columns : mapping of str to sequence of str
        More columns of the specimen table, known specimens before queries.
    settings : mapping
        More blocks of study.yaml.
    elements : sequence of str
    replicates : int
        Digitisations of each specimen, 0.03 mm apart.
    seed : int
    """

    def __init__(
        self,
        folder: Path,
        taxa: Mapping[str, int],
        queries: Mapping[str, str] | None = None,
        *,
        landmarks: int = 6,
        same_size: bool = False,
        side: str = "",
        columns: Mapping[str, Sequence[str]] | None = None,
        settings: Mapping[str, Any] | None = None,
        elements: Sequence[str] = ("bone",),
        replicates: int = 1,
        seed: int = 1,
    ) -> None:
        queries = {"find 1": next(iter(taxa))} if queries is None else queries
        self.folder = folder
        self.elements = tuple(elements)
        self.replicates = replicates
        self.landmarks = [f"point_{i + 1}" for i in range(landmarks)]
        self.rows = [
            {"specimen": f"{taxon} {i + 1}", "taxon": taxon, "role": "known"}
            for taxon, count in taxa.items()
            for i in range(count)
        ] + [{"specimen": name, "taxon": "", "role": "query"} for name in queries]
        made_like = [t for t, count in taxa.items() for _ in range(count)] + list(queries.values())
        for i, row in enumerate(self.rows):
            row |= {"side": side, "stage": "adult"}
            row |= {name: cells[i] for name, cells in (columns or {}).items()}
        self.shapes = {
            element: _shapes(np.random.default_rng([seed, i]), made_like, landmarks, same_size)
            for i, element in enumerate(self.elements)
        }
        self.study: dict[str, Any] = {
            "title": "An invented study",
            "specimens": {"file": "specimens.csv"},
            "landmarks": {"files": "landmarks/{element}/*.csv"},
            "elements": {name: {"scheme": f"schemes/{name}.yaml"} for name in self.elements},
            "preparation": {"missing": {"known": "set_aside", "query": "shared"}},
            "tests": {"permutations": 49},
            "robustness": {"error_draws": 5, "rarefactions": 20, "simulations": 5},
        }
        for key, value in (settings or {}).items():
            old = self.study.get(key)
            self.study[key] = old | value if isinstance(old, dict) else value
        self.scheme: dict[str, Any] = {
            "landmarks": [{"name": name} for name in self.landmarks],
            "outline": [[a, b] for a, b in zip(self.landmarks, self.landmarks[1:], strict=False)],
        }
        self.write()

    @property
    def path(self) -> Path:
        """Its study.yaml."""
        return self.folder / "study.yaml"

    @property
    def config(self) -> StudyConfig:
        """Its settings, read anew."""
        return read_config(self.path)

    @property
    def names(self) -> list[str]:
        """Names of the specimens, known ones first."""
        return [row["specimen"] for row in self.rows]

    def results(self, element: str = "bone") -> ElementResults:
        """Results of one element."""
        return ElementResults(self.config.results, element)

    @property
    def joined(self) -> ElementResults:
        """Results of all elements together."""
        return ElementResults(self.config.results, ALL_ELEMENTS)

    def write(self, order: Sequence[int] | None = None) -> None:
        """Write every file; `order` is the order of specimens in the tables."""
        order = range(len(self.rows)) if order is None else order
        for name in ("schemes", *(f"landmarks/{element}" for element in self.elements)):
            (self.folder / name).mkdir(parents=True, exist_ok=True)
        dump = {"sort_keys": False, "allow_unicode": True}
        self.path.write_text(yaml.safe_dump(self.study, **dump), encoding="utf-8")
        with open(self.folder / "specimens.csv", "w", encoding="utf-8", newline="") as file:
            table = csv.DictWriter(file, list(self.rows[0]))
            table.writeheader()
            table.writerows(self.rows[i] for i in order)
        for element in self.elements:
            text = yaml.safe_dump(self.scheme, **dump)
            (self.folder / f"schemes/{element}.yaml").write_text(text, encoding="utf-8")
            path = self.folder / f"landmarks/{element}/all.csv"
            with open(path, "w", encoding="utf-8", newline="") as file:
                rows = csv.writer(file)
                rows.writerow(["specimen", "replicate", "landmark", "x", "y", "z"])
                for i, replicate in product(order, range(self.replicates)):
                    slip = 0.03 * np.random.default_rng([i, replicate]).normal(size=(99, 3))
                    shape = self.shapes[element][i]
                    shape = shape + slip[: len(shape)] if self.replicates > 1 else shape
                    for name, point in zip(self.landmarks, shape, strict=True):
                        cells = ["" if c != c else f"{c:.12g}" for c in point]
                        label = str(replicate + 1) if self.replicates > 1 else ""
                        rows.writerow([self.rows[i]["specimen"], label, name, *cells])

    def step(self, step: str, *arguments: str) -> int:
        """Run a step as the workflow does, in this process; give its exit code."""
        return main([step, str(self.path), *arguments])

    def analyse(self) -> None:
        """Run all steps but figures and report; each must end well."""
        assert self.step("check") == 0
        for element in self.elements:
            for step in ANALYSES:
                assert self.step(step, element) == 0, step
        assert self.step("combine") == 0

    def draw(self) -> None:
        """Draw all figures."""
        for element in self.elements:
            assert self.step("portray", element) == 0
            for figure in FIGURES:
                assert self.step("draw", element, figure) == 0, figure
        assert self.step("draw", ALL_ELEMENTS, "proportions") == 0

    def page(self) -> str:
        """Make the page, and read it."""
        assert self.step("report") == 0
        return (self.config.results / "report.html").read_text(encoding="utf-8")
