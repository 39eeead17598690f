"""Mutations of a small study: what people, programs and disks do to files, and worse."""

from __future__ import annotations

import csv
import io
import os
import shutil
from itertools import combinations
from pathlib import Path
from typing import Any

import trimesh
import yaml
from hypothesis import strategies as st

from morpho.study.settings.schema import study_schema

__all__ = ["MUTATIONS", "Folder", "make_quick", "make_small", "mutate"]

SCANS = ("scans/jaw/A-1.ply", "scans/jaw/Q-1.stl", "scans/ring/Q-1.obj", "scans/ring/B-2.glb")
TABLES = ("specimens.csv", "landmarks/jaw/A-1.csv", "landmarks/jaw/Q-1.csv",
          "landmarks/ring/B-2.csv", "landmarks/ring/Q-1.csv")  # fmt: skip
YAMLS = ("study.yaml", "schemes/jaw.yaml", "schemes/ring.yaml")
FILES = (*YAMLS, *TABLES, *SCANS)

# What a cell, a key or a value may hold.
TEXTS = (
    "", " ", "nan", "NA", "inf", "-inf", "-1", "0", "-0.0", "1e-200", "1e300", "-1e308", "1e-320",
    "1e999", "1,5", "1.234,5", "12.May", "true", "no", "null", "~", "[]", "{}", "x" * 300,
    "y" * 20_000, "9" * 400, "a\x00b", "\x1b[2J", "\u202e", "é", "e\u0301", "狐", "\U0001f98a",
    "=cmd()", "..", "../..", "/", "/dev/zero", "C:\\x", "{specimen}", "{", "}", "{x}{}", "*", "**",
    "a\nb", "a\rb", '"', "'", ",", ";", "\t", "#", "known", "query", "left", "A-1", "tip",
    "border.1", "border.0", "border.99999999", "patch.1", "roof", "specimen", "taxon", "element",
    "x", "1e8", "-1e8", "0.0000001", "2024-05-01", "'", "&a", "*a", "!!python/none", "jaw",
    "marsh dormouse", "MARSH DORMOUSE", "con", ".", ".hidden", "\ufeff", "\u2028", "-", "?", "%s",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 7, 10**30, -(10**30), 0.5, 1e-200, 1e300, float("nan"),
    float("inf"), [], {}, [[]], [None], {"a": None}, [1, 2], ["tip", "notch"], ["tip", "tip"],
    ["A-1", "A-1"], [["size", "taxon"]], {"specimen": "taxon"}, {"x": "y"}, {"x": "y", "y": "x"},
    {"taxon": "taxon", "stage": "taxon"}, {"specimen": "a\x00b"}, [["tip", "notch"]] * 3,
    "scans/{element}/{specimen}.*", "landmarks/**/*.csv", "landmarks/*/*.csv", "specimens.csv",
    "study.yaml", "schemes", "schemes/ring.yaml", "landmarks", "results", "object", "matching",
    "symmetric", "as_is", "shared", "set_aside", "estimate", "spline", "um", "m", "parallel",
)  # fmt: skip
PIECES = (
    b"\x00", b'"', b"'", b",", b";", b"\t", b"\n", b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b"\x80",
    b"1e999", b"-1e308", b"nan", b"-", b".", b"/", b"[", b"]", b"{", b"}", b":", b"- ", b"&a ",
    b"*a", b"!!", b"#", b"null", b"true", b"999999999999999999999", b"\xe2\x80\xae", b"---\n",
    b"sep=;\n", b"element vertex 4000000000\n", b"f 1 2 999999\n", b"v 1e300 nan 0\n",
)  # fmt: skip
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp1252", "cp037", "utf-7", "shift_jis")


def _scan(table: Path) -> trimesh.Trimesh:
    """A surface through all points of a landmark table, however it folds."""
    rows = csv.DictReader(io.StringIO(table.read_text(encoding="utf-8")))
    points = [[float(row[axis]) for axis in "xyz"] for row in rows]
    faces = list(combinations(range(len(points)), 3))
    return trimesh.Trimesh(points, faces, process=False)


def make_quick(folder: Path) -> None:
    """Have the study judged with few permutations and draws."""
    study = folder / "study.yaml"
    study.write_text(
        f"{study.read_text()}"
        "tests: {permutations: 9}\nrobustness: {error_draws: 2, rarefactions: 2, simulations: 0}\n"
        "preparation: {missing: {imputations: 2}}\n"
    )


def make_small(folder: Path) -> None:
    """Leave few specimens in the study, and give it scans of every kind and a stray table.

    It can be checked without an error, and quickly.
    """
    table = folder / "specimens.csv"
    kept = [line for line in table.read_text().splitlines() if line[1:3] not in ("-3", "-4")]
    table.write_text("\n".join(kept) + "\n")
    for path in (folder / "landmarks").rglob("*-[34].csv"):
        path.unlink()
    for name in ("jaw/A-2.csv", "jaw/B-2.csv", "ring/A-1.csv", "ring/A-2.csv", "ring/B-1.csv"):
        (folder / "landmarks" / name).unlink()
    for name in SCANS:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        _scan((folder / name.replace("scans", "landmarks")).with_suffix(".csv")).export(path)
    study = folder / "study.yaml"
    study.write_text(f"{study.read_text()}scans: {{files: 'scans/{{element}}/{{specimen}}.*'}}\n")
    make_quick(folder)
    (folder / "landmarks/jaw/notes.tsv").write_text("a\tb\n1\t2\n")


class Folder:
    """A study that is broken and put back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.whole = self.contents()

    def contents(self) -> dict[Path, bytes]:
        """What every file holds."""
        paths = sorted(path for path in self.folder.rglob("*") if path.is_file())
        return {path.relative_to(self.folder): path.read_bytes() for path in paths}

    def study(self) -> str:
        """What study.yaml holds."""
        return (self.folder / "study.yaml").read_text(encoding="utf-8", errors="replace")

    def state(self) -> dict[str, Any]:
        """Every file, link, folder and pipe, with what it holds, its rights and its date."""
        found: dict[str, Any] = {}
        for path in sorted(self.folder.rglob("*")):
            about = path.lstat()
            content = path.read_bytes() if path.is_file() and path.stat().st_mode & 0o400 else b""
            found[str(path.relative_to(self.folder))] = (about.st_mode, about.st_mtime_ns, content)
        return found

    def restore(self) -> None:
        """Put everything back as it was."""
        for path in sorted(self.folder.rglob("*"), reverse=True):
            name = path.relative_to(self.folder)
            if path.is_dir() and not path.is_symlink():
                if name in self.whole or not any(one.is_relative_to(name) for one in self.whole):
                    shutil.rmtree(path)
            elif name not in self.whole or path.is_symlink() or not path.is_file():
                path.unlink(missing_ok=True)
        for name, content in self.whole.items():
            path = self.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.is_file() or path.read_bytes() != content:
                path.unlink(missing_ok=True)
                path.write_bytes(content)
            path.chmod(0o644)


def _at(place: float, length: int) -> int:
    return int(place * length)


# ------------------------------------------------------------------------------ bytes


def _bytes(data: bytes, kind: str, place: float, what: bytes, count: int) -> bytes:
    at = _at(place, len(data) + 1)
    if kind == "put":
        return data[:at] + what + data[at:]
    if kind == "over":
        return data[:at] + what + data[at + len(what) :]
    if kind == "out":
        return data[:at] + data[at + count :]
    if kind == "again":
        return data[: at + count] + data[at:]
    return data[:at]


def _encoded(data: bytes, encoding: str) -> bytes:
    return data.decode("utf-8", "replace").encode(encoding, "replace")


# ------------------------------------------------------------------------------ tables


def _table(data: bytes, kind: str, row: float, column: float, text: str) -> bytes:
    rows = list(csv.reader(io.StringIO(data.decode("utf-8", "replace"))))
    if not rows or not rows[0]:
        return data
    i, j = _at(row, len(rows)), _at(column, len(rows[0]))
    if kind == "cell" and j < len(rows[i]):
        rows[i][j] = text
    elif kind == "column":
        rows[1:] = [[*one[:j], text, *one[j + 1 :]] for one in rows[1:]]
    elif kind == "factor":
        rows[1:] = [[_times(cell, text) for cell in one] for one in rows[1:]]
    elif kind == "header":
        rows[0][j] = text
    elif kind == "row twice":
        rows.insert(i, rows[i])
    elif kind == "column twice":
        rows = [[*one, *one[j : j + 1]] for one in rows]
    elif kind == "no row":
        del rows[i]
    elif kind == "no column":
        rows = [one[:j] + one[j + 1 :] for one in rows]
    elif kind == "longer":
        rows[i].append(text)
    elif kind == "one row":
        rows = rows[:1]
    elif kind == "blank row":
        rows.insert(i, [""] * len(rows[0]))
    elif kind == "name everywhere":
        old = rows[i][j] if j < len(rows[i]) else ""
        rows = [[text if cell == old else cell for cell in one] for one in rows]
    out = io.StringIO()
    # csv cannot write a NUL without quotes of its own; what people's programs write is what counts
    for one in rows:
        cells = [f'"{c}"' if any(m in c for m in ',;\t\n\r"') else c for c in one]
        out.write(",".join(cells) + "\n")
    return out.getvalue().encode("utf-8", "surrogatepass")


def _times(cell: str, text: str) -> str:
    try:
        return repr(float(cell) * float(text))
    except (ValueError, OverflowError):
        return cell


# ------------------------------------------------------------------------------ YAML


def _places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    items: list[tuple[Any, Any]] = []
    if isinstance(data, dict):
        items = list(data.items())
    elif isinstance(data, list):
        items = list(enumerate(data))
    for key, value in items:
        found += _places(value, (*path, key))
    return found


def _schema_keys(schema: dict[str, Any], path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, below in schema.get("properties", {}).items():
        found += [(*path, key), *_schema_keys(below, (*path, key))]
    return found


KEYS = tuple(_schema_keys(study_schema()))


def _parent(data: Any, path: tuple[Any, ...]) -> Any:
    for key in path[:-1]:
        if isinstance(data, dict) and not isinstance(data.get(key), (dict, list)):
            data[key] = {}
        data = data[key]
    return data


def _yaml(data: bytes, kind: str, place: float, value: Any) -> bytes:
    try:
        read = yaml.safe_load(data)
    except yaml.YAMLError:
        return data
    places = _places(read)
    if not isinstance(read, dict) or not places:
        return data
    path = places[_at(place, len(places))]
    if kind == "key":  # of study.yaml, whether it is there or not
        path = KEYS[_at(place, len(KEYS))]
    try:
        parent = _parent(read, path)
        if kind in ("value", "key"):
            parent[path[-1]] = value
        elif kind == "no key":
            del parent[path[-1]]
        elif kind == "other key" and isinstance(parent, dict):
            parent[value if isinstance(value, str) else str(value)] = parent.pop(path[-1])
        elif kind == "twice" and isinstance(parent, list):
            parent.append(parent[path[-1]])
    except (TypeError, KeyError, IndexError):
        return data
    text = yaml.safe_dump(read, sort_keys=False, allow_unicode=True)
    if kind == "twice" and not isinstance(parent, list):
        lines = text.splitlines(keepends=True)
        at = _at(place, len(lines))
        text = "".join([*lines[: at + 1], lines[at], *lines[at + 1 :]])
    return text.encode("utf-8", "surrogatepass")


# ------------------------------------------------------------------------------ files


def _file(path: Path, kind: str) -> None:
    if kind == "rights":
        path.chmod(0)
        return
    path.unlink()
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "loop":
        path.symlink_to(path.name)
    elif kind == "nowhere":
        path.symlink_to("not there")
    elif kind == "zeros":
        path.symlink_to("/dev/zero")
    elif kind == "its folder":
        path.symlink_to(".")
    elif kind == "capitals":
        path.with_name(path.name.upper()).write_bytes(b"")


def mutate(folder: Path, mutation: tuple[Any, ...]) -> None:
    """Do one mutation; one that fits nothing that is there does nothing."""
    what, file, *more = mutation
    path = folder / file
    if not path.is_file() or path.is_symlink():
        return
    if what == "file":
        _file(path, *more)
        return
    if what == "folder":
        shutil.rmtree(path.parent)
        if more[0] == "file":
            path.parent.write_bytes(b"a file")
        elif more[0] == "pipe":
            os.mkfifo(path.parent)
        return
    data = path.read_bytes()
    change = {"bytes": _bytes, "encoding": _encoded, "table": _table, "yaml": _yaml}[what]
    path.write_bytes(change(data, *more))


PLACE = st.floats(0, 1, exclude_max=True)
TEXT = st.sampled_from(TEXTS) | st.text(max_size=12)
_ONE = st.one_of(
    st.tuples(
        st.just("yaml"), st.sampled_from(YAMLS), st.sampled_from(["value", "other key"]), PLACE,
        st.sampled_from(VALUES) | TEXT,
    ),
    st.tuples(st.just("yaml"), st.just("study.yaml"), st.just("key"), PLACE,
              st.sampled_from(VALUES) | TEXT),
    st.tuples(st.just("yaml"), st.sampled_from(YAMLS), st.sampled_from(["no key", "twice"]), PLACE,
              st.none()),
    st.tuples(
        st.just("table"), st.sampled_from(TABLES),
        st.sampled_from(["cell", "cell", "column", "header", "longer", "name everywhere"]),
        PLACE, PLACE, TEXT,
    ),
    st.tuples(
        st.just("table"), st.sampled_from(TABLES),
        st.sampled_from(["row twice", "column twice", "no row", "no column", "one row",
                         "blank row"]), PLACE, PLACE, st.just(""),
    ),
    st.tuples(st.just("table"), st.sampled_from(TABLES[1:]), st.just("factor"), PLACE, PLACE,
              st.sampled_from(["0", "-1", "1e-200", "1e-7", "1000", "1e9", "1e150", "1e300"])),
    st.tuples(
        st.just("bytes"), st.sampled_from(FILES),
        st.sampled_from(["put", "over", "out", "again", "end"]), PLACE,
        st.sampled_from(PIECES) | st.binary(max_size=4), st.integers(1, 80),
    ),
    st.tuples(st.just("encoding"), st.sampled_from((*YAMLS, *TABLES)), st.sampled_from(ENCODINGS)),
    st.tuples(
        st.just("file"), st.sampled_from(FILES),
        st.sampled_from(["gone", "folder", "pipe", "empty", "loop", "nowhere", "zeros", "rights",
                         "its folder", "capitals"]),
    ),
    st.tuples(st.just("folder"), st.sampled_from(FILES[1:3] + FILES[4:]),
              st.sampled_from(["gone", "file", "pipe"])),
)  # fmt: skip
# Mostly one mutation, so that it is not hidden behind another's error.
MUTATIONS = st.lists(_ONE, min_size=1, max_size=3).map(
    lambda some: some if len(some) == 3 else some[:1]
)
