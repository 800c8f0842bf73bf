"""A good DBC damaged in one entry loses that entry, and only it, and says its line."""

from __future__ import annotations

import io
import random
import re
from dataclasses import dataclass
from functools import cache

import cantools.database
from cantools.database.can import Database as ParsedDatabase
from cantools.database.errors import UnsupportedDatabaseFormatError

from canlens.database import Database, read_database

SEED = 20260404
MUTATIONS = 1000
SHARE = 0.95
"""How many of the mutations must be told rightly."""
HEAD = """VERSION "1"

NS_ :
	CM_
	VAL_

BS_:

BU_: Pod Box Lamp
"""
SIGNALS = """ SG_ Horn{n} : 0|2@1+ (1,0) [0|3] "" Box,Lamp
 SG_ Volts{n} : 15|16@0- (0.5,-40) [-10|250.5] "V" Box
 SG_ Flow{n} : 24|32@1- (1,0) [0|0] "l/min" Box
 SG_ Level{n} : 56|8@1+ (0.25,-10) [-10|53.75] "%" Lamp
"""
PAGED = """ SG_ Page{n} M : 0|8@1+ (1,0) [0|0] "" Pod
 SG_ Amps{n} m0 : 8|16@1+ (0.1,0) [0|0] "A" Pod
 SG_ Hours{n} m1 : 8|8@1+ (2,10) [0|520] "h" Pod
"""
MORE = """
BO_TX_BU_ {number} : Box,Pod;

CM_ BO_ {number} "What the message {n} is about";
CM_ SG_ {number} Horn{n} "The horn; two bits";
VAL_ {number} Horn{n} 0 "Released" 1 "Pressed" 2 "Error" 3 "Not available" ;
SIG_VALTYPE_ {number} Flow{n} : 1;
BA_ "GenMsgCycleTime" BO_ {number} {n}0;
"""
ATTRIBUTES = """
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
"""


def good_dbc() -> str:
    """Return a database of six plain messages and two with pages, with everything that can be said of them."""
    blocks, more = [HEAD], [ATTRIBUTES]
    for n in range(1, 7):
        number = 0x100 + n if n % 2 else 0x8CFF0000 + n
        blocks.append(f"BO_ {number} Message{n}: 8 Pod\n{SIGNALS.format(n=n)}")
        more.append(MORE.format(number=number, n=n))
    blocks += [f"BO_ {0x200 + n} Paged{n}: 8 Box\n{PAGED.format(n=n)}" for n in (7, 8)]
    return "\n".join(blocks) + "".join(more)


GOOD = good_dbc()


@cache
def good() -> Database:
    return read_database(io.StringIO(GOOD))


@dataclass(frozen=True)
class Mutation:
    """A damaged file.

    Attributes
    ----------
    text
        The whole file.
    line
        The line that was damaged, 1-based.
    entry
        That line as it was.
    damaged
        That line as it is.
    """

    text: str
    line: int
    entry: str
    damaged: str


def mutation(chance: random.Random) -> Mutation:
    """Damage one entry: signs lost, doubled, replaced or put in, words lost or swapped, the rest cut off."""
    lines = GOOD.split("\n")
    entries = [at for at, line in enumerate(lines) if re.match(r"\s*(BO_|SG_|VAL_|CM_|BA_|SIG_|BU_)", line) and at > 6]
    at = chance.choice(entries)
    entry = lines[at]
    start = len(entry) - len(entry.lstrip())
    place = chance.randrange(start, len(entry))
    words = entry.split(" ")
    first, second = (chance.randrange(start, len(words)) for _ in range(2))
    swapped = list(words)
    swapped[first], swapped[second] = words[second], words[first]
    damaged = chance.choice(
        (
            entry[:place] + entry[place + 1 :],
            entry[:place] + entry[place + chance.randrange(2, 8) :],
            entry[:place] + entry[place] + entry[place:],
            entry[:place] + chance.choice("|@:;,()[]\"#$%°é.-'x7") + entry[place + 1 :],
            entry[:place] + chance.choice("|@:;,()[]\"#$%°é.-'x7") + entry[place:],
            " ".join(words[:first] + words[first + 1 :]),
            " ".join(swapped),
            entry[:place],
        )
    )
    lines[at] = damaged
    return Mutation("\n".join(lines), at + 1, entry, damaged)


def is_refused(text: str) -> bool:
    if re.search(r"^BO_ .*:\s*\d{6}|\d{6}\s*\||\|\s*\d{6}.*@", text, re.MULTILINE):
        return True  # no payload is that long; the parser alone would ask for gigabytes
    try:
        cantools.database.load_string(text, "dbc", strict=False)
    except UnsupportedDatabaseFormatError:
        return True
    return False


def mutations(number: int, seed: int) -> list[Mutation]:
    """Return damaged files, all of which the parser alone refuses as a whole."""
    chance = random.Random(seed)  # noqa: S311 – the same ones every time
    found: list[Mutation] = []
    while len(found) < number:
        drawn = mutation(chance)
        if is_refused(drawn.text):
            found.append(drawn)
    return found


def contents(database: Database) -> dict[str, object]:
    """Return everything that a database says, by what says it: message heads and signals."""
    heads: dict[str, object] = {
        message.name: (message.identifier, message.is_extended, message.length, message.senders, message.cycle_time_s)
        for message in database.messages
    }
    signals = {
        f"{message.name}.{signal.name}": (message.identifier, signal)
        for message in database.messages
        for signal in message.signals
    }
    return {**heads, **signals}


def may_change(drawn: Mutation, path: str) -> bool:
    """Tell whether a head or a signal hangs on the entry that was damaged."""
    owner, _, signal = path.partition(".")
    entry = drawn.entry.strip()
    if entry.startswith("BO_ "):
        return owner == entry.split()[2].rstrip(":")
    if entry.startswith(("BA_DEF_", "BU_")):
        return not signal
    names = re.findall(r"\w+", entry)
    number = next((int(name) for name in names if name.isdecimal()), -1)
    if entry.startswith("SG_"):
        selects = entry.split()[2] == "M"
        return signal == names[1] or (selects and signal[-1:] == names[1][-1:])
    message = good().message(owner)
    own = message is not None and (message.identifier | (message.is_extended << 31)) == number
    return own and (not signal or signal in names)


def complaint(drawn: Mutation) -> str:
    """Return what is wrong with the way a damaged file is read; nothing if all is well."""
    database = read_database(io.StringIO(drawn.text))
    before, after = contents(good()), contents(database)
    lost = [path for path, value in before.items() if after.get(path) != value and not may_change(drawn, path)]
    if lost:
        return f"lost {lost[:3]}"
    lines = {problem.line for problem in database.problems}
    if drawn.line not in lines:
        return f"line {drawn.line} not said, but {sorted(lines)}"
    return ""


def test_a_damaged_entry_is_lost_or_mended_alone_and_its_line_is_said() -> None:
    wrong = [(drawn.damaged, said) for drawn in mutations(MUTATIONS, SEED) if (said := complaint(drawn))]
    assert len(wrong) <= (1 - SHARE) * MUTATIONS, wrong[:20]


def test_the_good_file_has_no_problems() -> None:
    assert not read_database(io.StringIO(GOOD)).problems
    parsed = cantools.database.load_string(GOOD, "dbc", strict=True)
    assert isinstance(parsed, ParsedDatabase)
    assert len(parsed.messages) == len(read_database(io.StringIO(GOOD)).messages)
