"""What each step does, in the words of the study, and how long it usually takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from morpho.results.figures import FIGURES
from morpho.results.tables import ALL_ELEMENTS
from morpho.wording import counted

if TYPE_CHECKING:
    from morpho.workflow.plan import Job

__all__ = ["PHRASES", "Phrase", "bone", "doing"]


@dataclass(frozen=True)
class Phrase:
    """What a step does, as the end of a line that begins with the element; `{name}` is the scan.

    `many` is said of many jobs at once, after their number.
    """

    says: str
    seconds: float  # of a study of some fifty specimens, on one core
    many: str = ""


PHRASES: Mapping[str, Phrase] = {
    "check": Phrase("checking every file, and looking for slips of digitising", 10),
    "screen": Phrase("screening digitisations", 4),
    "prepare": Phrase("mirroring, averaging and estimating landmarks", 4),
    "measure": Phrase("measuring the digitising error", 3),
    "carry": Phrase("carrying points to the scan of {name}", 1, "scan to carry points to"),
    "slide": Phrase("sliding semilandmarks", 20),
    "superimpose": Phrase("superimposing", 2),
    "ordinate": Phrase("finding the axes of shape space", 2),
    "grow": Phrase("finding lines of growth", 4),
    "compare": Phrase("comparing known taxa", 4),
    "discriminate": Phrase("telling known taxa apart", 4),
    "place": Phrase("judging queries", 4),
    "calibrate": Phrase("judging known specimens left out in turn", 15),
    "vary": Phrase("judging again with other choices", 40),
    "rarefy": Phrase("judging again with fewer and more specimens", 20),
    "conclude": Phrase("concluding on each query", 3),
    "combine": Phrase("joining the elements of each individual", 3),
    "differ": Phrase("finding where queries differ", 4),
    "warp": Phrase("warping surfaces", 20),
    "portray": Phrase("drawing figures of each query", 15),
    "draw": Phrase("drawing {name}", 1, "figure to draw"),
    "supplement": Phrase("writing tables and words for the paper", 5),
    "report": Phrase("writing the page", 6),
    "archive": Phrase("packing the archive", 3),
    "finish": Phrase("noting what the results are made of", 2),
}


def bone(element: str) -> str:
    """Name of an element as it is said."""
    return "all elements" if element == ALL_ELEMENTS else element.replace("_", " ")


def doing(*jobs: Job) -> str:
    """Say what a call does, by its jobs.

    >>> from morpho.workflow.plan import Job
    >>> from morpho.workflow.rules import BY_STEP
    >>> doing(Job(BY_STEP["slide"], "lower_jaw"))
    'lower jaw: sliding semilandmarks'
    """
    job, *others = jobs
    if others:
        return f"{bone(job.element)}: {counted_first(len(jobs), PHRASES[job.rule.step].many)}"
    name = job.name
    if job.rule.step == "draw":
        name = f"'{FIGURES[name].title}'"
    says = PHRASES[job.rule.step].says.format(name=name)
    return f"{bone(job.element)}: {says}" if job.element else says


def counted_first(count: int, phrase: str) -> str:
    """A count and a phrase of which the first word is counted: '12 figures to draw'."""
    noun, _, rest = phrase.partition(" ")
    return f"{counted(count, noun)} {rest}"
