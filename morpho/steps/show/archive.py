"""Archive: inputs and results of a study as one zip for a data repository."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import yaml

from morpho.report.archive import Entry, write_archive
from morpho.results.figures import FIGURES
from morpho.results.store import ALL_ELEMENTS
from morpho.results.tables import JOINED, TABLES
from morpho.results.whole import whole
from morpho.steps.provenance import record
from morpho.steps.show import supplement
from morpho.study.public_inputs import PublicInput, private_words, public_inputs
from morpho.study.reading.paths import free_name
from morpho.workflow.plan import Plan
from morpho.workflow.records import read_record

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["FILE", "run"]

FILE = "archive.zip"

_STUDY, _RESULTS = "study", "results"
_TOKEN = re.compile(r"[*{}]")
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
# How much of a file is looked through for private words.
_LOOKED_AT = 1 << 22


class _Places:
    """Where inputs lie in the archive, so that patterns of study.yaml lead there."""

    def __init__(self, config: StudyConfig, inputs: Iterable[PublicInput]) -> None:
        self.config = config
        self._folders: dict[Path, str] = {}
        self._fixed: dict[tuple[str, str], tuple[Path, list[str]]] = {}
        for kind, written in dict.fromkeys((given.kind, given.written) for given in inputs):
            steps = written.replace("\\", "/").split("/")
            count = next((i for i, s in enumerate(steps) if _TOKEN.search(s)), len(steps) - 1)
            fixed = config.absolute("/".join(steps[:count]) or ("/" if count else "."))
            self._fixed[kind, written] = fixed, steps[count:]
        folders = [fixed for fixed, _ in self._fixed.values()]
        for fixed in folders:
            if fixed == config.folder or config.folder in fixed.parents:
                self._folders[fixed] = Path(os.path.relpath(fixed, config.folder)).as_posix()
        for (kind, _), (fixed, _) in self._fixed.items():
            if fixed not in self._folders:
                taken = [name.split("/")[0] for name in self._folders.values()]
                self._folders[fixed] = free_name(kind, taken)

    def pattern(self, kind: str, written: str) -> str:
        """Path or pattern for the archive's study.yaml."""
        fixed, rest = self._fixed[kind, written]
        return PurePosixPath(self._folders[fixed], *rest).as_posix()

    def name(self, given: PublicInput) -> str:
        """Name in the archive."""
        fixed, _ = self._fixed[given.kind, given.written]
        inside = Path(os.path.relpath(given.path, fixed)).parts
        return PurePosixPath(_STUDY, self._folders[fixed], *inside).as_posix()


def _settings(config: StudyConfig, places: _Places, inputs: list[PublicInput]) -> bytes:
    """study.yaml for the archive."""
    settings: dict[str, Any] = config.settings.plain()
    known = {(given.kind, given.written) for given in inputs}

    def moved(kind: str, *written: str) -> list[str]:
        found = [places.pattern(kind, one) for one in written if (kind, one) in known]
        return found or [f"{kind}/*"]  # one without files leads nowhere here either

    part = settings["specimens"]
    part["file"], part["private"] = moved("specimens", part["file"])[0], []
    files = settings["landmarks"]["files"]
    several = moved("landmarks", *([files] if isinstance(files, str) else files))
    settings["landmarks"]["files"] = several if len(several) > 1 else several[0]
    for element in settings["elements"].values():
        element["scheme"] = moved("scheme", element["scheme"])[0]
    if "scans" in settings:
        written = settings["scans"]["files"]
        settings["scans"]["files"] = (
            moved("scans", written)[0]
            if ("scans", written) in known
            else f"scans/{{element}}/{{specimen}}{Path(written).suffix or '.ply'}"
        )
    for given in inputs:  # tables written anew have commas
        if isinstance(given.content, bytes):
            settings[given.kind]["delimiter"] = "auto"
    settings["results"] = _RESULTS
    return (_HEAD + yaml.safe_dump(settings, sort_keys=False, allow_unicode=True)).encode()


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
    places = _Places(config, inputs)
    entries = [Entry(places.name(given), given.content, _KINDS[given.kind]) for given in inputs]
    study = _settings(config, places, inputs)
    entries.append(Entry(f"{_STUDY}/study.yaml", study, "settings of the study"))
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


def _leaks(entries: Iterable[Entry], words: Iterable[str]) -> list[tuple[str, str]]:
    """Find private words in files that are about to be published."""
    wanted = [(word, word.casefold().encode()) for word in sorted(words)]
    found = []
    for entry in entries:
        given = entry.content
        with BytesIO(given) if isinstance(given, bytes) else given.open("rb") as file:
            content = file.read(_LOOKED_AT)
        text = content.decode("utf-8", errors="ignore").casefold().encode()
        found += [(entry.name, word) for word, sought in wanted if sought in text]
    return found


def run(config: StudyConfig) -> None:
    """Write archive.zip; say where a private word stands in what goes into it."""
    scans = config.settings.report.scans_in_archive
    entries = _archive_entries(config, scans=scans)
    for name, word in _leaks(entries, private_words(config)):
        print(
            f'"{word}", which stands in a private column, also stands in {name}: look at it before '
            "you publish the archive.",
            file=sys.stderr,
        )
    more = [
        "`study/` holds what was put in, without private columns; `results/` what came out. To "
        "make the results again, run formkin on `study/study.yaml`."
    ]
    if config.settings.scans is not None and not scans:
        more.append(
            "The scans are not in this archive. Without them in `study/scans/`, patches of "
            "surface semilandmarks cannot be carried, and results that rest on them differ."
        )
    settings = config.settings
    with whole(config.results / FILE) as temporary, temporary.open("wb") as target:
        write_archive(target, entries, title=settings.title, notice=settings.notice, more=more)
