"""A logbook and its runs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from livesense.api.arrays import Arrays, Signal
from livesense.api.shown import SHOWN_ROWS, Events, Figures, html_table
from livesense.errors import UsageError
from livesense.samples import Codes
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.chain import ChannelChain


class Run:
    """One run; made by :class:`Logbook`."""

    def __init__(self, analysis: RunAnalysis) -> None:
        self._analysis = analysis

    @property
    def number(self) -> int:
        """Its number in the logbook."""
        return self._analysis.run.row.number

    @property
    def name(self) -> str:
        """As it was called when it was recorded."""
        return self._analysis.run.row.name

    @property
    def state(self) -> str:
        """Tell recording, complete, recovered or failed."""
        return self._analysis.run.row.state

    @property
    def seconds(self) -> float:
        """How long it is."""
        return self._analysis.run.row.seconds

    @property
    def channels(self) -> dict[str, str]:
        """Names of its channels and their units."""
        return {channel.name: channel.unit for channel in self._analysis.channels}

    def arrays(
        self, names: Sequence[str] | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> Arrays:
        """Read channels that were sampled together, all of them at once.

        Parameters
        ----------
        names
            Channels of one group; None: those of the first channel's group.
        from_s, to_s
            Window in seconds of the run, half-open; None: from the beginning, to the end.

        Raises
        ------
        UsageError
            Unknown channels, or channels of several groups: those have other times, so read them apart.
        """
        parts = list(self.pieces(names, from_s, to_s))
        chosen, group = self._chosen(names)
        if not parts:
            return self._arrays(chosen, group, np.zeros(0, np.int64), None)
        scans = np.concatenate([scans for scans, _ in parts])
        return self._arrays(chosen, group, scans, np.concatenate([codes for _, codes in parts]))

    def pieces(
        self, names: Sequence[str] | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> Iterator[tuple[NDArray[np.int64], Codes]]:
        """Read raw codes piece by piece: scan indices ``(n,)`` and the group's codes ``(n, channels)``.

        For runs that are longer than the memory; lost scans are in no piece.
        """
        _, group = self._chosen(names)
        run = self._analysis.run
        for first, codes in run.codes(group, *self._analysis.scans_between(group, from_s, to_s)):
            yield np.arange(first, first + len(codes), dtype=np.int64), codes

    def signal(self, name: str, from_s: float | None = None, to_s: float | None = None) -> Signal:
        """Read one channel over a window, half-open, in seconds of the run."""
        return self.arrays([name], from_s, to_s)[name]

    def __getitem__(self, name: str) -> Signal:
        return self.signal(name)

    def measure(self, from_s: float | None = None, to_s: float | None = None) -> Figures:
        """Figures between two instants, each with its uncertainty."""
        return Figures(self._analysis.measure(from_s, to_s))

    def events(self) -> Events:
        """Events that the rules found."""
        return Events(self._analysis.events())

    def show(self) -> dict[str, Any]:
        """Everything that is known beside the scans: bench file, chain, calibrations, gaps, notes."""
        return self._analysis.show()

    def export(self, path: Path | str, form: str | None = None, **options: Any) -> list[Path]:
        """Write it to files; ``form`` is csv, parquet, comtrade or mdf4, by the suffix where it is None.

        ``options`` are those of :func:`livesense.export.run_export.export_run`: ``codes``, ``names``,
        ``from_s``, ``to_s``, ``replace``.
        """
        from livesense.export.run_export import Format, export_run

        by_suffix = {kind.suffix: kind for kind in Format}
        chosen = by_suffix.get(Path(path).suffix.lower()) if form is None else None
        if form is not None and form in list(Format):
            chosen = Format(form)
        if chosen is None:
            raise UsageError(
                f"export: expected a format out of {', '.join(Format)}, got {form or str(path)!r}"
            )
        done = export_run(self._analysis, Path(path), chosen, **options)
        return [Path(file) for file in done["files"]]

    def _chosen(self, names: Sequence[str] | None) -> tuple[list[str], int]:
        chains = self._analysis.chain.channels
        chosen = list(chains) if names is None else list(names)
        for name in chosen:
            if name not in chains:
                raise UsageError(f"expected channels out of {', '.join(chains)}, got {name!r}")
        if not chosen:
            raise UsageError(f"expected at least one channel out of {', '.join(chains)}, got none")
        group = chains[chosen[0]].group
        if names is None:
            chosen = [name for name in chosen if chains[name].group == group]
        apart = [name for name in chosen if chains[name].group != group]
        if apart:
            raise UsageError(
                f"{', '.join(apart)}: expected channels sampled together with {chosen[0]}, got some of "
                "another group, which have other times; read them apart"
            )
        return chosen, group

    def _arrays(
        self, names: Sequence[str], group: int, scans: NDArray[np.int64], codes: Codes | None
    ) -> Arrays:
        chain = self._analysis.chain
        time_s = self._analysis.run.time_axis(group).time_s(scans) if codes is not None else np.zeros(0)
        rate_hz = self._analysis.rate_at(group, int(scans[0]) if len(scans) else 0)
        signals = {}
        for name in names:
            values = np.zeros(0) if codes is None else chain.value(name, codes)
            clipped = np.zeros(0, np.bool_) if codes is None else chain.clipped(name, codes)
            channel = chain.channels[name]
            signals[name] = Signal(name, channel.unit, time_s, values, scans, clipped, rate_hz, channel)
        return Arrays(time_s, scans, signals)

    def __repr__(self) -> str:
        row = self._analysis.run.row
        named = f" {row.name!r}" if row.name else ""
        what = f"{row.seconds:.6g} s, {row.state}, {counted(row.events, 'event')}"
        return f"<Run {row.number}{named} of {row.bench_name!r}: {what}>"

    def _repr_html_(self) -> str:
        rows = [
            (channel.name, channel.unit, channel.phase or "", _range(channel))
            for channel in self._analysis.channels
        ]
        return html_table(repr(self).strip("<>"), ("channel", "unit", "phase", "range"), rows)


class Logbook:
    """A logbook, opened for reading.

    ``len``, iteration (oldest first), ``book[3]`` and ``book.last`` give its runs. Use it in a ``with``
    block, or :meth:`close` it.

    Raises
    ------
    LogbookError
        No such file, or no logbook.
    """

    def __init__(self, path: Path | str = "livesense.db") -> None:
        from livesense.logbook.reader import Logbook as Reader

        self._reader = Reader(path)

    @property
    def path(self) -> Path:
        """The file."""
        return self._reader.path

    @property
    def last(self) -> Run:
        """The newest run."""
        return self._run("last")

    def __getitem__(self, number: int) -> Run:
        return self._run(number)

    def __iter__(self) -> Iterator[Run]:
        for row in sorted(self._reader.runs(), key=lambda row: row.number):
            yield self._run(row.number)

    def __len__(self) -> int:
        return len(self._reader.runs())

    def runs(self) -> list[dict[str, Any]]:
        """List the runs, newest first, keys as in docs/scripting.md."""
        from livesense.run_list import runs

        return runs(self._reader)

    def close(self) -> None:
        """Let go of the file."""
        self._reader.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _run(self, reference: int | str) -> Run:
        from livesense.analysis import RunAnalysis

        return Run(RunAnalysis(self._reader, reference))

    def __repr__(self) -> str:
        return f"<Logbook {self.path.name}: {counted(len(self), 'run')}>"

    def _repr_html_(self) -> str:
        rows = [
            (
                *(
                    str(run[key])
                    for key in ("run", "name", "bench_name", "started", "seconds", "state", "events")
                ),
            )
            for run in self.runs()[:SHOWN_ROWS]
        ]
        return html_table(
            repr(self).strip("<>"), ("run", "name", "bench", "started", "seconds", "state", "events"), rows
        )


def _range(channel: ChannelChain) -> str:
    return (
        f"{channel.low:.4g} to {channel.high:.4g}" if np.isfinite([channel.low, channel.high]).all() else ""
    )
