"""The 3D part of the report as markup: style and scripts once a page, a section for each bone."""

from __future__ import annotations

import base64
import re
from functools import cache
from hashlib import sha256
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from morpho.viewer.payload import viewer_payload
from morpho.viewer.scene import ViewerData, ViewerDataError, embedded_json

__all__ = ["script_digest", "viewer_scripts", "viewer_section", "viewer_style"]

_FOLDER = Path(__file__).parent
_PARTS = _FOLDER / "scripts"
# Ours, in the order in which they build on each other.
_OURS = ("stage.js", "scatter.js", "viewer.js", "scrolling.js")

_IDENTIFIER = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
_ENDS_A_SCRIPT = re.compile(r"</(script|style)|<!--", re.IGNORECASE)


@cache
def _part(name: str) -> str:
    text = (_PARTS / name).read_text(encoding="utf-8")
    if _ENDS_A_SCRIPT.search(text):
        raise ViewerDataError(f"{name} holds a mark that would end it within a page.")
    return text


def viewer_style() -> Markup:
    """The style sheet, for the page's head, once."""
    return Markup(f"<style>\n{_part('viewer.css')}</style>")


def viewer_scripts() -> Markup:
    """The scripts, for the end of the page's body, once: three.js with its licence, and ours."""
    licence = f"/*! three.js\n{_part('three.LICENSE').strip()}\n*/"
    ours = "\n".join(_part(name) for name in _OURS)
    return Markup(f"<script>\n{licence}\n{_part('three.iife.min.js')}\n{ours}</script>")


def script_digest() -> str:
    """Digest of the scripts, as a content-security policy names the one script that may run."""
    text = viewer_scripts().removeprefix("<script>").removesuffix("</script>")
    return "sha256-" + base64.b64encode(sha256(text.encode()).digest()).decode()


def viewer_section(data: ViewerData, *, identifier: str, still: str, alternative: str) -> Markup:
    """One viewer; its identifier must be letters, digits, - and _.

    `still` is the address of a picture (a data: address in a page that must stand alone), shown in
    print and where 3D cannot be; `alternative` says what it shows, for those who cannot see it.
    """
    if not _IDENTIFIER.fullmatch(identifier):
        raise ViewerDataError(
            f"`identifier` must be letters, digits, - and _, and begin with a letter, "
            f"not {identifier!r}."
        )
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    payload = viewer_payload(data)
    return Markup(
        environment.get_template("viewer.html.jinja").render(
            id=identifier,
            title=data.title,
            still=still,
            alternative=alternative,
            heading="h4",
            payload=payload,
            json=embedded_json(payload),
        )
    )
