"""Provenance: what the results of a study were made of, recorded and held against what is."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.store import write_json
from morpho.study.public_inputs import public_inputs, public_settings
from morpho.study.public_names import PublicNames
from morpho.workflow.provenance import (
    PROVENANCE,
    file_sum,
    flat_settings,
    versions,
)  # fmt: skip
from morpho.workflow.state import State

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = [
    "HISTORY", "NoRecordError", "mark_start", "read_record", "record",
    "write_record",
]  # fmt: skip

HISTORY = "history"
_FORMAT = 1
_PACKAGE = Path(__file__).parents[1]
_STARTED = "started.json"
_SOURCES = (".py", ".jinja", ".js", ".css")


class NoRecordError(ValueError):
    """Nothing tells what the results were made of."""


def _git(folder: Path, *arguments: str) -> str | None:
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), *arguments],
            capture_output=True,
            text=True,
            timeout=20,
            env=os.environ | {"GIT_TERMINAL_PROMPT": "0", "GIT_OPTIONAL_LOCKS": "0"},
        )
    except (OSError, ValueError, subprocess.SubprocessError):
        return None
    return done.stdout.strip() if done.returncode == 0 else None


def _git_revision(folder: Path, file: str) -> dict[str, Any] | None:
    """Revision of the checkout that a file is kept in, and whether files there differ from it.

    A file that is not under version control only lies inside somebody else's checkout.
    """
    if _git(folder, "ls-files", "--error-unmatch", "--", file) is None:
        return None
    revision = _git(folder, "rev-parse", "--verify", "HEAD")
    if not revision:
        return None
    edited = _git(folder, "status", "--porcelain", "--", ".")
    return {"revision": revision, "edited": bool(edited)}


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _code() -> str:
    """Digest of all sources of the program."""
    digest = sha256()
    for path in sorted(_PACKAGE.rglob("*")):
        if path.suffix in _SOURCES and path.is_file():
            name = path.relative_to(_PACKAGE).as_posix()
            digest.update(f"{name}\0{file_sum(path)}\n".encode())
    return digest.hexdigest()[:16]


def mark_start(config: StudyConfig) -> None:
    """Note when a run began; called before its first job."""
    write_json(config.results / HISTORY / _STARTED, {"started": _now()})


def record(config: StudyConfig, *, times: bool = True) -> dict[str, Any]:
    """Tell what the results are made of: versions, seed, settings, sums of every input.

    Without the times of the run the same inputs, program and machine give the same record. It
    holds no path, no name of a folder, machine or user, and no private column: files have the
    names, and tables the sums, that they have in the archive, and so have the settings.
    """
    inputs = public_inputs(config)
    names = PublicNames(config, [(one.kind, one.written, one.path) for one in inputs])
    found: dict[str, Any] = {
        "format": _FORMAT,
        "title": config.settings.title,
        "seed": config.settings.seed,
        "versions": versions(),
        "system": f"{platform.system()} {platform.machine()}",
        "code": _code(),
        "git": {
            "formkin": _git_revision(_PACKAGE, "__init__.py"),
            "study": _git_revision(config.folder, config.path.name),
        },
        "study_file": file_sum(config.path),
        "settings": flat_settings(public_settings(config, names, inputs)),
        "inputs": dict(sorted((names.name(one.path), file_sum(one.content)) for one in inputs)),
    }
    if times:
        try:
            begun = json.loads((config.results / HISTORY / _STARTED).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            begun = {}
        found["started"] = begun.get("started")
    return found


def write_record(config: StudyConfig) -> None:
    """Write provenance.json, once all other results are there."""
    state = State(config)
    results: dict[str, str] = {}
    steps: dict[str, set[str]] = {}
    for key, job in state.plan.jobs.items():
        made = state.records.get(key)
        if made is not None and job.rule.step != "finish":
            results |= made.makes
            steps.setdefault(job.rule.step, set()).add(made.code)
    found = record(config) | {
        "finished": _now(),
        "results": dict(sorted(results.items())),
        "steps": {step: sorted(codes) for step, codes in sorted(steps.items())},
    }
    write_json(config.results / PROVENANCE, found)


def read_record(results: Path) -> dict[str, Any]:
    """Read provenance.json."""
    path = results / PROVENANCE
    if not path.is_file():
        raise NoRecordError(
            f"There is no {PROVENANCE} in the results: no run of this study has been completed."
        )
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise NoRecordError(
            f"{PROVENANCE} in the results cannot be read ({error}). Delete it and run the study "
            "again."
        ) from error
    parts = ("inputs", "settings", "study_file", "code", "versions", "results")
    complete = isinstance(found, dict) and all(part in found for part in parts)
    if not complete or found.get("format") != _FORMAT:
        raise NoRecordError(
            f"{PROVENANCE} in the results was written by another release of formkin. Run the study "
            "again."
        )
    return found
