"""The command line: what is printed, and the exit codes."""

import io
import os
import re
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from morpho import __version__
from morpho.cli import _run_command, main
from morpho.study.start import FILES

ROWS = "a1,fox,known,,\na2,fox,known,,\nb1,owl,known,,\nb2,owl,known,,\nq,,query,,\n"
PLACES = {
    "near_end_front": "1,1,0",
    "near_end_back": "0,4,1",
    "shaft_middle": "15,2,3",
    "far_end_front": "30,0,1",
}


@pytest.fixture
def study(tmp_path):
    """A small study that can be run."""
    folder = tmp_path / "mine"
    with redirect_stdout(io.StringIO()):
        assert main(["new", str(folder)]) == 0
    (folder / "specimens.csv").write_text(FILES["specimens.csv"] + ROWS)
    lines = ["specimen,element,landmark,x,y,z"]
    for i, name in enumerate(["a1", "a2", "b1", "b2", "q"]):
        lines += [f"{name},bone,{key},{place}" for key, place in PLACES.items()]
        lines += [f"{name},bone,far_end_back,30,{5 + i},-1"]
    (folder / "landmarks" / "all.csv").write_text("\n".join(lines))
    return folder


def test_new_says_what_to_do_next(tmp_path, capsys):
    """A user starts a study."""
    assert main(["new", str(tmp_path / "s")]) == 0
    told = capsys.readouterr().out
    assert "schemes/bone.yaml" in told
    assert f"formkin check {tmp_path / 's'}" in told


def test_new_writes_commands_that_can_be_copied(tmp_path, capsys):
    """A user's folder has a space in its name."""
    assert main(["new", str(tmp_path / "a b")]) == 0
    told = capsys.readouterr().out
    assert f"formkin check '{tmp_path}/a b'\n" in told
    assert f"formkin run '{tmp_path}/a b'\n" in told


@pytest.mark.parametrize(
    ("given", "command"),
    [
        (".", "formkin run"), ("study.yaml", "formkin run"), ("mine", "formkin run mine"),
        ("a b/study.yaml", "formkin run 'a b'"), ("other.yaml", "formkin run other.yaml"),
    ],
)  # fmt: skip
def test_the_command_of_a_run_is_short(given, command):
    assert _run_command(given) == command


def test_only_one_command_runs_a_study(study, capsys):
    """What new, help and status tell; the engine's own line is for those who look for it."""
    told = ""
    for arguments in (["new", str(study.parent / "s")], ["--help"], ["status", str(study)]):
        main(arguments)
        told += "".join(capsys.readouterr())
    assert told.count("formkin run ") == 2
    assert "run a study" in told
    assert "nakemake" not in told


def test_a_step_that_there_is_not_lists_those_that_there_are(study, capsys):
    assert main(["run", str(study), "--again", "sliding"]) == 2
    told = capsys.readouterr().err
    assert 'There is no step "sliding". The steps are:\n  check ' in told
    assert "\n  slide        sliding semilandmarks\n" in told


def test_a_run_before_anything_is_there_is_refused_in_words(tmp_path, capsys, monkeypatch):
    """A user is in the wrong folder."""
    monkeypatch.chdir(tmp_path)
    assert main(["run"]) == 1
    told = capsys.readouterr().err
    assert "study.yaml" in told
    assert told.endswith("The study cannot be run: see the problems above.\n")
    assert list(tmp_path.iterdir()) == []


def test_a_run_of_a_study_with_errors_does_nothing(study, capfd):
    """All problems at once, and no results."""
    path = study / "landmarks" / "all.csv"
    path.write_text(path.read_text().replace("a2,bone,shaft_middle,15", "a2,bone,shaft_middle,x"))
    before = sorted(study.rglob("*"))
    assert main(["run", str(study)]) == 1
    told = capfd.readouterr()
    assert 'landmark shaft_middle: x is "x"' in told.err
    assert told.err.endswith("Nothing was run: see the problems of the input above.\n")
    assert [path for path in sorted(study.rglob("*")) if path not in before] == []


def test_a_dry_run_tells_what_there_is_to_do(study, capsys):
    assert main(["run", str(study), "--dry-run", "--cores", "2"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("My study\nNothing was made yet.\n")
    assert "\n  bone: judging queries\n" in told
    assert re.search(r"\n  bone: \d+ figures to draw\n", told)
    assert re.search(r"\n\d+ steps to do, about ", told)
    assert told.endswith("Nothing was done, as --dry-run was given.\n")
    assert not (study / "results").exists()


def test_new_refuses_to_overwrite(study, capsys):
    """A user starts a study where there is one."""
    assert main(["new", str(study)]) == 1
    assert '"study.yaml"' in capsys.readouterr().err


def test_check_of_a_study_that_can_be_run(study, capsys):
    """A user checks a sound study: warnings are no failure, and what was found is summed up."""
    assert main(["check", str(study)]) == 0
    told = capsys.readouterr().out
    assert 'The taxon "fox" has 2 specimens' in told
    assert "My study: 5 specimens\n  fox: 2 known\n  owl: 2 known\n  queries: 1 (q)" in told
    assert "bone: 5 digitisations of 5 specimens" in told
    assert told.splitlines()[-1] == (
        "no errors, 2 warnings, 1 note. The study can be run; read the warnings first."
    )


def test_check_of_a_study_with_errors(study, capsys):
    """A user's slips are told by file and line, and the exit code says so."""
    path = study / "landmarks" / "all.csv"
    path.write_text(path.read_text().replace("a2,bone,shaft_middle,15", "a2,bone,shaft_middle,x"))
    assert main(["check", str(study / "study.yaml")]) == 1
    told = capsys.readouterr().out
    assert (
        "landmarks/all.csv\n  error, line 9, element bone, specimen a2, landmark shaft_middle: "
        'x is "x"' in told
    )
    assert "1 error, " in told


@pytest.mark.parametrize(
    ("arguments", "code"),
    [([], 2), (["chekc", "x"], 2), (["check"], 2), (["new"], 2), (["check", "x", "--y"], 2),
     (["status"], 2), (["status", "--help"], 0),
     (["run", "x", "--cores", "0"], 2), (["run", "x", "--cores", "two"], 2), (["run", "--help"], 0),
     (["--version"], 0), (["--help"], 0), (["check", "--help"], 0)],
)  # fmt: skip
def test_exit_codes_of_usage(arguments, code, capsys):
    """A user mistypes the command, or asks for help."""
    assert main(arguments) == code
    capsys.readouterr()


def test_version(capsys):
    """A user asks for the version."""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"formkin {__version__}\n"


def test_status_without_a_complete_run(study, capsys):
    """A user asks before the first run, or after one that failed."""
    assert main(["status", str(study)]) == 1
    told = capsys.readouterr().err
    assert "no run of this study has been completed" in told
    assert f"formkin run {study}\n" in told


@pytest.mark.parametrize("what", ["nowhere", "", "a\x00b", "x" * 5000])
def test_paths_that_lead_nowhere_are_told(tmp_path, what, capsys, monkeypatch):
    """A user mistypes the path, or it is none."""
    monkeypatch.chdir(tmp_path)
    assert main(["check", what]) == 1
    assert "1 error" in capsys.readouterr().out


@pytest.mark.parametrize("what", ["a\x00b", "x" * 5000, "file/below"])
def test_folders_that_cannot_be_are_told(tmp_path, what, capsys, monkeypatch):
    """A user wants a study where none can be."""
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("x")
    assert main(["new", what]) == 1
    assert "error" in capsys.readouterr().err


def test_a_file_that_may_not_be_read_is_told(study, capsys, monkeypatch):
    """A file belongs to somebody else."""
    whole = Path.read_bytes

    def refuse(self):
        if self.name == "specimens.csv":
            raise PermissionError(13, "Permission denied")
        return whole(self)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert main(["check", str(study)]) == 1
    assert "specimens.csv\n  error: You have no permission to read" in capsys.readouterr().out


def test_a_folder_in_place_of_a_table_is_told(study, capsys):
    """A user has a folder called specimens.csv."""
    (study / "specimens.csv").unlink()
    (study / "specimens.csv").mkdir()
    assert main(["check", str(study)]) == 1
    assert "This is a folder, not a file" in capsys.readouterr().out


def test_a_plain_terminal_and_a_closed_pipe_are_no_crash(study):
    """A terminal knows ASCII only; a pager is closed early."""
    path = study / "specimens.csv"
    path.write_text(path.read_text().replace("fox", "fóx 狐"), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "morpho.cli", "check", str(study)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stderr
    assert r"f\xf3x \u72d0: 2 known" in done.stdout
    closed = subprocess.run(
        f'"{sys.executable}" -m morpho.cli check "{study}" | true',
        shell=True,
        capture_output=True,
        text=True,
    )
    assert "Traceback" not in closed.stderr
