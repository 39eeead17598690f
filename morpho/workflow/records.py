"""Records: what each job was made from and what it made, kept beside the results."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from morpho.results.whole import whole
from morpho.workflow.provenance import PROVENANCE, file_sum

__all__ = [
    "FOLDER", "Record", "begin", "drop", "end", "every_record", "forget",
    "read_record", "result_sum",
]  # fmt: skip

# Below the results.
FOLDER = "records"
_FORMAT = 1
# What tells when a run was, and is not part of what it made.
_TIMES = ("started", "finished", "command")


@dataclass(frozen=True)
class Record:
    """What is remembered of a job."""

    code: str  # digest
    settings: Mapping[str, Any]  # by dotted key
    # sums of the user's files by public path, and digests of parts of them
    inputs: Mapping[str, str]
    reads: Mapping[str, str]  # sums of results, by path below their folder
    makes: Mapping[str, str] = field(default_factory=dict)  # likewise
    versions: Mapping[str, str] = field(default_factory=dict)
    # begun and not ended: what it made may be there by halves, `makes` is what was there before
    under_way: bool = False


def _path(results: Path, key: str) -> Path:
    return results / FOLDER / f"{key}.json"


def _mapping(found: Any) -> bool:
    return isinstance(found, dict) and all(isinstance(one, str) for one in found.values())


def _parsed(text: str) -> Record | None:
    try:
        found = json.loads(text)
    except ValueError:
        return None
    if not isinstance(found, dict) or found.pop("format", None) != _FORMAT:
        return None
    sums = all(_mapping(found.get(part)) for part in ("inputs", "reads", "makes", "versions"))
    if not sums or not isinstance(found.get("settings"), dict):
        return None
    try:
        return Record(**found)
    except TypeError:
        return None


def read_record(results: Path, key: str) -> Record | None:
    """Read what is remembered of a job, if anything that can be read is."""
    try:
        return _parsed(_path(results, key).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def every_record(results: Path) -> dict[str, Record]:
    """Read all records by the key of the job, of jobs that the study no longer has among them."""
    found = {}
    for path in sorted((results / FOLDER).rglob("*.json")):
        key = path.relative_to(results / FOLDER).with_suffix("").as_posix()
        record = read_record(results, key)
        if record is not None:
            found[key] = record
    return found


def result_sum(path: Path) -> str:
    """Sum of a file of the results, or 'absent'; of provenance.json, without the times it tells."""
    try:
        if path.name == PROVENANCE:
            try:
                found = json.loads(path.read_text(encoding="utf-8"))
                kept = {key: one for key, one in found.items() if key not in _TIMES}
            except (ValueError, AttributeError):
                return file_sum(path)
            return sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
        return file_sum(path)
    except OSError:
        return "absent"


def _write(path: Path, record: Record) -> None:
    text = json.dumps({"format": _FORMAT} | asdict(record), indent=1, sort_keys=True)
    with whole(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def begin(results: Path, key: str, record: Record) -> None:
    """Remember that a job has begun anew, before it writes anything.

    Where it was never done nothing is written: without a record nothing is taken to hold.
    """
    before = read_record(results, key)
    if before is not None:
        _write(_path(results, key), replace(record, makes=before.makes, under_way=True))


def end(results: Path, key: str, record: Record, made: Iterable[str]) -> list[str]:
    """Remember what a job made, and take away what it made before and makes no longer.

    Given back are files of these that were changed by hand since: they are left.
    """
    before = read_record(results, key)
    makes = {path: result_sum(results / path) for path in sorted(set(made))}
    kept = drop(
        results, {p: s for p, s in (before.makes if before else {}).items() if p not in makes}
    )
    _write(_path(results, key), replace(record, makes=makes))
    return kept


def drop(results: Path, made: Mapping[str, str]) -> list[str]:
    """Take away files that a job made; give back those that were changed since, and stay."""
    left = []
    for path, told in made.items():
        found = result_sum(results / path)
        if found == told:
            (results / path).unlink(missing_ok=True)
        elif found != "absent":
            left.append(path)
    return left


def forget(results: Path, key: str) -> None:
    """Forget a job that the study no longer has."""
    _path(results, key).unlink(missing_ok=True)
