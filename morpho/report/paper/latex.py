"""Tables of the paper as LaTeX."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pandas as pd

from morpho.report.packing import xml_text
from morpho.report.paper.tables import ROUNDING, ManuscriptTable

__all__ = ["latex_tables", "latex_text"]

# A table with more rows than this may break across pages.
_LONG = 35

_LATEX = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "&": r"\&", "%": r"\%", "$": r"\$",
    "#": r"\#", "_": r"\_", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "<": r"\textless{}", ">": r"\textgreater{}", "|": r"\textbar{}", '"': r"\textquotedbl{}",
    "`": r"\textasciigrave{}",
    # after the end of a row these would be taken for its options
    "[": "{[}", "]": "{]}", "*": "{*}",
    # a second one would join them into another sign
    "-": "-{}", "'": "'{}", ",": ",{}", "?": "?{}", "!": "!{}",
    "–": "--", "—": "---", "−": "$-$", "\u00a0": "~", "…": r"\ldots{}",
}  # fmt: skip
_JOINING = re.compile(r"([-',?!])\{\}(?!\1|`|\\textasciigrave)")


def latex_text(text: str) -> str:
    r"""Text as LaTeX, so that it is printed as it stands.

    Examples
    --------
    >>> print(latex_text("A_1 & B--2 [50 %]"))
    A\_1 \& B-{}-2 {[}50 \%{]}
    """
    escaped = "".join(
        _LATEX.get(sign, " " if not sign.isprintable() and sign != " " else sign)
        for sign in xml_text(text)
    )
    return _JOINING.sub(r"\1", escaped)


_PREAMBLE = """\
% {title}
% In the preamble: \\usepackage{{booktabs}} \\usepackage{{longtable}} \\usepackage[T1]{{fontenc}}
% Names with letters beyond those of western Europe need LuaLaTeX or XeLaTeX and a font
% that has them.
% {rounding}
"""


def latex_tables(tables: Sequence[ManuscriptTable], *, title: str) -> str:
    r"""Write tables as LaTeX with the rules of the package booktabs."""
    line = " ".join(xml_text(title).split())
    parts = [_PREAMBLE.format(title=line, rounding=ROUNDING)]
    for table in tables:
        head = [latex_text(name) for name in table.head]
        body = [[latex_text(cell) for cell in row] for row in table.rows]
        long = len(body) > _LONG
        text = (
            pd.DataFrame(body, columns=head, dtype=str)
            .style.hide(axis="index")
            .to_latex(
                hrules=True,
                column_format="".join("r" if right else "l" for right in table.numeric),
                caption=latex_text(table.caption),
                label=f"tab:{re.sub('[^a-z0-9]+', '-', table.name.lower())}",
                position=None if long else "htbp",
                position_float=None if long else "centering",
                environment="longtable" if long else None,
            )
        )
        small = (
            "{\\small\n" + text + "}\n"
            if long
            else text.replace("\\centering\n", "\\centering\n\\small\n", 1)
        )
        parts.append(small)
    return "\n".join(parts)
