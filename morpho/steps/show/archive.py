"""Archive: inputs and results of a study as one zip for a data repository."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import yaml

from morpho.report.archive import Entry, write_archive
from morpho.results.figures import FIGURES
from morpho.results.store import ALL_ELEMENTS
from morpho.results.tables import JOINED, TABLES
from morpho.results.whole import whole
from morpho.steps.provenance import record
from morpho.steps.show import supplement
from morpho.study.leaks import Sought, text_of
from morpho.study.public_inputs import private_texts, public_inputs, public_settings
from morpho.study.public_names import PublicNames
from morpho.study.reading.problems import Problems
from morpho.wording import listed
from morpho.workflow.plan import Plan
from morpho.workflow.records import read_record

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["FILE", "run"]

FILE = "archive.zip"

_STUDY, _RESULTS = "study", "results"
# Folders of an element whose files are told by their place alone.
_WORDS = {
    "meshes": "surfaces",
    "notes": "what a step says of its work, as JSON",
}
_TOP = {
    "report.html": "the report, one page that opens offline",
    "README.md": "what each table and column holds",
    "check.csv": "what was noticed about the input",
}
_KINDS = {
    "specimens": "the specimen table",
    "scheme": "scheme of an element: what is digitised on it",
    "landmarks": "landmark tables",
    "scans": "scans",
}
_HEAD = """\
# Written by formkin from the study's own study.yaml: every setting is told, with the
# defaults; paths lead to the files of this archive; private columns are left out.
"""


def _of_element(config: StudyConfig, element: str, made: list[Path]) -> list[tuple[Path, str]]:
    """Files that an element may have, each with what it is."""
    folder = config.results / element
    wanted = [
        (folder / "tables" / f"{name}.csv", about.meaning.rstrip("."))
        for name, about in (TABLES | JOINED).items()
    ]
    wanted += [
        (folder / "figures" / f"{name}.{ending}", f"figure: {figure.title.rstrip('.?')}")
        for name, figure in FIGURES.items()
        for ending in ("svg", "pdf", "png")
    ]
    for name, words in _WORDS.items():
        wanted += [(path, words) for path in made if folder / name in path.parents]
    return wanted


def _archive_entries(config: StudyConfig, *, scans: bool = False) -> list[Entry]:
    """List the files of the archive: the study without what is private, and its results.

    Results by what the study asks for, so that what an earlier run left behind stays out.
    """
    inputs = public_inputs(config, scans=scans)
    names = PublicNames(config, [(one.kind, one.written, one.path) for one in inputs])
    entries = [
        Entry(f"{_STUDY}/{names.name(one.path)}", one.content, _KINDS[one.kind]) for one in inputs
    ]
    settings = public_settings(config, names, inputs)
    study = _HEAD + yaml.safe_dump(settings, sort_keys=False, allow_unicode=True)
    entries.append(Entry(f"{_STUDY}/study.yaml", study.encode(), "settings of the study"))
    # what lies there and was not made by a job is no result of the study
    records = (read_record(config.results, key) for key in Plan(config).jobs)
    made = sorted({config.results / path for one in records if one for path in one.makes})
    wanted = [(config.results / name, words) for name, words in _TOP.items()]
    folder = config.results / supplement.FOLDER
    wanted += [(folder / name, words) for name, words in supplement.FILES.items()]
    for element in (*config.elements, ALL_ELEMENTS):
        wanted += _of_element(config, element, made)
    for path, words in wanted:
        if path.is_file():
            inside = path.relative_to(config.results).as_posix()
            entries.append(Entry(f"{_RESULTS}/{inside}", path, words))
    made_with = json.dumps(
        record(config, times=False), indent=1, sort_keys=True, ensure_ascii=False
    )
    words = "versions of all programs, seed, settings, and sums of the inputs"
    entries.append(Entry("made_with.json", f"{made_with}\n".encode(), words))
    return entries


def _leaks(entries: Iterable[Entry], texts: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Find private texts in files that are about to be published, or in their names."""
    sought = Sought(texts)
    for entry in entries:
        for text in sought.found(f"{entry.name} {text_of(entry.name, entry.content)}"):
            yield entry.name, text


def _stop_at_leaks(config: StudyConfig, entries: Iterable[Entry]) -> None:
    """Refuse to publish what a column that is kept back holds."""
    texts = private_texts(config)
    where: dict[str, list[str]] = {}
    for name, text in _leaks(entries, texts):
        where.setdefault(text, []).append(name)
    problems = Problems(base=config.folder).at(file=config.path)
    for text, names in where.items():
        what = texts[text].words
        problems.error(
            f"{what[0].upper()}{what[1:]}, a column that is kept back, would get into the archive "
            f"with {listed(names, most=5)}.",
            "Take it out there, and run the study again; or, if it tells no place, list it under "
            "specimens: public_words.",
            **config.at("specimens"),
        )
    problems.raise_if_errors()


def run(config: StudyConfig) -> None:
    """Write archive.zip; refuse to where a private text would get into it."""
    scans = config.settings.report.scans_in_archive
    entries = _archive_entries(config, scans=scans)
    _stop_at_leaks(config, entries)
    more = [
        "`study/` holds what was put in, without private columns and comments; `results/` what "
        "came out. To make the results again, run formkin on `study/study.yaml`."
    ]
    if config.settings.scans is not None and not scans:
        more.append(
            "The scans are not in this archive. Without them in `study/scans/`, patches of "
            "surface semilandmarks cannot be carried, and results that rest on them differ."
        )
    settings = config.settings
    with whole(config.results / FILE) as temporary, temporary.open("wb") as target:
        write_archive(target, entries, title=settings.title, notice=settings.notice, more=more)
