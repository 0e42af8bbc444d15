"""The bench files that the page was started with: known by their place in the list, never by a path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livesense import bench as bench_file
from livesense.errors import BenchError, UsageError


@dataclass(frozen=True, slots=True)
class BenchFile:
    """One bench file: where it is, and its number on the page."""

    number: int
    path: Path

    def facts(self) -> dict[str, Any]:
        """Tell its name, its port and what is wrong with it."""
        try:
            bench = bench_file.load(self.path)
        except BenchError as error:
            return {
                "number": self.number,
                "file": self.path.name,
                "name": "",
                "port": None,
                "wrong": str(error),
            }
        return {
            "number": self.number,
            "file": self.path.name,
            "name": bench.name,
            "port": usable_port(bench.link.port),
            "wrong": "",
        }


def usable_port(port: str | None) -> str | None:
    """Port of a bench file, where the page can use it: its own standard input is nobody's port."""
    return None if port is None or port.strip() == "-" else port


class Benches:
    """What `serve --bench` named, and the links that may be used beside the computer's own ports."""

    def __init__(self, paths: Sequence[Path], links: Sequence[str] = ()) -> None:
        self.files = tuple(BenchFile(number, path.absolute()) for number, path in enumerate(paths))
        self.links = tuple(dict.fromkeys(links))

    def file(self, number: Any) -> BenchFile:
        """Find one by its number; UsageError where there is none."""
        if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < len(self.files):
            raise UsageError(
                "expected one of the bench files that the page was started with (serve --bench FILE)"
            )
        return self.files[number]

    def port_of(self) -> dict[str, str]:
        """Port that each bench file names, by its number as text; those that name none are left out."""
        stated = ((file.number, file.facts()["port"]) for file in self.files)
        return {str(number): port for number, port in stated if port}

    def ports(self) -> list[str]:
        """Ports that the bench files and the command line name."""
        stated = [facts["port"] for facts in (file.facts() for file in self.files) if facts["port"]]
        return list(dict.fromkeys([*stated, *self.links]))
