"""Pages of invented studies, made by the steps themselves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from helpers import invented
from helpers.shared import made_once

# What would do harm or vanish if a page took it for anything but text.
HOSTILE = [
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "\"'&<b>",
    "{{ 7*7 }}",
]


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A study whose every name is hostile, run to the page; with the page as `html`."""
    return made_once(tmp_path_factory, "hostile", _hostile)


def _hostile(folder: Path) -> Any:
    taxa = {f"{text} kin": 5 for text in HOSTILE[:2]}
    study = invented.InventedStudy(
        folder,
        taxa,
        {HOSTILE[0]: f"{HOSTILE[0]} kin", HOSTILE[2]: "own", "broken " + HOSTILE[1]: "own"},
        settings={"title": f"Title {HOSTILE[0]}", "notice": f"Notice {HOSTILE[1]} {HOSTILE[2]}"},
    )
    for row, text in zip(study.rows, HOSTILE, strict=False):
        row["specimen"] = f"known {text}"
    study.shapes["bone"][-1, :4] = float("nan")
    study.scheme["description"] = f"Description {HOSTILE[0]}. The form is {HOSTILE[3]}"
    study.scheme["axes"] = {
        "x": {"towards": HOSTILE[0], "from": "point_1", "to": "point_2"},
        "y": {"towards": HOSTILE[2], "from": "point_3", "to": "point_4"},
        "z": {"towards": HOSTILE[3]},
    }
    study.write()
    # a file with a hostile name, of which the check has something to say
    table = study.folder / "landmarks/bone/all.csv"
    table.rename(table.with_name("<img src=x onerror=alert(3)>.csv"))
    with invented.sketched(svg=True):
        study.analyse()
        study.draw()
        study.html = study.page()
    return study
