"""How nodes send, what they add to a payload, and how a weak supply lets them down."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from canlens.plan import Rule
from canlens.rehearsal.batches import checksum
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.feed import Sag, draw_restarts
from canlens.rehearsal.install import Habit
from canlens.rehearsal.output_model import OutputModel
from canlens.rehearsal.timeline import from_spans


def test_the_crc_has_the_check_value_of_the_catalogue() -> None:
    # Catalogue of parametrised CRC algorithms: CRC-8/SAE-J1850, check 0x4B over "123456789"
    digits = np.frombuffer(b"123456789", np.uint8)[np.newaxis]
    assert checksum(digits, "MessageCrc").tolist() == [0x4B]
    assert checksum(digits, "Checksum").tolist() == [0x31]  # "1" to "8" cancel to 8, 8 xor "9" is "1"


def test_frames_of_a_node_without_contact_are_not_heard() -> None:
    habit = Habit(absent=((1.0, 2.0),), restarts=((3.0, 3.5),))
    assert habit.is_heard(np.array([0.9, 1.0, 1.9, 2.0, 3.2, 3.5])).tolist() == [True, False, False, True, False, True]


def test_a_restart_lets_counting_begin_anew() -> None:
    habit = Habit(restarts=((1.0, 2.0), (4.0, 4.5)))
    assert habit.age(np.array([0.0, 0.5, 2.0, 2.5, 3.0, 4.5, 5.0])).tolist() == [-1, -1, 0, 1, 2, 0, 1]


def test_a_sagging_supply_restarts_the_controller_again_and_again() -> None:
    sag = Sag("pump", 5.0, 0.1, 1.0)
    dead = draw_restarts(sag, [(10.0, 14.0)], Draws(1, "test"))
    assert len(dead) >= 3
    assert 10.05 < dead[0][0] < 10.15
    assert all(before[1] < after[0] for before, after in pairwise(dead))
    assert draw_restarts(Sag("pump", 5.0, 0.1, 0.0), [(10.0, 14.0)], Draws(1, "test")) == ()


def test_outputs_are_off_while_the_controller_is_dead_and_forget_their_run_on() -> None:
    model = OutputModel(Rule.of("key"), load_a=1.0, latency_s=(0.01, 0.01), run_on_s=5.0)
    seen = {"key": from_spans([(1.0, 10.0)])}
    course = model.run(seen, end_s=30.0, draws=Draws(1, "test"), dead=((3.0, 4.0), (12.0, 12.5)))
    spans = [(round(start, 2), round(stop, 2)) for start, stop in course.lit.spans(30.0)]
    assert spans == [(1.01, 3.0), (4.01, 12.0)]
