"""Judging: Evidence in, the verdict of each output with its reason and its chain of links out."""

from canlens.judging.deviations import Deviation, Followed, Judged, Kind, deviations, followed, wrongs
from canlens.judging.settling import Exercise, settled_by, telling
from canlens.judging.verdict import output_result

__all__ = [
    "Deviation",
    "Exercise",
    "Followed",
    "Judged",
    "Kind",
    "deviations",
    "followed",
    "output_result",
    "settled_by",
    "telling",
    "wrongs",
]
