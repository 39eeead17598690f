"""Records: what each job was made from and what it made, kept beside the results."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from morpho.results.whole import whole
from morpho.workflow.provenance import PROVENANCE, file_sum

__all__ = [
    "FOLDER", "Record", "changed", "drop", "every_record", "forget", "read_record",
    "result_sum", "write_record",
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


def read_record(results: Path, key: str) -> Record | None:
    """Read what is remembered of a job, if anything that can be read is."""
    try:
        found = json.loads(_path(results, key).read_text(encoding="utf-8"))
        ours = found.pop("format") == _FORMAT and isinstance(found["settings"], dict)
        parts = (found[part].values() for part in ("inputs", "reads", "makes", "versions"))
        sums = all(isinstance(one, str) for part in parts for one in part)
        return Record(**found) if ours and sums else None
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None


def every_record(results: Path) -> dict[str, Record]:
    """Read all records by the key of the job, of jobs that the study no longer has among them."""
    paths = (path.relative_to(results / FOLDER) for path in (results / FOLDER).rglob("*.json"))
    keys = sorted(path.with_suffix("").as_posix() for path in paths)
    found = {key: read_record(results, key) for key in keys}
    return {key: record for key, record in found.items() if record is not None}


def result_sum(path: Path) -> str:
    """Sum of a file of the results, or 'absent'; of provenance.json, without the times it tells."""
    try:
        if path.name != PROVENANCE:
            return file_sum(path)
        found = json.loads(path.read_text(encoding="utf-8"))
        kept = {key: one for key, one in found.items() if key not in _TIMES}
        return sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
    except OSError:
        return "absent"
    except (ValueError, AttributeError):
        return file_sum(path)


def changed(results: Path, made: Mapping[str, str]) -> dict[str, str]:
    """Results that are not as they were made, by path: their sum now, or 'absent'."""
    now = {path: result_sum(results / path) for path in made}
    return {path: told for path, told in now.items() if told != made[path]}


def write_record(results: Path, key: str, record: Record) -> None:
    """Remember a job."""
    text = json.dumps({"format": _FORMAT} | asdict(record), indent=1, sort_keys=True)
    with whole(_path(results, key)) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def drop(results: Path, made: Mapping[str, str]) -> list[str]:
    """Take away files that a job made; give back those that were changed since, and stay."""
    other = changed(results, made)
    for path in made.keys() - other.keys():
        (results / path).unlink(missing_ok=True)
    return [path for path, now in other.items() if now != "absent"]


def forget(results: Path, key: str) -> None:
    """Forget a job that the study no longer has."""
    _path(results, key).unlink(missing_ok=True)
