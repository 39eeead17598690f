"""The reader's questions, in the order of the page."""

from __future__ import annotations

__all__ = ["QUESTIONS"]

# Title of each by the word that stands for it. The first is asked of all elements side by side,
# the others of each element by itself.
QUESTIONS: dict[str, str] = {
    "data": "Can the data be trusted?",
    "membership": "Does it belong to a known taxon?",
    "space": "Shape space",
    "growth": "Only a growth stage?",
    "differs": "Where does it differ, and by how much?",
    "sure": "How sure is that?",
    "groups": "Do the known taxa differ?",
}
