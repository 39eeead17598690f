"""Files found, expected and passed over; what is no file; tables cut short at their end."""

import os
import signal
import socket

import pytest

SCANS = "scans: {files: 'scans/{element}/{specimen}.stl'}\n"
TABLE = "landmarks/jaw/A-2.csv"


@pytest.fixture(autouse=True)
def no_waiting():
    """A read that would never end fails the test instead."""

    def stop(*_):
        raise AssertionError("the check waits for ever")

    signal.signal(signal.SIGALRM, stop)
    signal.alarm(60)
    yield
    signal.alarm(0)


def replace(path, kind):
    """Put something else in the place of a file."""
    path.unlink(missing_ok=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    if kind == "link":
        path.symlink_to("../moved away.csv")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        here = os.getcwd()
        os.chdir(path.parent)  # a socket's path must be short
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(path.name)
        os.chdir(here)


PHRASES = {
    "link": "a link to what is not there",
    "pipe": "a pipe",
    "device": "a device",
    "socket": "a socket",
}


@pytest.mark.parametrize("kind", PHRASES)
@pytest.mark.parametrize("name", [TABLE, "specimens.csv", "study.yaml", "schemes/jaw.yaml"])
def test_what_is_no_file_is_told_in_a_sentence(tiny, name, kind):
    """A user's link leads nowhere since a folder was moved; or there is a pipe."""
    replace(tiny.folder / name, kind)
    told = [error for error in tiny.errors() if PHRASES[kind] in error]
    assert len(told) == 1
    assert told[0].startswith(f"{name}:None")
    assert f"This is {PHRASES[kind]}, not a file." in told[0]


@pytest.mark.parametrize("kind", PHRASES)
def test_a_scan_that_is_no_file_is_told(tiny, kind):
    tiny.write("study.yaml", tiny.read("study.yaml") + SCANS)
    replace(tiny.folder / "scans/jaw/A-1.stl", kind)
    (error,) = tiny.errors()
    assert f"This is {PHRASES[kind]}, not a scan." in error
    assert error.startswith("scans/jaw/A-1.stl:None")


def test_scans_of_another_ending_are_named_as_passed_over(tiny):
    """A user has PLY files among scans that study.yaml takes for STL."""
    tiny.write("study.yaml", tiny.read("study.yaml") + SCANS)
    for name in ("A-1.ply", "A-2.PLY", "notes.txt"):
        tiny.write(f"scans/jaw/{name}", "x")
    (warning,) = [w for w in tiny.check().warnings if "passed over" in w.found]
    assert warning.file == tiny.folder / "scans/jaw"
    assert warning.found == (
        '2 files are passed over: "A-1.ply" and "A-2.PLY" do not fit scans: files '
        '("scans/{element}/{specimen}.stl").'
    )
    (note,) = [n for n in tiny.check() if n.element == "jaw" and "Scans of" in n.found]
    assert note.severity == "note"
    assert note.found == (
        "Scans of jaw were found for 0 of the 9 digitised specimens; there is none of "
        '"A-1", "A-2", "A-3", "A-4", "B-1" and 4 more.'
    )
    assert note.line == 9


def test_tables_that_no_pattern_fits_are_named_as_passed_over(tiny):
    tiny.edit("study.yaml", "{element}/*.csv", "{element}/{specimen}.csv")
    tiny.write("landmarks/ring/A-9.tsv", tiny.read("landmarks/ring/A-1.csv"))
    tiny.write("landmarks/ring/README.txt", "where they are from")
    tiny.write("landmarks/ring/.hidden.tsv", "x")
    (warning,) = tiny.check().warnings
    assert warning.found == (
        '1 file is passed over: "A-9.tsv" does not fit landmarks: files '
        '("landmarks/{element}/{specimen}.csv").'
    )


def test_files_of_the_study_itself_are_not_passed_over(tiny):
    """Everything in one folder: the specimen table is no landmark table."""
    for element in ("jaw", "ring"):
        for name in tiny.names:
            text = tiny.read(f"landmarks/{element}/{name}.csv")
            tiny.write(f"{element} {name}.csv", text)
    tiny.edit("study.yaml", "landmarks/{element}/*.csv", "{element} *.csv")
    assert "passed over" not in tiny.told()


def cut(tiny, cells, end=""):
    """Cut the last line of a table: its last cell becomes as given, and its end is lost."""
    lines = tiny.read(TABLE).splitlines()
    lines[-1] = lines[-1].rpartition(",")[0] + "," + cells
    tiny.write(TABLE, "\n".join(lines) + end)


@pytest.mark.parametrize("cell", ["1.544", "1.5", "1.", "1"])
def test_a_table_cut_short_in_its_last_number_is_refused(tiny, cell):
    """A copy broke off within 1.5449: each cell above has four decimals."""
    cut(tiny, cell)
    (error,) = tiny.errors()
    assert error.startswith(f"{TABLE}:8 ")
    assert f'ends in "{cell}", without a line end' in error
    assert "fewer decimals than the others (4): it looks cut short" in error


def test_a_last_line_without_its_end_is_fine_where_the_number_is_whole(tiny):
    """Common practice, no source: many programs leave out the last line end."""
    cut(tiny, "1.5449")
    assert tiny.errors() == []
    cut(tiny, "1.5", end="\n")
    assert tiny.errors() == []
    cut(tiny, "")
    assert "cut short" not in tiny.told()


def test_a_short_row_written_by_hand_is_not_cut(tiny):
    """All of its numbers are short, not the last alone."""
    lines = tiny.read(TABLE).splitlines()
    lines[-1] = lines[-1].rsplit(",", 3)[0] + ",6,-1.5,1"
    tiny.write(TABLE, "\n".join(lines))
    assert "cut short" not in tiny.told()


def test_numbers_of_any_length_are_no_sign_unless_the_last_is_the_shortest(tiny):
    """Cells without closing zeros: a warning, as the last number may be right."""
    lines = tiny.read(TABLE).splitlines()
    lines[2] = lines[2][:-2]
    tiny.write(TABLE, "\n".join(lines))
    assert "cut short" not in tiny.told()
    cut(tiny, "1.54")
    assert "cut short" not in tiny.told()
    cut(tiny, "1.5")
    (warning,) = tiny.check().warnings
    assert "fewer decimals than any of the others (2 at least)" in warning.found
    assert warning.line == 8
