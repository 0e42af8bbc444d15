"""Which byte ends the lines of a stream: LF, with or without CR before it, or CR alone."""

from __future__ import annotations


class LineEnds:
    """Makes every line end in LF; the number of bytes stays the same.

    The first line end of the stream tells: a CR that no LF follows means that CR alone ends lines, and then
    each CR counts as LF (an LF beside it makes an empty line, which nobody counts). Else CRs are left alone.
    """

    def __init__(self) -> None:
        self._cr: bool | None = None
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Take bytes as they come; a first CR at the end of a read waits for what follows it."""
        if self._cr is False:
            return data
        if self._cr is None:
            data = self._held + data
            self._held = b""
            cr, lf = data.find(b"\r"), data.find(b"\n")
            if 0 <= lf and not 0 <= cr < lf:
                self._cr = False
                return data
            if cr < 0:
                return data
            if cr == len(data) - 1:
                self._held = b"\r"
                return data[:-1]
            self._cr = lf != cr + 1
            if not self._cr:
                return data
        return data.replace(b"\r", b"\n")

    def finish(self) -> bytes:
        """Give what waited: a CR at the very end did end a line."""
        held, self._held = self._held, b""
        return b"\n" if held else b""
