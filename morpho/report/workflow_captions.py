"""Captions for the workflow engine's own report: a file for each table, one for all figures."""

from __future__ import annotations

from morpho.report.captions import CAPTIONS
from morpho.report.legend import JOINED, TABLES
from morpho.report.words import CAUTION

__all__ = ["workflow_captions"]


def _plain(text: str) -> str:
    """Text that reStructuredText and its templates leave as it is."""
    for sign in "\\*`|_":
        text = text.replace(sign, "\\" + sign)
    return text.replace("{", "{{ '{' }}")


def workflow_captions() -> dict[str, str]:
    """Texts in reStructuredText, by file name below config/captions.

    Returns
    -------
    dict of str to str
    """
    files = {
        f"tables/{name}.rst": _plain(meaning) + "\n" for name, (meaning, _) in sorted(
            (TABLES | JOINED).items()
        )
    }  # fmt: skip
    lines = []
    for name, caption in sorted(CAPTIONS.items()):
        lines.append(f"{{% if snakemake.wildcards.figure == '{name}' %}}")
        lines.append(f"**{_plain(caption.title)}** {_plain(caption.text)}")
        lines.append("{% endif %}")
    files["figures.rst"] = "\n".join(lines) + "\n"
    files["page.rst"] = "The report of the study: start here.\n"
    files["proportions.rst"] = "Relative sizes of elements within individuals.\n"
    files["workflow.rst"] = (
        "The whole study, from landmark tables to conclusions. The page of the study itself is "
        f"``report.html``. {_plain(CAUTION)}\n"
    )
    return files
