"""A real browser, pages with viewers of an invented bone, and the report of the demo."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from helpers import chromium
from morpho.steps.__main__ import main
from morpho.viewer.markup import viewer_scripts, viewer_section, viewer_style
from morpho.viewer.scene import Heat, Points, Specimens, Surface, ViewerData, Warp

# The strictest policy under which a page that stands alone can work.
POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:"
)
HOSTILE = ["<img src=x onerror=alert(1)>", "</script><script>alert(2)</script>", "\"'&<b>"]
# A grey square.
STILL = (
    "data:image/svg+xml;utf8,<svg xmlns='http://www.w3.org/2000/svg' width='200' height='200'>"
    "<rect width='200' height='200' fill='gray'/></svg>"
)


def _installed() -> str:
    path = chromium.find_chromium()
    if path is None:
        pytest.skip("Chromium is not installed (on Debian: apt-get install chromium)")
    return path


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium; tests that ask for it are skipped where there is none."""
    with chromium.Browser(_installed()) as running:
        yield running


@pytest.fixture(scope="session")
def browser_without_3d() -> Iterator[Any]:
    """The same with WebGL off, as on old machines and under some policies."""
    flags = ("--disable-gpu", "--disable-3d-apis", "--disable-webgl", "--disable-webgl2")
    with chromium.Browser(_installed(), *flags) as running:
        yield running


def invented_bone(names: list[str] | None = None, *, surface: bool = True) -> ViewerData:
    """An ellipsoid with landmarks where its axes leave it, and specimens that vary in them.

    Landmark 0 ('front') lies rightmost in the first view, landmark 1 ('top') highest, and
    landmark 2 ('outer') in the middle, nearest to the eye.
    """
    rng = np.random.default_rng(11)
    ball = trimesh.creation.icosphere(subdivisions=3)
    axes = np.array([0.5, 0.3, 0.2])
    ends = np.concatenate([np.eye(3), -np.eye(3)])
    curve = np.array([[np.cos(a), np.sin(a), 0.0] for a in (0.5, 0.8, 1.1)])
    positions = np.concatenate([ends, curve]) * axes
    k = len(positions)
    landmarks = ["front", "top", "outer", "back", "bottom", "inner"]
    points = Points(
        [*landmarks, "edge.1", "edge.2", "edge.3"],
        [f"Where the {name} end of the egg lies" for name in landmarks] + ["Point of the edge"] * 3,
        ["landmark"] * 6 + ["curve"] * 3,
        positions,
        [("front", "top"), ("top", "back"), ("back", "bottom"), ("bottom", "front")],
    )
    taller = np.zeros((k, 3))
    taller[1, 1], taller[0, 0] = 1.0, -0.5
    scores = rng.normal(0, 0.05, (9, 3))
    scores[-1] = [0.1, 0.1, 0.1]
    modes = rng.normal(size=(2, k, 3)) / 4
    shapes = positions + np.einsum("na,akd->nkd", scores, np.concatenate([[taller], modes]))
    egg = Surface(ball.vertices * axes, ball.faces) if surface else None
    label, within = "Above (+) or below (−) the middle", ball.vertices[:, 0] > 0.5
    heat = Heat(ball.vertices[:, 1], label, 1.0, within) if surface else None
    gap = shapes[-1] - positions
    warps = [
        Warp("Axis 1", -0.2, 0.2, 0.0, taller, marks=[(-0.2, "low end"), (0, "mean"),
             (0.2, "high end")], scores_at_start=[0, 0, 0], scores_direction=[1, 0, 0]),
        Warp("Query against mean", 0, 2, 0, gap, unit="× the difference", heat=heat, arrows=gap,
             mm_per_unit=30.0, size_note="at its size"),
        Warp("Growth", 3.0, 4.0, 3.5, taller / 5, unit="mm", logarithmic=True, sized=True),
    ]  # fmt: skip
    names = names or [f"K-{i}" for i in range(8)] + ["Q-1"]
    taxa = ["north kin"] * 4 + ["south kin"] * 4 + [""]
    specimens = Specimens(names, taxa, ["known"] * 8 + ["query"], scores,
                          ["Axis 1", "Axis 2", "Axis 3"], shapes)  # fmt: skip
    return ViewerData("egg", points, egg, warps, specimens, ("front", "top", "outer side"), 40.0,
                      "at the mean size")  # fmt: skip


def page_of(sections: dict[str, ViewerData], between: str = "") -> str:
    """A page with viewers, as strict as the report."""
    body = between.join(
        f"<h3>{name}</h3>"
        + viewer_section(data, identifier=name, still=STILL, alternative=f"Still picture of {name}")
        for name, data in sections.items()
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Viewers</title>'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        '<meta name="viewport" content="width=device-width">'
        "<style>body { margin: 0 16px; }</style>"
        f"{viewer_style()}</head><body>{body}{viewer_scripts()}</body></html>"
    )


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Files: one viewer, one of landmarks alone, a hostile one, and two far apart."""
    folder = tmp_path_factory.mktemp("viewers")
    hostile = invented_bone([f"{text} {i}" for i, text in enumerate(3 * HOSTILE)])
    hostile.points.names[:3] = HOSTILE
    hostile.points.definitions[:3] = HOSTILE
    hostile.points.outline.clear()
    hostile.specimens.taxa[:8] = [HOSTILE[0]] * 4 + [HOSTILE[1]] * 4
    far = "<div style='height: 6000px'></div>"
    made = {
        "egg": page_of({"egg": invented_bone()}),
        "points": page_of({"egg": invented_bone(surface=False)}),
        "hostile": page_of({"egg": hostile}),
        "two": page_of({"egg": invented_bone(), "second": invented_bone()}, far),
    }
    paths = {}
    for name, text in made.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_text(text, encoding="utf-8")
    return paths


@pytest.fixture(scope="session")
def bone() -> ViewerData:
    """The bone of the pages."""
    return invented_bone()


@pytest.fixture(scope="session")
def house(request: pytest.FixtureRequest) -> Path:
    """A copy of the repository in which the demo has been run.

    The variable FORMKIN_DEMO names one that is there already, for those who work at the page.
    """
    there = os.environ.get("FORMKIN_DEMO")
    return Path(there) if there else request.getfixturevalue("demo")


@pytest.fixture(scope="session")
def report(house: Path) -> Path:
    """The report of the demo."""
    return house / "results" / "report.html"


# Names of the demo, and what takes their place in the report that no one should trust.
RENAMED = {
    "CAVE-01": "<img src=x onerror=alert(1)>",
    "SMALL-01": "=cmd()",
    "COAST-03": "</script><script>alert(2)</script>",
    "marsh dormouse": "{{7*7}}",
    "coast dormouse": "\"'&<b>${alert(3)}",
    "coronoid_tip": "<svg onload=alert(4)>",
}


def _renamed(value: Any) -> Any:
    """The same with other names, whatever holds them."""
    if isinstance(value, str):
        for old, new in RENAMED.items():
            value = value.replace(old, new)
        return value
    if isinstance(value, dict):
        return {_renamed(key): _renamed(entry) for key, entry in value.items()}
    return [_renamed(entry) for entry in value] if isinstance(value, list) else value


def _rename_in(path: Path) -> None:
    if path.suffix == ".csv":
        with open(path, encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        # names of files stay: the files are not renamed
        kept = [name == "file" for name in head]
        with open(path, "w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(head)
            for row in rows:
                table.writerow(
                    cell if keep else _renamed(cell) for cell, keep in zip(row, kept, strict=True)
                )
    elif path.suffix == ".json":
        path.write_text(json.dumps(_renamed(json.loads(path.read_text("utf-8")))), "utf-8")
    elif path.suffix == ".npz":
        with np.load(path) as loaded:
            arrays = dict(loaded)
        for name, array in arrays.items():
            if array.dtype.kind == "U":
                arrays[name] = np.array(_renamed(array.tolist()), dtype=str)
        np.savez(path, **arrays)


@pytest.fixture(scope="session")
def hostile_report(house: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of the demo where specimens, taxa and a landmark are named to do harm."""
    folder = tmp_path_factory.mktemp("hostile")
    left = ("*.png", "*.pdf", "*.zip", "*.stl", "*.ply", "*.glb", "supplement", ".*")
    for name in ("config", "demo_landmarks", "results"):
        shutil.copytree(house / name, folder / name, ignore=shutil.ignore_patterns(*left))
    for path in (folder / "results").rglob("*"):
        if "history" not in path.parts:
            _rename_in(path)
    study = folder / "config" / "study.yaml"
    text = study.read_text("utf-8")
    first = next(line for line in text.splitlines() if line.startswith("title:"))
    text = text.replace(first, 'title: "The find <img src=x onerror=alert(5)> {{7*7}}"')
    study.write_text(text, encoding="utf-8")
    (folder / "results" / "report.html").unlink()
    assert main(["report", str(study)]) == 0
    return folder / "results" / "report.html"
