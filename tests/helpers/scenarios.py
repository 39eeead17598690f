"""What may happen to a study between two runs, and what is to be made again after it."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["SCENARIOS", "Scenario"]

FEMUR = "landmarks/femur/all.csv"
# What tells of the whole study, and is made again when anything is.
TOLD = ("report", "archive", "finish")


@dataclass(frozen=True)
class Scenario:
    """One change.

    Attributes
    ----------
    name : str
    change : callable
        Takes the folder of the study; may give another one in which it now lies.
    first : tuple of str
        Jobs that have a reason of their own; None for all.
    below : bool
        Whether what rests on them is made again as well.
    told : tuple of str
        What `formkin status` says of it, each somewhere.
    left : tuple of str
        Files of the results that must still be there after the next run.
    gone : tuple of str
        And those that must not.
    """

    name: str
    change: Callable[[Path], Path | None]
    first: tuple[str, ...] | None = ()
    below: bool = True
    told: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()


def _replace(file: str, old: str, new: str, count: int = 1) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert re.search(old, text), (file, old)
        path.write_text(re.sub(old, new, text, count=count), encoding="utf-8")

    return change


def _then(*changes: Callable[[Path], Path | None]) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        for one in changes:
            one(folder)

    return change


def _dates(when: float, *patterns: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        for pattern in patterns:
            for path in folder.rglob(pattern):
                os.utime(path, (when, when))

    return change


def _keeping_dates(change: Callable[[Path], None], back: float = 0) -> Callable[[Path], None]:
    """The same change, by a program that keeps the dates of files, or sets them back."""

    def kept(folder: Path) -> None:
        dates = {path: path.stat().st_mtime for path in folder.rglob("*") if path.is_file()}
        change(folder)
        for path, when in dates.items():
            if path.exists():
                os.utime(path, (when - back, when - back))

    return kept


def _delete(*names: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        for name in names:
            found = list(folder.glob(name))
            assert found, name
            for path in found:
                shutil.rmtree(path) if path.is_dir() else path.unlink()

    return change


def _write(name: str, content: str = "mine") -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")

    return change


def _swap(one: str, other: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        a, b = (folder / one).read_bytes(), (folder / other).read_bytes()
        (folder / one).write_bytes(b)
        (folder / other).write_bytes(a)

    return change


def _rewrite(file: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        content = (folder / file).read_bytes()
        (folder / file).unlink()
        (folder / file).write_bytes(content)

    return change


def _without_lines(file: str, start: str) -> Callable[[Path], None]:
    return _replace(file, rf"(?m)^{start}.*\n", "", count=0)


def _moved(name: str) -> Callable[[Path], Path]:
    def change(folder: Path) -> Path:
        return folder.rename(folder.with_name(name))

    return change


def _copied(folder: Path) -> Path:
    """Copied without hidden files, as many programs do, and without dates."""
    other = folder.with_name("copied")
    shutil.copytree(
        folder, other, ignore=shutil.ignore_patterns(".*"), copy_function=shutil.copyfile
    )
    return other


def _renamed_results(folder: Path) -> None:
    (folder / "results").rename(folder / "Ergebnisse")
    _write("study.yaml", (folder / "study.yaml").read_text() + "results: Ergebnisse\n")(folder)


def _renamed_file(folder: Path) -> Path:
    (folder / "study.yaml").rename(folder / "other.yaml")
    return folder / "other.yaml"


def _under_way(key: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "results" / "records" / f"{key}.json"
        record = json.loads(path.read_text())
        path.write_text(json.dumps(record | {"under_way": True}))

    return change


def _other_versions(folder: Path) -> None:
    for path in (folder / "results" / "records").rglob("*.json"):
        record = json.loads(path.read_text())
        record["versions"]["numpy"] = "1.0.0"
        path.write_text(json.dumps(record))


def _other_code(key: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "results" / "records" / f"{key}.json"
        record = json.loads(path.read_text())
        path.write_text(json.dumps(record | {"code": "another"}))

    return change


def _of(element: str, steps: Iterable[str]) -> tuple[str, ...]:
    return tuple(f"{element}/{step}" for step in steps)


_READ = ("screen", "prepare", "measure")
_LANDMARK = _replace(FEMUR, r"(?m)^(ash 1,,point_2,)[^,]*", r"\g<1>3.25")
_SETTING = _replace("study.yaml", "permutations: 9", "permutations: 19")
_ALL = (*_of("femur", _READ), *_of("tibia", _READ))
_JUDGES = ("place", "calibrate", "vary", "rarefy", "conclude")

SCENARIOS: tuple[Scenario, ...] = (
    Scenario("nothing", lambda _: None),
    # --- dates
    Scenario("touched inputs", _dates(time.time(), FEMUR, "study.yaml", "specimens.csv")),
    Scenario("inputs with future dates", _dates(4e9, "*.csv", "*.yaml")),
    Scenario("results with future dates", _dates(4e9, "results/**/*")),
    Scenario("results with ancient dates", _dates(1e8, "results/**/*")),
    Scenario("an input written anew as it was", _rewrite(FEMUR)),
    # --- inputs
    Scenario("a corrected landmark", _LANDMARK, ("check", *_of("femur", _READ), *TOLD),
             told=(f"{FEMUR} was changed",)),
    Scenario("corrected, its date kept", _keeping_dates(_LANDMARK),
             ("check", *_of("femur", _READ), *TOLD), told=(f"{FEMUR} was changed",)),
    Scenario("corrected, its date set back", _keeping_dates(_LANDMARK, 9e7),
             ("check", *_of("femur", _READ), *TOLD)),
    Scenario("corrected, results with future dates",
             _then(_LANDMARK, _dates(4e9, "results/**/*")),
             ("check", *_of("femur", _READ), *TOLD)),
    Scenario("corrected, the hidden folder lost",
             _then(_LANDMARK, _delete(".snakemake")), ("check", *_of("femur", _READ), *TOLD)),
    Scenario("corrected and put back", _then(_LANDMARK, _replace(
        FEMUR, r"(?m)^(ash 1,,point_2,)[^,]*", r"\g<1>3.5"), _LANDMARK),
        ("check", *_of("femur", _READ), *TOLD)),
    Scenario("a value in a private column", _replace("specimens.csv", "valley 3", "gorge 3")),
    Scenario("a specimen of another taxon", _replace("specimens.csv", "ash 1,ash,", "ash 1,birch,"),
             ("check", *_ALL, *TOLD), told=("specimens.csv was changed",)),
    Scenario("another stage of a specimen of one element", _replace(
        "specimens.csv", r"find 2,,query,,adult", "find 2,,query,,juvenile"),
        ("check", *_of("femur", _READ), *TOLD)),
    Scenario("the other side of a specimen", _replace(
        "specimens.csv", r"ash 2,ash,known,,", "ash 2,ash,known,left,"), ("check", *_ALL, *TOLD)),
    Scenario("a comment in a scheme", _replace("schemes/femur.yaml", r"\A", "# a bone\n"),
             ("check", *TOLD), told=("schemes/femur.yaml was changed",)),
    Scenario("a line more in a scheme", _replace(
        "schemes/femur.yaml", r"\Z", "- - point_1\n  - point_6\n"),
        ("check", *_of("femur", (*_READ, "slide", "superimpose", "differ", "warp")), *TOLD)),
    Scenario("a specimen more", _then(
        _replace("specimens.csv", r"\Z", "ash 9,ash,known,,adult,valley 99\n"),
        _replace(FEMUR, r"\Z", "".join(
            f"ash 9,,point_{i},{i},{i * i},{7 - i}\n" for i in range(1, 7)))),
        ("check", *_of("femur", _READ), *TOLD)),
    Scenario("a specimen less", _then(
        *(_without_lines(f"landmarks/{e}/all.csv", "birch 5,") for e in ("femur", "tibia")),
        _without_lines("specimens.csv", "birch 5,")), ("check", *_ALL, *TOLD)),
    Scenario("a specimen renamed", _then(
        *(_replace(f"landmarks/{e}/all.csv", "birch 5,", "birch 6,", 0) for e in (
            "femur", "tibia")), _replace("specimens.csv", "birch 5,", "birch 6,")),
        ("check", *_ALL, *TOLD)),
    Scenario("one landmark table in two files", _then(
        _write("landmarks/femur/more.csv", "specimen,replicate,landmark,x,y,z\n")),
        ("check", *_of("femur", _READ), *TOLD), told=("landmarks/femur/more.csv is new",)),
    # --- settings
    Scenario("a setting", _SETTING,
             ("check", *(f"{e}/{s}" for e in ("femur", "tibia") for s in (
                 "measure", "grow", "compare")), "supplement", *TOLD),
             told=("tests.permutations was 9 and is 19",)),
    Scenario("a setting, the hidden folder lost", _then(_SETTING, _delete(".snakemake")),
             ("check", *(f"{e}/{s}" for e in ("femur", "tibia") for s in (
                 "measure", "grow", "compare")), "supplement", *TOLD),
             told=("tests.permutations was 9 and is 19",)),
    Scenario("a setting there and back", _then(_SETTING, _replace(
        "study.yaml", "permutations: 19", "permutations: 9"))),
    Scenario("a setting written out as it is by default", _replace(
        "study.yaml", r"\Z", "seed: 1\n")),
    Scenario("the title", _replace("study.yaml", "An invented study", "A named study"),
             ("check", "supplement", *TOLD), told=("title was An invented study",)),
    Scenario("how figures are drawn", _replace("study.yaml", r"\Z", "figures: {exaggeration: 2}\n"),
             ("check", "supplement", *TOLD, "every figure"), below=False),
    Scenario("a comment in study.yaml", _replace("study.yaml", r"\A", "# mine\n")),
    Scenario("elements in another order", _replace(
        "study.yaml", r"(  femur:\n.*\n)(  tibia:\n.*\n)", r"\2\1"),
        ("check", "combine", "supplement", *TOLD)),
    Scenario("an element less", _then(_replace("study.yaml", r"  tibia:\n.*\n", "")),
             ("check", "combine", "supplement", *TOLD),
             gone=("tibia/tables/verdicts.csv", "tibia/figures/growth.svg")),
    Scenario("an element renamed", _then(
        _replace("study.yaml", r"  tibia:\n(.*)schemes/tibia", r"  shin:\n\1schemes/shin"),
        _replace("schemes/femur.yaml", r"\Z", ""),
        lambda f: (f / "landmarks/tibia").rename(f / "landmarks/shin") and None,
        lambda f: (f / "schemes/tibia.yaml").rename(f / "schemes/shin.yaml") and None),
        ("check", "every shin", "combine", "supplement", *TOLD),
        gone=("tibia/tables/verdicts.csv",)),
    # --- where it lies
    Scenario("the study moved", _moved("elsewhere")),
    Scenario("the study copied without hidden files and dates", _copied),
    Scenario("study.yaml by another name", _renamed_file),
    Scenario("the results in a folder of another name", _renamed_results,
             ("check", "supplement", *TOLD)),
    Scenario("the hidden folder lost", _delete(".snakemake")),
    # --- results lost
    Scenario("all records lost", _delete("results/records"), None),
    Scenario("one record lost", _delete("results/records/femur/place.json"), ("femur/place",)),
    Scenario("a record that cannot be read", _write("results/records/femur/place.json", "{"),
             ("femur/place",)),
    Scenario("a step cut off", _under_way("femur/grow"), ("femur/grow",),
             told=("femur/grow was begun and not finished",)),
    Scenario("a table deleted", _delete("results/femur/tables/verdicts.csv"), ("femur/place",),
             below=False, told=("femur/tables/verdicts.csv is gone",)),
    Scenario("a figure deleted", _delete("results/femur/figures/growth.pdf"),
             ("femur/draw/growth",), below=False),
    Scenario("a figure of a query deleted", _delete("results/femur/figures/queries/*.svg"),
             ("femur/portray",), below=False),
    Scenario("arrays deleted", _delete("results/tibia/arrays/superimposed.npz"),
             ("tibia/superimpose",), below=False),
    Scenario("the archive deleted", _delete("results/archive.zip"), ("archive",),
             told=("archive.zip is gone",)),
    Scenario("the page deleted", _delete("results/report.html"), ("report",)),
    Scenario("the supplement deleted", _delete("results/supplement"), ("supplement",),
             below=False),
    Scenario("provenance deleted", _delete("results/provenance.json"), ("finish",)),
    Scenario("all results deleted", _delete("results"), None),
    # --- results edited
    Scenario("a conclusion forged", _replace(
        "results/femur/tables/conclusions.csv", "undecided|inside|outside", "certain"),
        ("femur/conclude",), below=False,
        told=("femur/tables/conclusions.csv was edited by hand",),
        left=("femur/tables/conclusions.csv.edited",)),
    Scenario("a conclusion forged, its date kept", _keeping_dates(_replace(
        "results/femur/tables/conclusions.csv", "undecided|inside|outside", "certain")),
        ("femur/conclude",), below=False),
    Scenario("the page forged", _replace("results/report.html", "find 1", "find 7"), ("report",),
             told=("report.html was edited by hand",), left=("report.html.edited",)),
    Scenario("notes forged", _write("results/femur/notes/grow.json", "{}"), ("femur/grow",),
             below=False, left=("femur/notes/grow.json.edited",)),
    Scenario("what was checked forged", _write("results/check.csv", "severity\n"), ("check",),
             below=False),
    Scenario("provenance forged", _replace("results/provenance.json", '"seed": 1', '"seed": 2'),
             ("finish",)),
    Scenario("two figures swapped", _swap(
        "results/femur/figures/growth.svg", "results/femur/figures/stability.svg"),
        ("femur/draw/growth", "femur/draw/stability"), below=False),
    Scenario("two elements' tables swapped", _swap(
        "results/femur/tables/verdicts.csv", "results/tibia/tables/verdicts.csv"),
        ("femur/place", "tibia/place"), below=False),
    Scenario("edited twice over", _then(
        _write("results/femur/notes/grow.json", "{}"),
        _write("results/femur/notes/grow.json.edited", "earlier")), ("femur/grow",), below=False,
        left=("femur/notes/grow.json.edited", "femur/notes/grow.json.edited-2")),
    # --- what nobody made
    Scenario("a note of one's own", _write("results/my notes.txt"), left=("my notes.txt",),
             told=("my notes.txt was not made by the run",)),
    Scenario("own files among those of queries and surfaces", _then(
        _write("results/femur/figures/queries/mine.svg"),
        _write("results/femur/meshes/mine.ply")),
        left=("femur/figures/queries/mine.svg", "femur/meshes/mine.ply")),
    Scenario("own files, and all made again", _then(
        _write("results/femur/figures/queries/mine.svg"), _delete("results/records")), None,
        left=("femur/figures/queries/mine.svg",)),
    # --- the program
    Scenario("another release of a package", _other_versions, told=("numpy was 1.0.0 and is",)),
    Scenario("other code of a step", _other_code("femur/compare"), ("femur/compare",),
             told=("compare is done by other code",)),
    Scenario("other code of a figure", _other_code("femur/draw/growth"), ("femur/draw/growth",)),
)  # fmt: skip
