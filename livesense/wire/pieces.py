"""A stream cut at its delimiters, whatever the reads: what both decoders do before they decode."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Whole:
    """Whole pieces of a stream, each with its delimiter.

    Attributes
    ----------
    first
        One piece whose start may have been missed; empty where there is none.
    too_long
        Whether a piece over the limit ended here; it was dropped, and is to be counted.
    rest
        The other pieces, in order.
    """

    first: bytes
    too_long: bool
    rest: bytes


class Pieces:
    """Takes a stream as it comes and hands on whole pieces.

    Parameters
    ----------
    delimiter
        One byte that ends a piece.
    limit
        Longest unfinished piece that is kept, in bytes.
    midstream
        Whether the stream may begin inside a piece.
    """

    def __init__(self, delimiter: bytes, limit: int, *, midstream: bool = True) -> None:
        self._delimiter = delimiter
        self._limit = limit
        self._joining = midstream
        self._unfinished = bytearray()
        self._too_long = False

    @property
    def kept(self) -> int:
        """Bytes of the unfinished piece that are held."""
        return len(self._unfinished)

    def take(self, data: bytes) -> Whole | None:
        """Take bytes; None while the piece is unfinished."""
        end = data.rfind(self._delimiter) + 1
        if not end:
            self._keep(data)
            return None
        whole = bytes(self._unfinished) + data[:end]
        joining, too_long = self._joining, self._too_long
        self._joining = self._too_long = False
        self._unfinished.clear()
        self._keep(data[end:])
        if not joining and not too_long:
            return Whole(b"", False, whole)
        begin = whole.index(self._delimiter) + 1
        # A piece that may lack its start is not counted, however long it is.
        return Whole(b"" if too_long else whole[:begin], too_long and not joining, whole[begin:])

    def rejoin(self) -> None:
        """Forget the unfinished piece: the stream was interrupted, and may go on inside another."""
        self._unfinished.clear()
        self._too_long = False
        self._joining = True

    def _keep(self, data: bytes) -> None:
        if len(self._unfinished) + len(data) > self._limit:
            self._too_long = True
            self._unfinished.clear()
        else:
            self._unfinished += data
