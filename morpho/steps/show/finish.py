"""Finish: the last step of a complete run, which records what it was made of.

Two things are kept. `provenance.json` holds versions, settings and sums of inputs and results.
`history/last_run.json` holds the few numbers that the next run is compared with. No rule has
files of the history for outputs, so the workflow engine never deletes them, and no table
depends on them: a run on the same inputs gives the same tables whatever the history.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import pandas as pd

from morpho.report.changes import changed, snapshot
from morpho.results.analysed import Analysed
from morpho.results.store import write_json
from morpho.steps.provenance import HISTORY, write_record
from morpho.steps.show.element_results import element_contents
from morpho.study.element import read_element

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["changes_since_last_run", "keep_snapshot", "run", "snapshot_now"]

LAST, BEFORE = "last_run.json", "run_before.json"


def _digests(rows: pd.DataFrame) -> dict[str, str]:
    """A digest of each specimen's digitisations, whatever the order of rows and files."""
    ordered = rows.sort_values(["specimen", "replicate", "observer", "landmark"], kind="stable")
    columns = ["replicate", "observer", "landmark", "x", "y", "z"]
    found = {}
    for name, part in ordered.groupby("specimen", sort=True):
        text = part[columns].to_csv(index=False, float_format="%.9g", lineterminator="\n")
        found[str(name)] = sha256(text.encode()).hexdigest()[:16]
    return found


def _said(config: StudyConfig, specimens: pd.DataFrame) -> dict[str, dict[str, str]]:
    """What each specimen's row says that results depend on, but its taxon and role."""
    terms = [
        name
        for term in config.settings.model.terms
        for name in ([term] if isinstance(term, str) else term)
    ]
    private = config.private_columns(specimens.columns)
    columns = [c for c in dict.fromkeys(["side", "stage", *terms]) if c in specimens.columns]
    told = specimens[[c for c in columns if c not in (*private, "taxon")]].astype(str)
    return {
        str(name): dict(zip(told.columns, row, strict=True))
        for name, row in zip(told.index, told.to_numpy().tolist(), strict=True)
    }


def snapshot_now(config: StudyConfig, elements: Iterable[Analysed] | None = None) -> dict[str, Any]:
    """Take a snapshot of the results as they lie in their folder.

    Parameters
    ----------
    config : StudyConfig
    elements : iterable of Analysed, optional
        Tables of each element, if they were read already.

    Returns
    -------
    dict
        See `morpho.report.changes.snapshot`.
    """
    digests, said = {}, {}
    for element in config.elements:
        _, specimens, rows = read_element(config, element)
        digests[element], said[element] = _digests(rows), _said(config, specimens)
    given = element_contents(config) if elements is None else elements
    return json.loads(json.dumps(snapshot(given, digests, said)))


def _last(config: StudyConfig) -> dict[str, Any] | None:
    try:
        found = json.loads((config.results / HISTORY / LAST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def changes_since_last_run(
    config: StudyConfig, elements: Iterable[Analysed] | None = None
) -> dict[str, list[str]]:
    """Say what changed since the last complete run; for the report, before `run` is called.

    Parameters
    ----------
    config : StudyConfig
    elements : iterable of Analysed, optional
        Tables of each element, if they were read already.

    Returns
    -------
    dict of str to list of str
        Sentences by element; empty where nothing changed.
    """
    last = _last(config)
    return {} if last is None else changed(last, snapshot_now(config, elements))


def keep_snapshot(config: StudyConfig) -> None:
    """Keep a snapshot for the next run; the one before it is kept too.

    Parameters
    ----------
    config : StudyConfig
    """
    last, now = _last(config), snapshot_now(config)
    if last == now:
        return
    if last is not None:
        write_json(config.results / HISTORY / BEFORE, last)
    write_json(config.results / HISTORY / LAST, now)


def run(config: StudyConfig) -> None:
    """Write provenance.json, and keep what the next run is compared with."""
    keep_snapshot(config)
    write_record(config)
