"""Suspected digitisations on the page: at its head, and once among the things noticed."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd

from morpho.report.page import _noticed, _suspected

COLUMNS = ["severity", "file", "line", "element", "specimen", "landmark", "found", "remedy"]
SUSPICION = {"specimen": "kin 1", "kind": "mirror", "landmarks": "", "side": "left"}
MIRROR = (
    "t is the mirror image of what a left bone should be: it is probably a right one, or one axis "
    "of the scan was turned round. Check the side in the specimen table and the scan."
)


def element(name, *suspicions):
    table = pd.DataFrame([SUSPICION | row for row in suspicions], columns=list(SUSPICION))
    return SimpleNamespace(name=name, tables={"suspicions": table})


def check(*rows):
    return pd.DataFrame([dict.fromkeys(COLUMNS, "") | row for row in rows], columns=COLUMNS)


def test_every_element_with_suspects_has_a_line_at_the_head():
    elements = [element("lower_jaw", {}, {"specimen": "find"}), element("atlas")]
    assert _suspected(elements) == {
        "lower_jaw": "find (wrong side or mirrored) and kin 1 (wrong side or mirrored)"
    }


def test_what_the_check_told_already_is_not_told_twice():
    """It tells the same within a sentence of its own; another element or specimen is another."""
    told = {"severity": "warning", "element": "jaw", "specimen": "kin 1"}
    noticed = check(told | {"found": f"A slip is suspected: i{MIRROR}"})
    elements = [element("jaw", {}, {"specimen": "kin 2"}), element("atlas", {})]
    rows = _noticed(noticed, elements)
    assert [(row["severity"], row["element"], row["specimen"]) for row in rows] == [
        ("warning", "jaw", "kin 1"), ("suspicion", "jaw", "kin 2"), ("suspicion", "atlas", "kin 1"),
    ]  # fmt: skip
    assert all(set(row) == set(COLUMNS) for row in rows)
    assert rows[1]["found"] == f"I{MIRROR}"
    assert _noticed(check(), [element("jaw")]) == []
