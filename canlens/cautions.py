"""Cautions of the trade, in our words, one for each kind of work that a next step can ask for."""

MEASURE_LIVE = (
    "Keep the fuse in place and the probes insulated; a slip shorts the supply. Vehicle secured, second person at the "
    "controls, hands off airbag circuits (yellow)."
)
HORN = "Warn people nearby and protect your hearing before the horn sounds; check the local code before it is fitted."
STOP_LAMP = (
    "Safety item: the original stop lamp must work by itself. Do not drive until a licensed workshop has seen it work."
)
WIRING = (
    "Battery negative off first and on last; the fuse goes in last. The vehicle maker's manual decides; if in doubt, a "
    "licensed electrician or workshop."
)
OVER_CURRENT = "Never raise a fuse or a limit to make it hold; test over-current only with a fused test load."

PARKED = "Park on level ground with the parking brake set and the wheels chocked. Nobody drives or rides meanwhile."
SECOND_PERSON = "Be two: one operates the controls, the other reads the sheet and watches the recorder."
MOVING = (
    "Keep hands and clothes clear of whatever a control can set moving or heat, and off airbag circuits (yellow). An "
    "engine runs in the open only: exhaust gas kills indoors."
)
LISTEN_ONLY = "The recorder only listens. Never transmit on a vehicle's bus, and never bridge a gateway."
MAKER_DECIDES = (
    "The vehicle maker's manual, the local code and a licensed workshop decide: leave out what they do not allow, and "
    "mark it as skipped."
)


def safety_caution(safety: str | None, otherwise: str) -> str:
    """Return the caution of a safety item, followed by that of the work itself."""
    own = {"horn": HORN, "stop-lamp": STOP_LAMP}.get(safety or "", "")
    return f"{own} {otherwise}".strip()
