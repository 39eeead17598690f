"""Each file is written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["whole", "write_whole"]


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give a temporary name to write to; rename it to `path` only if all went well."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
    os.close(handle)
    try:
        yield Path(name)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    finally:
        Path(name).unlink(missing_ok=True)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write a file whole or not at all; text in UTF-8."""
    with whole(path) as temporary:
        temporary.write_bytes(content.encode() if isinstance(content, str) else content)
