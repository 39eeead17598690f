"""Finish: the last step of a complete run, which records what it was made of.

Two things are kept. `provenance.json` holds versions, settings and sums of inputs and results.
`history/last_run.json` holds the few numbers that the next run is compared with. No rule has
files of the history for outputs, so the workflow engine never deletes them, and no table
depends on them: a run on the same inputs gives the same tables whatever the history.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from morpho.results.analysed import Analysed
from morpho.results.store import read_analysed
from morpho.steps.provenance import HISTORY, write_record
from morpho.study.element import read_element
from morpho.workflow.history import (
    compared,
    digests_of,
    keep_snapshot,
    kept_snapshot,
    said_of,
    snapshot,
)

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["changes_since_last_run", "run"]


def _now(config: StudyConfig, elements: Sequence[Analysed] = ()) -> dict[str, Any]:
    """A snapshot of the results as they lie in their folder, or were read from it already."""
    digests, said = {}, {}
    for element in config.elements:
        _, specimens, rows = read_element(config, element)
        digests[element], said[element] = digests_of(rows), said_of(config, specimens)
    elements = elements or [read_analysed(config.results, element) for element in config.elements]
    return json.loads(json.dumps(snapshot(elements, digests, said)))


def changes_since_last_run(
    config: StudyConfig, elements: Sequence[Analysed] = ()
) -> dict[str, list[dict[str, Any]]]:
    """What changed since the last complete run; for the report, before `run` is called."""
    last = kept_snapshot(config.results / HISTORY)
    return {} if last is None else compared(last, _now(config, elements))


def run(config: StudyConfig) -> None:
    """Write provenance.json, and keep what the next run is compared with."""
    keep_snapshot(config.results / HISTORY, _now(config))
    write_record(config)
