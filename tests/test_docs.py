"""The pages for contributors are made, without a warning and without the network."""

from __future__ import annotations

import base64
import re
import subprocess
import sys

import pytest

from helpers.imports import MODULES, PACKAGE, between_layers, parts_of


@pytest.fixture(scope="module")
def docs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("docs")
    done = subprocess.run(
        [sys.executable, "-W", "always", "tests/docs/build.py", str(folder)],
        cwd=PACKAGE.parent,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return folder


@pytest.mark.long
def test_every_module_has_a_page_with_its_names(docs):
    missing = []
    for path in MODULES:
        parts = parts_of(path)
        if parts[-1] in ("__init__", "__main__"):
            continue
        page = (docs / "morpho").joinpath(*parts).with_suffix(".html").read_text(encoding="utf-8")
        names = re.search(r"__all__ = \[(.*?)\]", path.read_text(encoding="utf-8"), re.DOTALL)
        for name in re.findall(r'"(\w+)"', names[1]) if names else []:
            if f'id="{name}"' not in page:
                missing.append(f"{'.'.join(parts)}.{name}")
    assert missing == []


@pytest.mark.long
def test_pages_need_no_network_and_show_no_source_of_a_formula(docs):
    for path in docs.rglob("*.html"):
        page = path.read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|@import)\s*=?\s*["']?(?:https?:)?//""", page), path
        assert not re.search(r"<link[^>]+href=.https?:", page), path
        shown = re.sub(r"<[^>]*>", "", page)
        assert ":math:" not in shown, path
        assert ".. math::" not in shown, path


@pytest.mark.long
def test_links_between_pages_lead_somewhere(docs):
    dead = []
    for path in docs.rglob("*.html"):
        for link in re.findall(r'href="([^"#:]+\.html)', path.read_text(encoding="utf-8")):
            if not (path.parent / link).is_file():
                dead.append(f"{path.relative_to(docs)} -> {link}")
    assert dead == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["developers", "morpho"])
def test_the_picture_names_every_layer(docs, name):
    page = (docs / f"{name}.html").read_text(encoding="utf-8")
    found = re.search(r'class="house".*?base64,([A-Za-z0-9+/=]+)', page, re.DOTALL)
    drawn = base64.b64decode(found[1]).decode()
    arrows = between_layers()
    for layer in {layer for arrow in arrows for layer in arrow}:
        assert f"<!-- {layer} -->" in drawn
