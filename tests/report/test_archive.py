"""The archive: its files, its sums, its order, and names that must not get in."""

import hashlib
import io
import re
import subprocess
import zipfile

import pytest

from morpho.report.archive import (
    CHECKSUMS,
    README,
    ArchiveError,
    Entry,
    archive_readme,
    write_archive,
)


def archive(entries, **more):
    target = io.BytesIO()
    write_archive(target, entries, title=more.pop("title", "Kin"), **more)
    return target.getvalue()


@pytest.fixture
def entries(tmp_path):
    path = tmp_path / "big.bin"
    path.write_bytes(bytes(range(256)) * 9000)
    return [
        Entry("study/specimens.csv", b"specimen\n=cmd()\n", "the specimen table"),
        Entry("results/bone/figures/growth.svg", b"<svg/>", "figure: Growth"),
        Entry("results/bone/figures/growth.pdf", b"%PDF", "figure: Growth"),
        Entry("study/landmarks/a b.csv", b"x", "landmark tables"),
        Entry("study/landmarks/Größe 狐.csv", b"y", "landmark tables"),
        Entry("study/scans/big.bin", path, "scans"),
    ]


def contents(data):
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        assert packed.testzip() is None
        return {name: packed.read(name) for name in packed.namelist()}


def test_the_archive_rereads_and_its_sums_are_right(entries):
    """Every file is there, byte by byte, and its line in checksums.txt is its SHA-256 sum."""
    found = contents(archive(entries))
    assert set(found) == {*(one.name for one in entries), README, CHECKSUMS}
    for one in entries:
        wanted = one.content if isinstance(one.content, bytes) else one.content.read_bytes()
        assert found[one.name] == wanted
    lines = found[CHECKSUMS].decode().splitlines()
    sums = dict(reversed(line.split("  ", 1)) for line in lines)
    assert set(sums) == set(found) - {CHECKSUMS}
    assert all(hashlib.sha256(found[name]).hexdigest() == one for name, one in sums.items())


def test_sha256sum_itself_agrees(entries, tmp_path):
    """The command that the README names, where the machine has it."""
    with zipfile.ZipFile(io.BytesIO(archive(entries))) as packed:
        packed.extractall(tmp_path / "out")
    try:
        done = subprocess.run(
            ["sha256sum", "--check", "--strict", CHECKSUMS],
            cwd=tmp_path / "out", capture_output=True, text=True,
        )  # fmt: skip
    except OSError:
        pytest.skip("no sha256sum here")
    assert done.returncode == 0, done.stdout + done.stderr
    (tmp_path / "out/study/specimens.csv").write_text("other")
    done = subprocess.run(
        ["sha256sum", "--check", CHECKSUMS], cwd=tmp_path / "out", capture_output=True
    )
    assert done.returncode == 1


def test_the_bytes_depend_on_the_files_alone(entries, tmp_path):
    """Not on their order, their dates or their rights."""
    first = archive(entries)
    path = entries[-1].content
    import os

    os.utime(path, (1, 1))
    path.chmod(0o600)
    assert archive(entries[::-1]) == first
    path.write_bytes(b"other")
    assert archive(entries) != first
    with zipfile.ZipFile(io.BytesIO(first)) as packed:
        names = [info.filename for info in packed.infolist()]
        assert names[:-1] == sorted(names[:-1])
        assert {info.date_time for info in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.external_attr >> 16 for info in packed.infolist()} == {0o100644}


def test_the_readme_tells_every_file(entries):
    readme = contents(archive(entries, notice="Invented.", more=["How to run it."]))[
        README
    ].decode()
    assert readme.startswith("# Kin\n\nInvented.\n\nHow to run it.\n")
    for line in (
        "- study/specimens.csv: the specimen table",
        "- results/bone/figures/growth (.pdf, .svg): figure: Growth",
        "- study/landmarks/ (2 files: .csv): landmark tables",
    ):
        assert f"{line}\n" in readme, line


def test_hostile_titles_and_names_are_text_in_the_readme():
    title = "<img src=x onerror=alert(1)>\n# x </script> [a](b) `c`"
    readme = archive_readme([Entry("a_<b>*.csv", b"", "it")], title=title, notice=title)
    assert not re.search(r"(?<!\\)[<>*\[\]]", readme)
    assert readme.splitlines()[0].startswith("# \\<img")
    assert "- a\\_\\<b\\>\\*.csv: it" in readme


@pytest.mark.parametrize(
    "name",
    ["../up.csv", "/root.csv", "a/../../b", "a//b", "", "a/./b", "C:/x", "a\\b", "a\x00b", "a/"],
)
def test_names_that_lead_out_are_refused(name):
    """Unpacked, such a file would land anywhere."""
    with pytest.raises(ArchiveError, match="cannot be the path"):
        archive([Entry(name, b"", "")])


@pytest.mark.parametrize("name", ["con", "study/NUL.csv", "a/lpt1"])
def test_names_that_some_computers_keep_are_refused(name):
    with pytest.raises(ArchiveError, match="Rename it"):
        archive([Entry(name, b"", "")])


@pytest.mark.parametrize(
    "pair", [("a.csv", "a.csv"), ("A.csv", "a.csv"), ("\u00e4", "a\u0308"), (README, "x"),
             ("checksums.TXT", "x")]
)  # fmt: skip
def test_names_that_would_be_one_file_are_refused(pair):
    with pytest.raises(ArchiveError, match="would be one file"):
        archive([Entry(name, b"", "") for name in pair])


def test_names_with_line_ends_are_written_as_sha256sum_reads_them():
    sums = contents(archive([Entry("a\nb", b"x", "it")]))[CHECKSUMS].decode()
    assert f"\\{hashlib.sha256(b'x').hexdigest()}  a\\nb\n" in sums
