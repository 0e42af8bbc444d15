"""Which columns an export has: one a channel, as values in units or as raw codes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.chain import ChannelChain


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a group's table.

    Attributes
    ----------
    name
        Of the channel.
    header
        ``NAME_UNIT``, ``NAME`` where there is no unit, or ``NAME_code``.
    unit
        Of the numbers; empty for codes.
    numbers
        Takes a group's codes ``(n, channels)``, gives ``(n,)``.
    dtype
        Of what ``numbers`` gives.
    decimals
        Numbers are integers times ten to the power of minus this.
    position
        Of the stored column that a value stands for; None for computed channels.
    chain
        The channel's conversion; None where codes are exported.
    """

    name: str
    header: str
    unit: str
    numbers: Callable[[Any], Any]
    dtype: np.dtype[Any]
    decimals: int = 0
    position: int | None = None
    chain: ChannelChain | None = None


def chosen_columns(
    run: RunAnalysis, names: Sequence[str] | None, *, codes: bool
) -> dict[int, tuple[Column, ...]]:
    """Columns of each group that is written.

    Raises
    ------
    UsageError
        for a channel that the run lacks, or where no group is left that has any column.
    """
    columns = {
        group: _code_columns(run, group) if codes else _value_columns(run, group)
        for group in range(len(run.run.groups))
    }
    if names is not None:
        _check_names(run, names, columns, codes=codes)
        columns = {
            group: {name: of_group[name] for name in names if name in of_group}
            for group, of_group in columns.items()
            if any(name in of_group for name in names)
        }
    if not codes:
        columns = _known(run, columns)
    return {group: tuple(of_group.values()) for group, of_group in columns.items()}


def undescribed(run: RunAnalysis) -> list[str]:
    """Names of stored channels that the bench file does not describe: only ``codes`` can export them."""
    missing = []
    for group, info in enumerate(run.run.groups):
        described = {run.chain.column(c.name) for c in run.chain.group_channels(group) if not c.computed}
        missing += [name for position, name in enumerate(info.channels) if position not in described]
    return missing


def _known(run: RunAnalysis, columns: dict[int, dict[str, Column]]) -> dict[int, dict[str, Column]]:
    """Leave out groups of which the bench file knows no channel: they would be indices and times only."""
    known = {group: of_group for group, of_group in columns.items() if of_group}
    if columns and not known:
        stored = ", ".join(name for group in columns for name in run.run.groups[group].channels)
        raise UsageError(
            f"expected channels that the bench file describes, got only {stored}, which it lacks: "
            "--codes writes their raw codes"
        )
    return known


def _code_columns(run: RunAnalysis, group: int) -> dict[str, Column]:
    info = run.run.groups[group]
    columns = {}
    for position, name in enumerate(info.channels):

        def numbers(codes: Any, position: int = position) -> Any:
            return codes[:, position]

        decimals = info.decimals[position] if info.decimals else 0
        columns[name] = Column(name, f"{name}_code", "", numbers, info.code.dtype, decimals, position)
    return columns


def _value_columns(run: RunAnalysis, group: int) -> dict[str, Column]:
    columns = {}
    for channel in run.chain.group_channels(group):

        def numbers(codes: Any, name: str = channel.name) -> Any:
            return run.chain.value(name, codes)

        columns[channel.name] = Column(
            channel.name,
            f"{channel.name}_{channel.unit}" if channel.unit else channel.name,
            channel.unit,
            numbers,
            np.dtype(np.float64),
            position=None if channel.computed else run.chain.column(channel.name),
            chain=channel,
        )
    return columns


def _check_names(
    run: RunAnalysis, names: Sequence[str], columns: dict[int, dict[str, Column]], *, codes: bool
) -> None:
    known = [name for of_group in columns.values() for name in of_group]
    for name in names:
        if name in known:
            continue
        if codes and name in run.chain.channels:
            raise UsageError(f"channel {name!r} is computed and has no codes of its own; leave out --codes")
        stored = [channel for group in run.run.groups for channel in group.channels]
        hint = "; it has no bench entry, so only --codes can export it" if name in stored else ""
        raise UsageError(f"expected channels out of {', '.join(known)}, got {name!r}{hint}")
