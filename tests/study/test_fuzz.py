"""Damaged files: whatever stands in them, they are told as problems and never crash the check."""

import warnings

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from morpho.study.check import check_study
from morpho.study.element import read_element
from morpho.study.reading.problems import StudyError
from morpho.workflow.input_digest import element_digest

FILES = [
    "study.yaml",
    "specimens.csv",
    "schemes/jaw.yaml",
    "schemes/ring.yaml",
    "landmarks/jaw/A-1.csv",
    "landmarks/ring/Q-1.csv",
]
# Pieces that break tables more often than bytes drawn blindly.
PIECES = [
    b"\x00", b'"', b"'", b",", b";", b"\t", b"\n", b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b"\x80",
    b"1e999", b"-1e308", b"1e308", b"nan", b"inf", b"-", b".", b"..", b"/", b"[", b"]", b"{", b"}",
    b":", b"- ", b"&a ", b"*a", b"!!", b"#", b"null", b"true", b"{specimen}", b"\xe2\x80\xae",
    b"\x1b[2J", b"999999999999999999999", b"border.1", b"border.99999999", b"known", b"query",
]  # fmt: skip

PLACE = st.floats(0, 1, exclude_max=True)
CHANGE = st.one_of(
    st.tuples(st.just("put"), PLACE, st.sampled_from(PIECES) | st.binary(max_size=4)),
    st.tuples(st.just("over"), PLACE, st.sampled_from(PIECES) | st.binary(max_size=4)),
    st.tuples(st.just("cut"), PLACE, st.integers(1, 40)),
    st.tuples(st.just("end"), PLACE, st.just(0)),
    st.tuples(st.just("again"), PLACE, st.integers(1, 80)),
)


def changed(data: bytes, changes: list) -> bytes:
    for kind, place, what in changes:
        at = int(place * (len(data) + 1))
        if kind == "put":
            data = data[:at] + what + data[at:]
        elif kind == "over":
            data = data[:at] + what + data[at + len(what) :]
        elif kind == "cut":
            data = data[:at] + data[at + what :]
        elif kind == "end":
            data = data[:at]
        else:
            data = data[: at + what] + data[at:]
    return data


@pytest.mark.long
@pytest.mark.parametrize("file", FILES)
@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(changes=st.lists(CHANGE, min_size=1, max_size=5))
def test_damaged_files_never_crash_the_check(tiny, file, changes):
    """A file is damaged anywhere: problems are told, or nothing is wrong with it."""
    path = tiny.folder / file
    whole = path.read_bytes()
    path.write_bytes(changed(whole, changes))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            study, problems = check_study(tiny.folder)
            problems.render()
            if study is not None:
                for element in study.config.elements:
                    element_digest(study.config, element)
                    try:
                        read_element(study.config, element)
                    except StudyError:
                        assert problems.errors
    finally:
        path.write_bytes(whole)


@settings(max_examples=40, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(file=st.sampled_from(FILES), data=st.binary(max_size=300) | st.text(max_size=300))
def test_files_of_anything_never_crash_the_check(tiny, file, data):
    """A file holds anything at all."""
    path = tiny.folder / file
    whole = path.read_bytes()
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8", "surrogatepass"))
    try:
        assert check_study(tiny.folder)[1].render()
    finally:
        path.write_bytes(whole)
