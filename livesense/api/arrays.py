"""Channels over a window as arrays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import UsageError
from livesense.samples import BoolArray, FloatArray

if TYPE_CHECKING:
    from livesense.chain import ChannelChain


@dataclass(frozen=True, slots=True)
class Signal:
    """One channel over a window: the stored scans, in units; lost ones are not in it.

    Attributes
    ----------
    time_s, values
        ``(n,)`` seconds of the run, and values in ``unit``; NaN where the device sent no number.
    scan
        ``(n,)`` indices, which count lost scans too: a step of more than one is a gap.
    clipped
        ``(n,)`` True where the value stands at an end of what the channel can read.
    """

    name: str
    unit: str
    time_s: FloatArray
    values: FloatArray
    scan: NDArray[np.int64]
    clipped: BoolArray
    rate_hz: float
    chain: ChannelChain = field(repr=False)

    @property
    def u(self) -> FloatArray:
        """Standard uncertainty (k = 1) of each single value, ``(n,)``: systematic parts and rounding.

        Systematic parts are shared by all values: they do not average down, and cancel in differences.
        """
        return np.hypot(self.chain.u_systematic(self.values), self.chain.u_quantisation)

    def __len__(self) -> int:
        return len(self.values)

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Any:
        return np.array(self.values, dtype=dtype) if copy else np.asarray(self.values, dtype=dtype)

    def __repr__(self) -> str:
        if not len(self):
            return f"<Signal {self.name}: no scans>"
        return (
            f"<Signal {self.name} in {self.unit or 'no unit'}: {len(self)} scans, {self.time_s[0]:.9g} s to "
            f"{self.time_s[-1]:.9g} s, {np.nanmin(self.values):.6g} to {np.nanmax(self.values):.6g}>"
        )


@dataclass(frozen=True, slots=True)
class Arrays:
    """Channels of one group over a window: what was sampled together."""

    time_s: FloatArray
    scan: NDArray[np.int64]
    signals: dict[str, Signal]

    def __getitem__(self, name: str) -> Signal:
        return self.signals[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.signals)

    def __len__(self) -> int:
        return len(self.time_s)

    def to_pandas(self) -> Any:
        """Make a ``pandas.DataFrame``: a row a scan by ``time_s``, columns ``scan`` and the channels.

        Raises
        ------
        UsageError
            pandas is not installed.
        """
        try:
            import pandas
        except ImportError as error:
            raise UsageError(
                "to_pandas: expected the library pandas, found no such library; pip install pandas"
            ) from error
        index = pandas.Index(self.time_s, name="time_s")
        columns = {name: signal.values for name, signal in self.signals.items()}
        return pandas.DataFrame({"scan": self.scan, **columns}, index=index)

    def __repr__(self) -> str:
        return f"<Arrays of {', '.join(self.signals)}: {len(self)} scans>"
