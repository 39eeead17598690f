"""Makes the pages for contributors: guides, a picture of the house, and the library's docstrings.

    python tests/docs/build.py docs

The pages need no network, neither to be made nor to be read.
"""

from __future__ import annotations

import base64
import inspect
import io
import re
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1]))

import pdoc
from matplotlib.font_manager import FontProperties
from matplotlib.mathtext import math_to_image

from docs.picture import picture
from helpers.imports import MODULES, parts_of

HOUSE = Path(__file__).parents[2]
# Pages made from the guides: name, title, file.
GUIDES = {
    "index": ("formkin", "README.md"),
    "study": ("Your study", "config/README.md"),
    "demo": ("The demo", "demo_landmarks/README.md"),
    "tables": ("Results", "results/README.md"),
    "developers": ("For contributors", "DEVELOPERS.md"),
    "benchmarks": ("Speed and memory", "benchmarks/README.md"),
}
CAPTION = (
    "The house, from its imports. Each layer imports those that arrows lead to, and none above "
    "it; paler arrows lead to what is also reached through a layer between; thicker ones stand "
    "for more imports."
)


def _embedded(data: bytes) -> str:
    return f"data:image/svg+xml;base64,{base64.b64encode(data).decode()}"


# What the docstrings write otherwise than matplotlib reads it.
_ALIKE = {
    r"\\([lr])([vV])ert": r"\\\2ert",
    r"\\(le|ge)\b": r"\\\1q",
    r"\\frac(\d)(\d)": r"\\frac{\1}{\2}",
    r"\\begin{pmatrix}(.*?)&(.*?)\\\\(.*?)&(.*?)\\end{pmatrix}": (
        r"\\left(\\genfrac{}{}{0}{}{\1\\;\\;\2}{\3\\;\\;\4}\\right)"
    ),
}


@cache
def _formula(text: str, kind: str = "formula") -> str:
    """A formula as a picture that stands on the line of the text around it."""
    text = " ".join(text.split()).rstrip(",")
    shown = f"${text}$"
    for one, other in _ALIKE.items():
        shown = re.sub(one, other, shown)
    drawn = io.BytesIO()
    depth = math_to_image(shown, drawn, FontProperties(size=12), dpi=72, format="svg")
    spelled = "".join(c if c.isalnum() or c == " " else f"&#{ord(c)};" for c in text)
    low, source = f"vertical-align:{-depth:.1f}pt", _embedded(drawn.getvalue())
    return f'<img class="{kind}" alt="{spelled}" style="{low}" src="{source}">'


def _with_formulas(docstring: str) -> str:
    docstring = re.sub(
        r"^\.\. math:: (.*(?:\n[ ]+\S.*)*)",
        lambda found: _formula(found[1], "formula alone"),
        docstring,
        flags=re.MULTILINE,
    )
    return re.sub(r":math:`([^`]+)`", lambda found: _formula(found[1]), docstring)


def _without_types(signature: inspect.Signature) -> inspect.Signature:
    """A signature by its names: what they hold is told in the docstring."""
    named = [each.replace(annotation=each.empty) for each in signature.parameters.values()]
    return signature.replace(parameters=named, return_annotation=signature.empty)


@cache
def _house() -> str:
    """The picture of the layers, with its caption."""
    drawn = io.BytesIO()
    picture().savefig(drawn, format="svg", metadata={"Date": None})
    shown = f'<img class="house" alt="{CAPTION}" src="{_embedded(drawn.getvalue())}">'
    return f"{shown}\n\n*{CAPTION}*"


def _guide(name: str) -> pdoc.doc.Module:
    """A guide as pdoc takes it: a module with nothing but a docstring."""
    _, path = GUIDES[name]
    text = (HOUSE / path).read_text(encoding="utf-8")
    for other, (_, file) in GUIDES.items():
        text = text.replace(f"]({file})", f"]({other}.html)")
    # what is linked and is no page is named
    text = re.sub(r"\[([^\]]+)\]\((?!\w+\.html|https?:|#)[^)]*\)", r"\1", text)
    if name == "developers":
        text = text.replace("\n## ", f"\n{_house()}\n\n## ", 1)
    module = ModuleType(name, text)
    module.__docformat__ = "markdown"  # type: ignore[attr-defined]
    return pdoc.doc.Module(module)


def _library() -> dict[str, pdoc.doc.Module]:
    """The package and its modules, by their full names."""
    modules = {}
    for path in MODULES:
        name = ".".join(("morpho", *parts_of(path))).removesuffix(".__init__")
        loaded = pdoc.extract.load_module(name)
        if path.name == "__init__.py":
            vars(loaded).pop("__all__", None)  # of a package, its modules are shown
        if name == "morpho":
            loaded.__doc__ = f"{loaded.__doc__}\n\n{_house()}"
        if not name.endswith("__main__"):
            modules[name] = pdoc.doc.Module(loaded)
    return modules


def build(folder: Path) -> list[Path]:
    """Write every page; gives them back."""
    pdoc.render.configure(
        docformat="numpy", show_source=False, template_directory=Path(__file__).parent
    )
    pdoc.render.env.filters["with_formulas"] = _with_formulas
    pdoc.render.env.filters["without_types"] = _without_types
    pdoc.render.env.globals["guides"] = {name: title for name, (title, _) in GUIDES.items()}
    library = _library()
    pages = {name: _guide(name) for name in GUIDES} | library
    written = []
    for name, module in pages.items():
        page = pdoc.render.html_module(module, library)
        page = re.sub(r"\):(\s*</(?:p|li)>)", r")\1", page)  # a parameter with no more to say
        path = folder / f"{name.replace('.', '/')}.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page, encoding="utf-8")
        written.append(path)
    (folder / "search.js").write_text(pdoc.render.search_index(library), encoding="utf-8")
    return written


if __name__ == "__main__":
    where = Path(sys.argv[1])
    print(f"{len(build(where))} pages, from {where / 'index.html'} on")
