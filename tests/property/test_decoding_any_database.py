"""Whatever is given as a database ends as a Database or as a DatabaseError, and what is kept decodes."""

from __future__ import annotations

import io

from hypothesis import example, given, settings
from hypothesis import strategies as st

from canlens.database import Database, read_database
from canlens.errors import DatabaseError
from canlens.signals import decode
from tests.property.strategies import DrawnMessage, drawn_messages
from tests.recordings import Frame, recording

many = settings(max_examples=200, deadline=None)
HEADS = (
    "BO_ 291 M: 8 A\n",
    "BO_ 2364539904 N: 64 Vector__XXX\n",
    "BO_ 2147483648 O: 0 A\n",
    "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n",
)
SIGNALS = (
    ' SG_ One : 0|8@1+ (1,0) [0|0] "" A\n',
    ' SG_ Two M : 7|600@0- (1e400,-1e400) [0|0] "" A\n',
    ' SG_ Two M : 7|3@0- (0.5,-3) [0|0] "" A\n',
    ' SG_ Three m1M : 8|16@1- (0.5,1) [5|1] "" A\n',
    ' SG_ Four m2 : 500|64@1- (-1,1e99) [0|0] "" A\n',
    ' SG_ One m0 : 12|17@0+ (0,0) [0|0] "" A\n',
    ' SG_ Five : 480|200@1+ (123456789012345678901234567890,7) [0|0] "" A\n',
)
MORE = (
    "SG_MUL_VAL_ 291 Three Two 1-1, 5-99999999999;\n",
    "SG_MUL_VAL_ 291 Two Three 1-1;\n",
    "SG_MUL_VAL_ 291 One Gone 9-3;\n",
    'CM_ SG_ 291 One "BO_ 1 X: 8 A\n SG_ Y : 0|1@1+ (1,0) [0|0]";\n',
    'BA_DEF_ BO_ "GenMsgCycleTime" FLOAT -1 1;\nBA_DEF_DEF_ "GenMsgCycleTime" -1;\n',
    'BA_DEF_ BO_ "GenMsgCycleTime" FLOAT 0 1;\nBA_ "GenMsgCycleTime" BO_ 291 1e999;\n',
    "SIG_VALTYPE_ 291 Three : 1;\n",
    'VAL_ 291 One 1 "a" 0 "b" ;\n',
)
SPOILT = (
    "",
    "",
    "",
    "",
    '"',
    "\ufeff",
    "<",
    "BO_ 4294967295 P: 0 A\n",
    "FormatVersion=6.0 // Do not edit this line!\n",
)


@st.composite
def entries(draw: st.DrawFn) -> str:
    """Draw messages with signals under them, then other entries, and sometimes something in front."""
    text = [draw(st.sampled_from(SPOILT))]
    for head in draw(st.lists(st.sampled_from(HEADS), max_size=3)):
        text += [head, *draw(st.lists(st.sampled_from(SIGNALS), max_size=5))]
    return "".join([*text, *draw(st.lists(st.sampled_from(MORE), max_size=3))])


def use(database: Database) -> None:
    """Decode all that the database knows, from frames of several lengths."""
    for message in database.messages:
        payloads = [b"", b"\x01", bytes(range(8)), b"\xff" * 64]
        frames = [Frame(payload, message.identifier, message.is_extended) for payload in payloads]
        for path, signal in decode(recording(frames), message).items():
            found = database.find(path)
            assert found is not None
            needed = signal.definition.needed_length
            assert all(len(payloads[row]) >= needed for row in signal.rows)
            assert len(signal.raw) == len(signal.value) == len(signal.rows)


def load_or_refuse(source: io.StringIO | io.BytesIO) -> None:
    try:
        database = read_database(source)
    except DatabaseError as error:
        assert error.reason.endswith(".")  # noqa: PT017 – either outcome is right
        return
    use(database)


@many
@given(entries())
@example(HEADS[0] + SIGNALS[0] + MORE[7])
def test_odd_entries_load_or_are_refused(text: str) -> None:
    load_or_refuse(io.StringIO(text))


@many
@given(drawn_messages(), st.data())
def test_a_damaged_database_loads_or_is_refused(message: DrawnMessage, data: st.DataObject) -> None:
    text = message.text()
    at = data.draw(st.integers(0, len(text)))
    upto = data.draw(st.integers(at, min(len(text), at + 20)))
    load_or_refuse(io.StringIO(text[:at] + data.draw(st.text(max_size=6)) + text[upto:]))


@many
@given(st.binary(max_size=200))
def test_any_bytes_load_or_are_refused(content: bytes) -> None:
    load_or_refuse(io.BytesIO(content))
