"""What still holds of the results, and what is to be made: by content alone, never by dates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache, cached_property
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.tables import described
from morpho.workflow.code_digest import CodeDigests
from morpho.workflow.plan import Job, Plan
from morpho.workflow.provenance import Difference, short, versions
from morpho.workflow.records import FOLDER, Record, changed, every_record

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = [
    "ANEW", "BEGUN", "PACKAGE", "State", "code_of", "digests_of_code", "kept_in",
    "made_from",
]  # fmt: skip

PACKAGE = Path(__file__).parents[1]
# Folders of the results that tell of runs, and are no result.
_OF_RUNS = ("logs", "benchmarks", "history", FOLDER)
# Set in the environment of a step that is to do its job whatever holds.
ANEW = "FORMKIN_ANEW"
# Set in the environment of the engine where its caller has checked the study, and tells the user.
BEGUN = "FORMKIN_BEGUN"


@cache
def digests_of_code() -> CodeDigests:
    """Digests of this program's code, looked up once in a process."""
    return CodeDigests(PACKAGE)


def kept_in(config: StudyConfig) -> Path:
    """File in which digests of the program's texts are kept, beside the engine's own records."""
    return config.results.parent / ".snakemake" / "formkin" / "code.json"


def _kinds(job: Job) -> str:
    """Digest of the columns and kinds of the tables that a job reads or makes."""
    paths = [path for path in (*job.reads, *job.makes) if "/tables/" in path]
    names = sorted({path.split("/tables/")[1].removesuffix(".csv") for path in paths})
    told = [[(column.name, column.kind) for column in described(name).written] for name in names]
    return sha256(repr(told).encode()).hexdigest()[:16]


def code_of(job: Job, digests: CodeDigests) -> str:
    """Digest of the code that a job runs; of figures, of the modules that draw them.

    What is told of a figure is no part of it, only by what it is drawn and from what.

    What is said of tables is for people, and counts for the steps that show it; which columns
    a table has and of what kind they are counts for the jobs that read or make it.
    """
    if job.rule.step not in ("draw", "portray"):
        return digests.of(job.rule.module) + _kinds(job)
    drawn = [
        figure
        for figure in FIGURES.values()
        if job.name in (figure.name, "") and (figure.per == "query") == (job.rule.step == "portray")
    ]
    said = repr([(figure.name, figure.drawn_by, *figure.needs.items()) for figure in drawn])
    steps = "".join(digests.alone(f"steps.show.{step}") for step in ("draw", job.rule.step))
    modules = sorted({f"drawing.figures.{figure.module}" for figure in drawn})
    used = ("results.rows", "results.store", "study.reading.paths")
    code = digests.of("drawing.saving", *used, *modules)
    return sha256(f"{said}{steps}{code}".encode()).hexdigest()[:16] + _kinds(job)


def made_from(plan: Plan, job: Job, code: str, reads: dict[str, str]) -> Record:
    """What a job is made from now, without what it makes."""
    return Record(
        code=code, settings=plan.settings(job), inputs=plan.inputs(job), reads=reads,
        versions=versions(),
    )  # fmt: skip


@dataclass(frozen=True)
class _Due:
    """Why a job is to be done."""

    job: Job
    reasons: tuple[Difference, ...]
    # whether what it makes may come out otherwise than it was; not so where results were lost or
    # edited and all else is as it was
    anew: bool


def _compare(kind: str, before: Any, now: Any) -> list[Difference]:
    found = []
    for name in sorted({*before, *now}):
        if before.get(name) == now.get(name):
            continue
        if kind == "setting":
            words = f"was {short(before.get(name))} and is {short(now.get(name))}"
        elif name not in now or now[name] == "absent":
            words = "is gone"
        elif name not in before or before[name] == "absent":
            words = "is new"
        else:
            words = "was changed"
        found.append(Difference(kind, name, words))
    return found


@dataclass
class State:
    """What holds of a study's results.

    `forced` are keys of jobs, or names of rules, that are to be done whatever holds.
    """

    config: StudyConfig
    forced: Iterable[str] = ()
    records: dict[str, Record] = field(init=False)
    plan: Plan = field(init=False)

    def __post_init__(self) -> None:
        self.plan = Plan(self.config)
        self.records = every_record(self.config.results)

    def _changed(self, job: Job, code: str) -> list[Difference]:
        """How what a job is made from differs from what is remembered, its results apart."""
        record = self.records.get(job.key)
        if record is None:
            return [Difference("result", job.key, "was not made, or nothing tells from what")]
        found = []
        if record.under_way:
            found.append(Difference("result", job.key, "was begun and not finished"))
        now = made_from(self.plan, job, code, {})
        found += _compare("input", record.inputs, now.inputs)
        found += _compare("setting", record.settings, now.settings)
        if record.code != code:
            found.append(Difference("program", job.rule.step, "is done by other code than it was"))
        return found

    def _read_otherwise(self, job: Job, due: dict[str, _Due]) -> bool:
        """Whether a job reads other results than it did, or will."""
        sources = self.plan.sources(job)
        if any(key in due and due[key].anew for key in sources):
            return True
        record = self.records[job.key]
        return record.reads != self.reads(job)

    def reads(self, job: Job) -> dict[str, str]:
        """Sums of the results that a job reads, as the jobs that made them remember them."""
        wanted: dict[str, str] = {}
        for path in job.reads:
            maker = self.records.get(self.plan.makers[path])
            wanted[path] = maker.makes.get(path, "absent") if maker else "absent"
        for key in job.all_of:
            maker = self.records.get(key)
            wanted |= maker.makes if maker else {}
        return dict(sorted(wanted.items()))

    def lost_or_edited(self, job: Job) -> list[Difference]:
        """Results of a job that are not as it left them."""
        record = self.records.get(job.key)
        if record is None:
            return []
        other = changed(self.config.results, record.makes)
        found = []
        for path, now in {**record.makes, **other}.items():
            if now == "absent":
                found.append(Difference("result", path, "is gone"))
            elif path in other and not record.under_way:
                found.append(Difference("result", path, "was edited by hand"))
        missing = [path for path in job.makes if path not in record.makes]
        return found + [Difference("result", path, "was not made") for path in missing]

    @cached_property
    def due(self) -> dict[str, _Due]:
        """What is to be done, by the key of the job, in an order in which it can be."""
        digests = digests_of_code()
        digests.recall(kept_in(self.config))
        forced, found = set(self.forced), dict[str, _Due]()
        for key, job in self.plan.jobs.items():
            reasons = self._changed(job, code_of(job, digests))
            if key in forced or job.rule.step in forced:
                reasons.append(Difference("wanted", key, "is to be done again"))
            anew = bool(reasons)
            if not anew and self._read_otherwise(job, found):
                anew = True
                reasons.append(Difference("result", key, "rests on what is made again"))
            hurt = self.lost_or_edited(job)
            if anew or hurt:
                found[key] = _Due(job, (*reasons, *hurt), anew or not job.rule.repeats)
        digests.keep(kept_in(self.config))
        return found

    @cached_property
    def left_over(self) -> dict[str, Record]:
        """Records of jobs that the study no longer has, by key."""
        return {key: record for key, record in self.records.items() if key not in self.plan.jobs}

    @cached_property
    def foreign(self) -> list[str]:
        """Files in the results that no job made."""
        results = self.config.results
        made = {path for record in self.records.values() for path in record.makes}
        made |= {path for job in self.plan.jobs.values() for path in job.makes}
        found = []
        for path in sorted(results.rglob("*")):
            inside = path.relative_to(results)
            hidden = any(part.startswith(".") for part in inside.parts)
            if not hidden and inside.parts[0] not in _OF_RUNS and path.is_file():
                found.append(inside.as_posix())
        return [path for path in found if path not in made]

    def differences(self) -> list[Difference]:
        """Why the results do not hold, each reason once; and what is noted beside.

        What only rests on something that is made again is not told.
        """
        found: dict[tuple[str, str], Difference] = {}
        for due in self.due.values():
            for one in due.reasons:
                if one.words != "rests on what is made again":
                    found.setdefault((one.kind, one.what), one)
        for path in self.foreign:
            words = "was not made by the run, and is left alone"
            found.setdefault(("note", path), Difference("note", path, words))
        for key in self.left_over:
            words = "is no part of the study any more: what was made for it is taken away"
            found.setdefault(("note", key), Difference("note", key, words))
        now = versions()
        for name, (least, most) in self._versions_of_jobs().items():
            if name in now and {least, most} != {now[name]}:
                was = least if least == most else f"{least} and {most}"
                words = f"was {was} and is {now[name]}: last digits may differ"
                found[("note", name)] = Difference("note", name, words)
        order = ("wanted", "input", "setting", "program", "result", "note")
        return sorted(found.values(), key=lambda one: (order.index(one.kind), one.what))

    def _versions_of_jobs(self) -> dict[str, tuple[str, str]]:
        """Versions that the jobs of the study ran with: the first and the last by name."""
        found: dict[str, set[str]] = {}
        for key, record in self.records.items():
            if key in self.plan.jobs:
                for name, version in record.versions.items():
                    found.setdefault(name, set()).add(version)
        return {name: (min(told), max(told)) for name, told in sorted(found.items())}
