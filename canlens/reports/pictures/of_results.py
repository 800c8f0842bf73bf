"""Pictures of each kind of result, in the order in which a page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.picturing import drawn_recording
from canlens.reports.characters import visible
from canlens.reports.pictures.time_line import time_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.checkup import Checkup
    from canlens.picture_evidence import DrawnRecording
    from canlens.reports.pictures.picture import Picture


def check_pictures(checkup: Checkup, drawn: Sequence[DrawnRecording] = ()) -> tuple[Picture, ...]:
    """Draw a job: one time line and one picture of latencies for each recording.

    Parameters
    ----------
    checkup
        What was found.
    drawn
        What the pictures show, one for each recording, see :func:`canlens.measures.picturing.drawn_recordings`. Where
        it is not given, it is made from the evidence alone: then there are no currents, supply and load.
    """
    shown = tuple(drawn) or tuple(drawn_recording(each) for each in checkup.evidence)
    several = len(shown) > 1
    pictures: list[Picture] = []
    for number, own in enumerate(shown):
        suffix = f"-{number + 1}" if several else ""
        file = checkup.result.recordings[number].file
        which = f" – recording {number + 1}: {visible(file)}" if several else ""
        pictures.append(time_line(own, name=f"time-line{suffix}", title=f"What happened when{which}"))
    return tuple(pictures)
