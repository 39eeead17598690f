"""All there is to make for a study, and what each piece of it is made from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, cached_property, partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.figures import FIGURES
from morpho.results.tables import ALL_ELEMENTS
from morpho.study.public_inputs import public_table
from morpho.study.reading.paths import safe_name
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.reading.tables import read_table
from morpho.study.scheme.reading import read_scheme
from morpho.workflow.heeded import heeds
from morpho.workflow.input_digest import element_digest, yaml_digest
from morpho.workflow.provenance import file_sum, flat_settings, public_path
from morpho.workflow.rules import (
    BY_STEP,
    ENDINGS,
    RULES,
    Rule,
    outputs,
    path_of,
)

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["ALL_ELEMENTS", "Job", "Plan"]


@dataclass(frozen=True)
class Job:
    """One call of a rule."""

    rule: Rule
    element: str = ""  # blank where the rule is called for the study
    name: str = ""  # the figure, or the name that a specimen's scan bears
    reads: tuple[str, ...] = ()  # results, by path below their folder
    makes: tuple[str, ...] = ()  # likewise; what else it may make it tells when it has run
    all_of: tuple[str, ...] = ()  # keys of jobs of which it reads everything

    @property
    def key(self) -> str:
        """Name among the jobs of the study, and path of its record without the ending."""
        return "/".join(part for part in (self.element, self.rule.step, self.name) if part)

    @property
    def call(self) -> str:
        """Key of the call that does it: one does all figures, or all scans, of an element."""
        return self.key.removesuffix(f"/{self.name}") if self.name else self.key

    @property
    def arguments(self) -> list[str]:
        """What its step is called with, after the study."""
        return [part for part in (self.element, self.name) if part]


def _public_sum(config: StudyConfig, kind: str, path: Path) -> tuple[str, Any]:
    """Sum of what may be shown of a file: that of the whole would let one try out guesses.

    It is 'absent' where the file is not there. With it which columns of a table are shown.
    """
    content: bytes | Path = path
    told = None
    if kind in ("specimens", "landmarks"):
        # what is wrong is told by the check, before the first job
        with suppress(StudyError):
            content, told = public_table(config, kind, path)  # type: ignore[arg-type]
    try:
        return file_sum(content), told
    except OSError:
        return "absent", None


def _digest(found: Any) -> str:
    return sha256(repr(found).encode()).hexdigest()[:16]


class Plan:
    """The jobs of a study, in an order in which they can run.

    Files are looked for, and read, when they are asked after, and each only once.
    """

    def __init__(self, config: StudyConfig) -> None:
        self.config = config
        self._sum = cache(partial(_public_sum, config))
        # digest of what an element uses of the files that elements share
        self._rows = cache(partial(element_digest, config))

    # --- jobs -----------------------------------------------------------------------------

    @cached_property
    def jobs(self) -> dict[str, Job]:
        """Every job by its key."""
        found: dict[str, Job] = {}
        for rule in RULES:
            for job in self._jobs_of(rule, found):
                found[job.key] = job
        return found

    def _jobs_of(self, rule: Rule, above: Mapping[str, Job]) -> list[Job]:
        return [
            Job(
                rule,
                element,
                name,
                reads=self._reads(rule, element, name, above),
                makes=outputs(rule, element, name),
                all_of=self._all_of(rule, above, element),
            )
            for element, name in self._calls(rule)
        ]

    def _calls(self, rule: Rule) -> list[tuple[str, str]]:
        """Element and name of each call of a rule."""
        elements = self.config.elements
        if rule.per == "study":
            return [("", "")]
        if rule.per == "element":
            return [(element, "") for element in elements]
        if rule.per == "specimen":
            return [(element, name) for element in elements for name in self._carried(element)]
        places = [*((element, "element") for element in elements), (ALL_ELEMENTS, "study")]
        return [
            (element, figure.name)
            for element, per in places
            for figure in FIGURES.values()
            if figure.per == per
        ]

    def _reads(
        self, rule: Rule, element: str, name: str, above: Mapping[str, Job]
    ) -> tuple[str, ...]:
        if element:
            read = FIGURES[name].reads if rule.per == "figure" else rule.reads
            return tuple(path_of(element, one) for one in read)
        made = [path for job in above.values() for path in job.makes]
        reads: list[str] = []
        for one in rule.reads:
            if one.startswith("every "):
                folder = f"{one.removeprefix('every ')}s"
                ending = ".svg" if folder == "figures" else ""
                reads += [p for p in made if p.split("/")[1:2] == [folder] and p.endswith(ending)]
            elif one.split("/")[0] in ENDINGS:
                reads += [path_of(element, one) for element in self.config.elements]
            else:
                reads.append(one)
        # points carried to each scan are read where they are joined
        return tuple(path for path in reads if "/tables/carried/" not in path)

    def _all_of(self, rule: Rule, above: Mapping[str, Job], element: str) -> tuple[str, ...]:
        return tuple(
            key
            for key, job in above.items()
            if (job.rule.step in rule.all_of or "every rule above" in rule.all_of)
            and element in ("", job.element)
        )

    def job(self, step: str, element: str = "", name: str = "") -> Job:
        """Look a job up."""
        return self.jobs[Job(BY_STEP[step], element, name).key]

    def called(self, step: str, element: str = "", name: str = "") -> list[Job]:
        """Jobs that one call of a step does: where no figure or scan is named, all of an element.

        Starting a process takes longer than most of them.
        """
        if BY_STEP[step].per in ("figure", "specimen") and not name:
            return [
                job for job in self.jobs.values() if (job.rule.step, job.element) == (step, element)
            ]
        return [self.job(step, element, name)]

    def calls(self, keys: Iterable[str]) -> dict[str, list[Job]]:
        """Jobs by the calls that do them, in the order of the keys."""
        found: dict[str, list[Job]] = {}
        for key in keys:
            found.setdefault(self.jobs[key].call, []).append(self.jobs[key])
        return found

    @cached_property
    def makers(self) -> dict[str, str]:
        """The job that makes a result, by its path."""
        return {path: key for key, job in self.jobs.items() for path in job.makes}

    def sources(self, job: Job) -> list[str]:
        """Keys of the jobs whose results a job reads, in the order of the plan."""
        wanted = {self.makers[path] for path in job.reads} | set(job.all_of)
        return [key for key in self.jobs if key in wanted]

    # --- scans to which patches are carried -----------------------------------------------

    @cached_property
    def _patches(self) -> dict[str, tuple[Any, ...]]:
        """Patches of each element that are carried to scans."""
        config = self.config
        chosen = config.settings.preparation.semilandmarks.patches
        found: dict[str, tuple[Any, ...]] = dict.fromkeys(config.elements, ())
        if not chosen or config.scan_pattern is None:
            return found
        for element in config.elements:
            try:
                scheme = read_scheme(config.scheme_path(element), element)
            except StudyError:  # told by the check, before the first job
                continue
            if scheme.symmetry != "object":
                found[element] = tuple(scheme.patches)
        return found

    @cached_property
    def _scans(self) -> dict[str, dict[str, Path]]:
        """Scans of each element by the names that their files bear."""
        pattern = self.config.scan_pattern
        found: dict[str, dict[str, Path]] = {element: {} for element in self.config.elements}
        for element in self.config.elements if pattern else ():
            for path in pattern.files(element=element):  # type: ignore[union-attr]
                told = pattern.values(path) or {}  # type: ignore[union-attr]
                if "specimen" in told:
                    found[element][told["specimen"]] = path
        return found

    @cached_property
    def _tables(self) -> dict[str, dict[str | None, list[Path]]]:
        """Landmark tables of each element by the specimen that their paths tell, if they do."""
        found: dict[str, dict[str | None, list[Path]]] = {}
        for element in self.config.elements:
            here = found.setdefault(element, {})
            for path in self.config.landmark_files(element):
                told = {
                    (pattern.values(path) or {}).get("specimen")
                    for pattern in self.config.landmark_patterns
                }
                for name in told - {None} or {None}:
                    here.setdefault(name, []).append(path)
        return found

    def _carried(self, element: str) -> list[str]:
        """Names of the scans that points are carried to: those of digitised specimens."""
        if not self._patches[element]:
            return []
        told = set(self._tables[element])
        return [name for name in sorted(self._scans[element]) if name in told or told == {None}]

    def _templates(self, element: str) -> set[str | None]:
        """Names of the templates' files; None where one is found among all specimens."""
        names = [patch.template for patch in self._patches[element]]
        return {name and safe_name(name) for name in names}

    def _bone(self, element: str, name: str) -> tuple[list[tuple[str, Path]], str]:
        """What points of one specimen are carried from: files, and a digest of rows and scheme."""
        scans, tables = self._scans[element], self._tables[element]
        templates = self._templates(element)
        names: set[str] = {name, *(one for one in templates if one)}
        if None in templates:
            names |= set(scans)
        files = [("scans", scans[one]) for one in sorted(names) if one in scans]
        for one in sorted(names):
            told = tables.get(one) or self.config.landmark_files(element)
            files += [("landmarks", path) for path in told]
        part = self.config.settings.specimens
        table = read_table(self.config.specimens_file, Problems(), part.delimiter)  # type: ignore[arg-type]
        if None in templates or table is None:
            return files, self._rows(element)
        private = self.config.kept_back("specimens", table.header, table.rows)
        kept = [i for i, column in enumerate(table.header) if column not in private]
        rows = [[row[i].strip() for i in kept] for row in table.rows]
        rows = sorted(row for row in rows if names & set(map(safe_name, row)))
        return files, sha256(repr((rows, self._scheme(element))).encode()).hexdigest()[:16]

    @cached_property
    def _kept_back(self) -> str:
        """Digest of the columns of all tables that are published, and of those that are not."""
        told = [self._sum(kind, path)[1] for kind, path in self._everything]
        return _digest([(one.kind, one.kept, one.back) for one in dict.fromkeys(told) if one])

    # --- what they are made from ------------------------------------------------------------

    def _scheme(self, element: str) -> str:
        """Digest of what an element's scheme says."""
        return yaml_digest(self.config.scheme_path(element))

    @cached_property
    def _everything(self) -> list[tuple[str, Path]]:
        """Every file of the user that is there, but study.yaml, with its kind."""
        config = self.config
        found: dict[Path, str] = {}
        if config.specimens_file is not None:
            found[config.specimens_file] = "specimens"
        for element in config.elements:
            found.setdefault(config.scheme_path(element), "scheme")
            for path in config.landmark_files(element):
                found.setdefault(path, "landmarks")
            for path in config.scan_pattern.files(element=element) if config.scan_pattern else ():
                found.setdefault(path, "scans")
        return [(kind, path) for path, kind in found.items() if path.is_file()]

    def inputs(self, job: Job) -> dict[str, str]:
        """What a job reads of the user's files: sums by public path, digests by what they are of.

        Of tables with private columns only sums and digests are kept, never a value.
        """
        config, element = self.config, job.element
        files: list[tuple[str, Path]] = []
        found: dict[str, str] = {}
        for kind in job.rule.takes:
            if kind == "landmarks":
                files += [(kind, path) for path in config.landmark_files(element)]
            elif kind == "scans":
                files += [(kind, path) for path in self._scans[element].values()]
            elif kind == "bone":
                bones, digest = self._bone(element, job.name)
                files += bones
                found["rows and scheme of the specimen"] = digest
            elif kind == "rows":
                found["rows of the specimens, and the scheme"] = self._rows(element)
            elif kind == "scheme":
                found["the scheme"] = self._scheme(element)
            elif kind == "everything":
                files += self._everything
        sums: dict[str, str] = {}
        for kind, path in sorted(set(files), key=lambda one: one[1]):
            sums[public_path(path, config.folder, sums)] = self._sum(kind, path)[0]
        return dict(sorted((found | sums).items()))

    def settings(self, job: Job) -> dict[str, Any]:
        """Settings that a job heeds by dotted key; what is private by a digest alone.

        A job that heeds all of them tells which columns are published: these count, too.
        """
        flat = flat_settings(self.config.settings.plain())
        for key in ("specimens.private", "specimens.public_words"):
            if key in flat:
                flat[key] = _digest(sorted(flat[key]))
        if job.rule.settings is None:
            flat["columns that are kept back"] = self._kept_back
        named = job.rule.settings
        if job.rule.per == "study":
            flat["order of the elements"] = list(self.config.elements)
            named = named and (*named, "order of the elements")
        return {key: value for key, value in flat.items() if heeds(named, key)}
