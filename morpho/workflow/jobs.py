"""Begin and end one job, so that its record tells what it was made from and what it made."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.workflow.plan import Job, Plan
from morpho.workflow.records import (
    Record,
    changed,
    drop,
    read_record,
    result_sum,
    write_record,
)
from morpho.workflow.state import code_of, digests_of_code, kept_in, made_from
from morpho.workflow.tidying import keep_aside

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["begin_job", "end_job"]


@dataclass(frozen=True)
class _Begun:
    """A job under way."""

    job: Job
    # looked up before the job read anything: what changes while it runs is noticed next time
    record: Record


def _reads(results: Path, job: Job) -> dict[str, str]:
    """Sums of the results that a job reads, as they lie there now."""
    paths = set(job.reads)
    for key in job.all_of:
        record = read_record(results, key)
        paths |= set(record.makes if record else ())
    return {path: result_sum(results / path) for path in sorted(paths)}


def begin_job(
    config: StudyConfig, step: str, arguments: Sequence[str], *, if_due: bool = False
) -> _Begun | None:
    """Look up what a job is made from, and note that it has begun.

    With `if_due` it is passed over, and None given, where all that it made still holds.
    """
    results, plan = config.results, Plan(config)
    job = plan.job(step, *arguments)
    digests = digests_of_code()
    digests.recall(kept_in(config))
    now = made_from(plan, job, code_of(job, digests), _reads(results, job))
    before = read_record(results, job.key)
    if if_due and before is not None and not before.under_way:
        # with these versions or with others: they change no more than last digits
        same = replace(before, makes={}, versions={}) == replace(now, versions={})
        told = set(job.makes) <= set(before.makes)
        if same and told and not changed(results, before.makes):
            return None
    if before is not None:
        for said in keep_aside(results, before):
            print(said, file=sys.stderr)
        # what was never done stays without a record, and so nothing is taken to hold
        write_record(results, job.key, replace(now, makes=before.makes, under_way=True))
    return _Begun(job, now)


def end_job(config: StudyConfig, begun: _Begun, made: Iterable[Path]) -> list[str]:
    """Note what a job made, and `made` beyond what its rule says.

    Given back is what it made before, makes no longer, and was edited by hand since: it is left.
    """
    results, key = config.results, begun.job.key
    paths = {*begun.job.makes, *(path.relative_to(results).as_posix() for path in made)}
    makes = {path: result_sum(results / path) for path in sorted(paths)}
    before = read_record(results, key)
    old = before.makes if before else {}
    kept = drop(results, {path: told for path, told in old.items() if path not in makes})
    write_record(results, key, replace(begun.record, makes=makes))
    return kept
