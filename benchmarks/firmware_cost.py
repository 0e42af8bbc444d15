"""What firmware/c/livesense_wire.h takes: bytes of flash and RAM, and the time of a scan.

Run ``python benchmarks/firmware_cost.py``; it prints the table of firmware/README.md. It needs avr-gcc with
avr-libc, arm-none-eabi-gcc, gcc with libsimavr-dev, and qemu-system-arm. Sizes are those of object files, as
compiled with ``-Os``. Time is that of ``livesense_scan``, three channels and 16 scans a packet, its share of
the packet's head, checksum and end included: on an AVR in cycles of an emulated one, on a Cortex-M in
instructions. A real Cortex-M takes more cycles than instructions; its own cycle counter tells how many.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent / "firmware"
KIT = HERE.parents[1] / "firmware"

NEEDED = ("avr-gcc", "arm-none-eabi-gcc", "gcc", "qemu-system-arm")


@dataclass(frozen=True)
class Target:
    """A core, and how its programs are compiled and linked."""

    name: str
    tools: str
    flags: tuple[str, ...]
    linked: tuple[str, ...]
    unit: str

    def compile(self, source: str, to: Path, *options: str) -> Path:
        command = [f"{self.tools}gcc", "-std=c99", "-Os", "-fno-common", f"-I{KIT / 'c'}", *self.flags]
        subprocess.run([*command, *options, "-o", str(to), str(HERE / source)], check=True)
        return to


ARM = ("-mthumb", "-ffreestanding")
BARE = ("-nostdlib", "-T", str(KIT / "examples" / "cortex-m4" / "link.ld"))
TARGETS = (
    Target("Cortex-M4", "arm-none-eabi-", ("-mcpu=cortex-m4", *ARM), BARE, "instructions"),
    Target("Cortex-M0+", "arm-none-eabi-", ("-mcpu=cortex-m0plus", *ARM), BARE, "instructions"),
    Target("ATmega328P", "avr-", ("-mmcu=atmega328p",), (), "cycles"),
)

TABLE = "-DLIVESENSE_CRC_TABLE"


@dataclass(frozen=True)
class Cost:
    """Bytes of flash for scans alone and for all of it; RAM of a batch; mean and longest time of a scan."""

    target: Target
    crc: str
    scans_bytes: int
    all_bytes: int
    batch_bytes: int
    u16: tuple[float, int]
    u12: tuple[float, int]


def size_of(target: Target, object_file: Path) -> tuple[int, int]:
    """Flash (code and constants) and RAM (variables) of an object file."""
    printed = subprocess.run(
        [f"{target.tools}size", str(object_file)], check=True, capture_output=True, text=True
    )
    text, data, bss = map(int, printed.stdout.splitlines()[1].split()[:3])
    # The only variable is the batch; on an AVR the table of the CRC lies in RAM, and in flash too.
    return text + data, data + bss


def run(target: Target, elf: Path, folder: Path) -> tuple[float, int]:
    """Mean and longest time of a scan."""
    if target.tools == "avr-":
        command = [str(folder / "avr_host"), str(elf)]
    else:
        command = ["qemu-system-arm", "-M", "netduinoplus2", "-kernel", str(elf), "-display", "none"]
        command += ["-monitor", "none", "-serial", "none", "-icount", "shift=0"]
        command += ["-semihosting-config", "enable=on,target=native"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    printed = ran.stdout if target.tools == "avr-" else ran.stderr  # where QEMU writes a guest's letters
    scans, total, longest = map(int, printed.splitlines()[-1].split())
    return total / scans, longest


def measure(target: Target, crc: str, folder: Path) -> Cost:
    options = [TABLE] if crc == "table" else []

    def size(*more: str) -> tuple[int, int]:
        object_file = target.compile("all.c", folder / "all.o", "-c", "-DCODE=LIVESENSE_U16", *options, *more)
        return size_of(target, object_file)

    def time(code: str) -> tuple[float, int]:
        elf = target.compile("cost.c", folder / "cost.elf", f"-DCODE={code}", *options, *target.linked)
        return run(target, elf, folder)

    scans, batch = size("-DSCANS_ONLY")
    return Cost(target, crc, scans, size()[0], batch, time("LIVESENSE_U16"), time("LIVESENSE_U12"))


def row(cost: Cost) -> str:
    times = [f"{mean:.0f} ({longest})" for mean, longest in (cost.u16, cost.u12)]
    cells = [
        cost.target.name,
        cost.crc,
        cost.scans_bytes,
        cost.all_bytes,
        cost.batch_bytes,
        *times,
        cost.target.unit,
    ]
    return "| " + " | ".join(map(str, cells)) + " |"


HEAD = """\
| core | CRC | flash, scans | flash, all | RAM, a batch | `u16` scan, mean (longest) | `u12` scan | in |
|---|---|---|---|---|---|---|---|"""


def costs() -> list[Cost]:
    """Measure all of it. CalledProcessError or FileNotFoundError where something is missing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        host = ["gcc", "-O2", "-o", str(folder / "avr_host"), str(HERE / "avr_host.c"), "-lsimavr"]
        subprocess.run(host, check=True)
        return [
            measure(target, crc, folder)
            for target in TARGETS
            for crc in ("shifts", "table")
            if (target.tools, crc) != ("avr-", "table")
        ]


def main() -> None:
    argparse.ArgumentParser(description=__doc__).parse_args()
    missing = [name for name in NEEDED if shutil.which(name) is None]
    if missing:
        raise SystemExit(f"expected {', '.join(NEEDED)}; not there: {', '.join(missing)}")
    print(HEAD)
    for cost in costs():
        print(row(cost))


if __name__ == "__main__":
    main()
