"""Where the workflow lies: beside the package in a checkout, within it where it was installed."""

from __future__ import annotations

from pathlib import Path

__all__ = ["workflow_folder"]

_PACKAGE = Path(__file__).parents[1]


def workflow_folder() -> Path:
    """The folder with the Snakefile, and with rules, profiles and schemas in `config`."""
    beside = _PACKAGE.parent
    if (beside / "Snakefile").is_file() and (beside / "config" / "workflow.smk").is_file():
        return beside
    return _PACKAGE / "house"
