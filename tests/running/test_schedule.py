"""How far a run is, and how long it takes."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from morpho.running.schedule import Schedule, expected_seconds, roughly
from morpho.workflow.phrases import PHRASES, doing
from morpho.workflow.plan import Job, Plan
from morpho.workflow.rules import BY_STEP, RULES


def plan(**sources):
    """A plan of jobs, each with those that it reads from."""
    jobs = {key: SimpleNamespace(call=key, key=key) for key in sources}
    return SimpleNamespace(jobs=jobs, sources=lambda job: sources[job.key])


def test_jobs_that_wait_for_each_other_take_their_sum():
    chain = plan(a=[], b=["a"], c=["b"])
    found = Schedule(chain, {"a": 3, "b": 4, "c": 5}, cores=8)
    assert found.left(0) == pytest.approx(12)


def test_jobs_side_by_side_are_spread_over_the_cores():
    apart = plan(a=[], b=[], c=[], d=["a", "b", "c"])
    seconds = {"a": 4, "b": 4, "c": 4, "d": 1}
    assert Schedule(apart, seconds, cores=3).left(0) == pytest.approx(5)
    assert Schedule(apart, seconds, cores=2).left(0) == pytest.approx(9)
    assert Schedule(apart, seconds, cores=1).left(0) == pytest.approx(13)


def test_time_passes_and_what_is_slow_makes_the_rest_slow():
    found = Schedule(plan(a=[], b=["a"]), {"a": 30, "b": 30}, cores=1)
    found.start("a", 100)
    assert found.left(110) == pytest.approx(50)
    found.finish("a", 190)  # three times as long: 30 + 10 seconds were expected, 100 it took
    assert found.left(190) == pytest.approx(30 * 100 / 40)
    found.start("b", 190)
    found.finish("b", 200)
    assert found.left(200) == 0
    assert found.done == ["a", "b"]


def test_what_waits_for_a_failed_job_is_not_waited_for():
    found = Schedule(plan(a=[], b=["a"], c=[]), {"a": 1, "b": 100, "c": 2}, cores=1)
    found.start("a", 0)
    found.fail("a")
    # b may not be done, but nobody is told that the run hangs
    assert found.left(0) < 110


def test_times_of_earlier_runs_are_taken_and_scale_the_others(tmp_path):
    """A job of which no time is known takes as long as usual, on a machine like this."""
    jobs = [
        Job(BY_STEP["slide"], "a"),
        Job(BY_STEP["draw"], "a", "growth"),
        Job(BY_STEP["draw"], "a", "calibration"),
        Job(BY_STEP["check"]),
        Job(BY_STEP["grow"], "a"),
    ]
    study = Plan(None)
    study.__dict__["jobs"] = {job.key: job for job in jobs}
    for name, seconds in (("a/slide", 40), ("a/draw", 8), ("check", 20)):
        path = tmp_path / "benchmarks" / f"{name}.tsv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"s\th:m:s\tmax_rss\n{seconds}\t0:00:00\t10\n")
    assert PHRASES["slide"].seconds == 20
    found = expected_seconds(tmp_path, study, study.jobs)
    assert list(found) == ["a/slide", "a/draw", "check", "a/grow"]
    assert found["a/slide"] == 40
    assert found["a/draw"] == 8
    assert found["a/grow"] == pytest.approx(2 * PHRASES["grow"].seconds)
    (tmp_path / "benchmarks" / "a" / "slide.tsv").write_text("s\nbroken\n")
    assert expected_seconds(tmp_path, study, ["a/slide"])["a/slide"] == 60


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "a few seconds"), (32, "about 30 seconds"), (80, "about a minute"),
     (100, "about 2 minutes"), (5200, "about 87 minutes"), (9000, "about 2.5 hours")],
)  # fmt: skip
def test_times_as_people_say_them(seconds, words):
    assert roughly(seconds) == words


def test_every_step_has_words_of_its_own():
    assert list(PHRASES) == [rule.step for rule in RULES]
    assert len({phrase.says for phrase in PHRASES.values()}) == len(PHRASES)
    for rule in RULES:
        assert ("{name}" in PHRASES[rule.step].says) == (rule.per in ("figure", "specimen"))


def test_a_job_is_told_with_its_bone():
    assert doing(Job(BY_STEP["slide"], "lower_jaw")) == "lower jaw: sliding semilandmarks"
    assert doing(Job(BY_STEP["carry"], "atlas", "A-1")) == (
        "atlas: carrying points to the scan of A-1"
    )
    assert doing(Job(BY_STEP["draw"], "atlas", "distortion")) == (
        "atlas: drawing 'Distortion removed'"
    )
    assert doing(Job(BY_STEP["report"])) == "writing the page"


def test_many_figures_and_scans_are_told_in_one_line():
    names = ("growth", "distortion", "calibration")
    jobs = [Job(BY_STEP["draw"], "atlas", name) for name in names]
    jobs += [Job(BY_STEP["carry"], "atlas", name) for name in "AB"]
    jobs += [Job(BY_STEP["draw"], "femur", "growth"), Job(BY_STEP["report"])]
    study = Plan(None)
    study.__dict__["jobs"] = {job.key: job for job in jobs}
    assert [doing(*some) for some in study.calls(study.jobs).values()] == [
        "atlas: 3 figures to draw",
        "atlas: 2 scans to carry points to",
        doing(jobs[5]),
        "writing the page",
    ]
