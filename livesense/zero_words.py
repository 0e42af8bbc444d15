"""What is said to the one who takes zeros, at the terminal and on the page alike."""

from __future__ import annotations

CAUTION = (
    "Take the power off the drive first, and let the motor come to rest. A DC link stays charged after "
    "power-off: prove it dead with a rated meter; a zero that was taken does not prove it. Work by your "
    "local codes. What flows meanwhile is taken for nothing: every later run is wrong by it."
)
OPENING = "Opening the port can reset the board."
"""Said where a port is opened for it; a recorder has it open."""

SURE = "The drive is de-energised and at rest"
ASK_SURE = "Is the drive de-energised and at rest?"
NOT_SURE = "nothing was done: it has to be said first that the drive is de-energised and at rest"

NO_CHANNEL = "the bench file has no current channel with codes: there is no zero to take"
NONE_KEPT = "no zero was kept"
ONE_SIDED = "all of them are one-sided"
LATER = "runs recorded from now on use it"


def energised(bus_v: float | None) -> str:
    """Say what a bus that is not dead does to zeros; nothing where it is dead or not measured."""
    if bus_v is None:
        return ""
    return (
        f"the bus reads {bus_v:.3g} V: it is not de-energised; the zeros hold what the amplifiers let "
        "through of that"
    )
