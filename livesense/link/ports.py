"""Ports that the system lists."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PortRow:
    """One port that the system lists."""

    device: str
    description: str
    usb_id: str | None
    serial_number: str | None
    location: str | None


def list_ports() -> list[PortRow]:
    """Ports of this computer, with what the system knows of each."""
    from serial.tools.list_ports import comports

    return [
        PortRow(
            device=port.device,
            description=port.description if port.description not in {None, "n/a"} else "",
            usb_id=None if port.vid is None else f"{port.vid:04x}:{port.pid:04x}",
            serial_number=port.serial_number,
            location=port.location,
        )
        for port in sorted(comports(), key=lambda port: port.device)
    ]
