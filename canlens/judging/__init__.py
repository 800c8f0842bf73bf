"""Judging: Evidence in, the verdict of each output with its reason and its chain of links out."""

from canlens.judging.settling import Exercise, settled_by, telling
from canlens.judging.verdict import output_result
from canlens.judging.wrongs import exchanged_with, explained_by, followed_instead, moved_only_on_paper, wrongs

__all__ = [
    "Exercise",
    "exchanged_with",
    "explained_by",
    "followed_instead",
    "moved_only_on_paper",
    "output_result",
    "settled_by",
    "telling",
    "wrongs",
]
