"""Judging: Evidence in, the verdict of each output with its reason and its chain of links out."""

from canlens.judging.verdict import output_result
from canlens.judging.wrongs import (
    exchanged_with,
    explained_by,
    followed_instead,
    moved_only_on_paper,
    wrongs,
)

__all__ = ["exchanged_with", "explained_by", "followed_instead", "moved_only_on_paper", "output_result", "wrongs"]
