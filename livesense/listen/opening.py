"""What to look at when a port cannot be opened, on each system (common practice, no source)."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from livesense.listen.seen import Hint


@dataclass(frozen=True, slots=True)
class Closed:
    """A port that could not be opened.

    Attributes
    ----------
    given
        The port as the user wrote it.
    trouble
        As of :class:`livesense.errors.LinkError`.
    system
        As :data:`sys.platform` has it.
    ports
        What the system lists: names, each with what it says of it.
    group
        The group that owns the port, where the system knows it; ``member`` tells whether the user is in it.
    holders
        Programs that have the port open, as far as that can be seen.
    """

    given: str
    trouble: str
    system: str
    ports: Sequence[tuple[str, str]] = ()
    group: str | None = None
    member: bool = False
    holders: Sequence[str] = ()


def opening_hints(closed: Closed) -> list[Hint]:
    """Give hints for a port that could not be opened; empty where nothing is known beyond the error."""
    text = {
        "missing": _missing,
        "permission": _permission,
        "busy": _busy,
        "refused": _refused,
        "unknown_host": _unknown_host,
        "no_answer": _no_answer,
    }.get(closed.trouble)
    return [] if text is None else [Hint(closed.trouble, text(closed))]


def _missing(closed: Closed) -> str:
    names = [name for name, _ in closed.ports]
    if names:
        listed = ", ".join(f"{name} ({what})" if what else name for name, what in closed.ports)
        near = difflib.get_close_matches(closed.given, names, n=1)
        there = f"There is: {listed}." + (f" Did you mean {near[0]}?" if near else "")
    else:
        there = "The system lists no serial port at all."
    return f"{there} {_missing_on(closed.system)}"


def _missing_on(system: str) -> str:
    if system == "win32":
        return (
            "Look under Ports in the Device Manager: a mark on the board means that its driver is "
            "missing, and another USB socket may give another COM number"
        )
    if system == "darwin":
        return (
            "Names begin with /dev/cu.; a USB-serial chip may need its driver, allowed in the system's "
            "settings. A cable that only charges shows nothing"
        )
    return (
        "`dmesg` tells what the system saw when the board was plugged in: nothing means a cable that only "
        "charges, and a board that was pulled while in use comes back under the next number"
    )


def _permission(closed: Closed) -> str:
    if closed.system == "darwin":
        return (
            "On macOS everybody may open a port: look whether a driver has to be allowed in the system's "
            "settings, and use the name that begins with /dev/cu."
        )
    if closed.system == "win32":
        return "Close the program that has the port, or look at the port's driver in the Device Manager"
    group = closed.group or "dialout"
    if closed.group is None:
        return (
            "`ls -l` of the port names its group, often dialout or uucp: add yourself with "
            "`sudo usermod -aG GROUP $USER`, log out and in again"
        )
    if closed.member:
        return f"You are in the port's group {group}, but its mode lets the group not read: look at `ls -l`"
    return (
        f"The port belongs to the group {group}, and you are not in it: `sudo usermod -aG {group} "
        "$USER`, then log out and in again"
    )


def _busy(closed: Closed) -> str:
    if closed.holders:
        return f"It is open in {', '.join(closed.holders)}: close that first"
    if closed.system == "win32":
        return (
            "Close whatever may have it: a terminal, a flashing tool, another livesense; the task "
            "manager shows one that hangs"
        )
    return (
        f"`lsof {closed.given}` names the program: a terminal, a flashing tool, another livesense. Some "
        "systems look for a modem on a new port and let go of it after half a minute"
    )


def _refused(closed: Closed) -> str:
    return (
        "That computer answers, but nothing listens there: is the sender running, and is this its number "
        f"(given was {closed.given})? `livesense simulate` prints the address it is found at"
    )


def _unknown_host(closed: Closed) -> str:
    return (
        f"The name in {closed.given} is not known here: a typing mistake, another network, or a board "
        "whose name is not told to anybody; its number (such as 192.168.0.20) always works"
    )


def _no_answer(closed: Closed) -> str:
    return f"Nothing answers at {closed.given}: it is off, in another network, or a firewall drops what comes"
