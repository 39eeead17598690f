"""Names that come out as boxes in figures are noted; the table of scripts agrees with the font."""

import os
import sys

import matplotlib
import pytest
from matplotlib.ft2font import FT2Font

from morpho.study.checks.letters import is_drawn


def test_no_letter_of_the_font_is_said_to_be_missing():
    font = FT2Font(os.path.join(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf"))
    there = font.get_charmap()
    letters = [chr(code) for code in range(sys.maxunicode + 1) if chr(code).isalpha()]
    boxed = [letter for letter in letters if not is_drawn(letter)]
    assert [letter for letter in boxed if ord(letter) in there] == []
    missing = [letter for letter in letters if ord(letter) not in there]
    assert len(boxed) > 0.9 * len(missing)


@pytest.mark.parametrize("text", ["", "Größe", "Ursus arctos", "бурый медведь", "αβγ", "A-1 (?)"])
def test_names_that_are_drawn(text):
    assert is_drawn(text)


@pytest.mark.parametrize("text", ["狐", "キツネ", "여우", "หมา", "लोमड़ी", "A-1 狐"])
def test_names_that_are_not_drawn(text):
    assert not is_drawn(text)


def test_the_check_notes_them_once_a_file(tiny):
    assert "boxes" not in tiny.told()
    text = tiny.read("specimens.csv")
    tiny.write(
        "specimens.csv", text.replace("marsh dormouse", "沼睡鼠").replace("Q-1,,", "Q-1,狐,")
    )
    tiny.edit("schemes/jaw.yaml", "towards: top", "towards: 上")
    notes = [p for p in tiny.check() if "boxes in PNG and PDF" in p.found]
    assert sorted((p.severity, p.file.name) for p in notes) == [
        ("note", "jaw.yaml"),
        ("note", "specimens.csv"),
    ]
    assert '"沼睡鼠" and "狐"' in notes[0].found
    assert tiny.errors() == []
