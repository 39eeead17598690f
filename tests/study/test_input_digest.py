"""What makes the workflow run again, and what does not."""

import pytest

from morpho.study.settings.config import read_config
from morpho.workflow.input_digest import element_digest


def digests(tiny):
    config = read_config(tiny.path)
    return element_digest(config, "jaw"), element_digest(config, "ring")


def one_file(tiny):
    """All landmark rows in one file."""
    rows = [r for n, name in enumerate(tiny.names) for e in ("jaw", "ring")
            for r in tiny.rows(name, e, seed=n)]  # fmt: skip
    tiny.write("all.csv", "\n".join(["specimen,element,replicate,landmark,x,y,z", *rows]))
    tiny.edit("study.yaml", "landmarks/{element}/*.csv", "all.csv")


def test_a_specimen_with_only_a_ring_leaves_the_jaw_alone(tiny):
    """A user adds a specimen of which only one element is preserved."""
    before = digests(tiny)
    tiny.write("specimens.csv", tiny.read("specimens.csv") + "A-5,marsh dormouse,known,left,\n")
    assert digests(tiny) == before
    tiny.write("landmarks/ring/A-5.csv", tiny.table("A-5", "ring", seed=77))
    after = digests(tiny)
    assert after[0] == before[0]
    assert after[1] != before[1]


def test_an_edited_row_counts_where_the_specimen_is_digitised(tiny):
    """A user corrects a taxon."""
    before = digests(tiny)
    (tiny.folder / "landmarks/jaw/A-2.csv").unlink()
    middle = digests(tiny)
    assert middle[0] != before[0]
    tiny.edit("specimens.csv", "A-2,marsh", "A-2,ridge")
    after = digests(tiny)
    assert after[0] == middle[0]
    assert after[1] != middle[1]


def test_order_white_space_and_private_columns_do_not_count(tiny):
    """A user sorts the table, aligns it, and adds a column with the site."""
    before = digests(tiny)
    head, *rows = tiny.read("specimens.csv").splitlines()
    rows = [row.replace(",", " , ") + f",place {i}" for i, row in enumerate(reversed(rows))]
    tiny.write("specimens.csv", "\r\n".join([head + ",site", *rows]))
    assert digests(tiny) == before


def test_a_scheme_counts_for_its_element(tiny):
    """A user changes the ring's scheme."""
    before = digests(tiny)
    tiny.edit("schemes/ring.yaml", "symmetry: object", "symmetry:  object  # a comment")
    assert digests(tiny) == before
    tiny.edit("schemes/ring.yaml", "symmetry:  object", "symmetry: matching")
    after = digests(tiny)
    assert after[0] == before[0]
    assert after[1] != before[1]


def test_rows_in_a_shared_landmark_table_count_for_their_element(tiny):
    """A user keeps all elements in one file and corrects a coordinate of one."""
    one_file(tiny)
    before = digests(tiny)
    lines = tiny.read("all.csv").splitlines()
    tiny.write("all.csv", "\n".join([lines[0], *reversed(lines[1:])]))
    assert digests(tiny) == before
    tiny.edit("all.csv", "A-1,ring,,roof,", "A-1,ring,,roof,1")
    after = digests(tiny)
    assert after[0] == before[0]
    assert after[1] != before[1]


def test_specimens_named_by_the_path_are_found(tiny):
    """A user's files are named by specimen."""
    tiny.edit("study.yaml", "{element}/*.csv", "{element}/{specimen}.csv")
    before = digests(tiny)
    tiny.edit("specimens.csv", "A-2,marsh", "A-2,ridge")
    assert digests(tiny)[0] != before[0]
    middle = digests(tiny)
    tiny.write("specimens.csv", tiny.read("specimens.csv") + "A-5,marsh dormouse,known,left,\n")
    assert digests(tiny) == middle


@pytest.mark.parametrize("data", [None, b"", b"\x00\xff", b"PK\x03\x04", b'"a,b\n', b"x\n1,2\n"])
@pytest.mark.parametrize(
    "file", ["specimens.csv", "schemes/jaw.yaml", "landmarks/jaw/A-1.csv", "all.csv"]
)
def test_broken_files_raise_nothing_and_count_by_their_bytes(tiny, file, data):
    """A user's file is damaged: the workflow starts, and the check tells why it stops."""
    if file == "all.csv":
        one_file(tiny)
    if data is None:
        (tiny.folder / file).unlink()
    else:
        tiny.write(file, data)
    first = digests(tiny)
    tiny.write(file, b"\x00other")
    assert digests(tiny)[0] != first[0]
