"""Which scan should follow: finds what is missing where nobody told it."""

from __future__ import annotations


class Arrivals:
    """Counts the scans of one stream."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Start anew, as before the first block."""
        self.next: int | None = None

    def missing(self, first: int, count: int) -> int:
        """Take ``count`` scans from ``first`` on; hand back how many are missing before them.

        Raises
        ------
        ValueError
            When ``first`` lies before the scan that should follow.
        """
        lost = 0 if self.next is None else first - self.next
        if lost < 0:
            raise ValueError(f"first: expected scan {self.next} or later, got {first}")
        self.next = first + count
        return lost

    def gap(self, count: int | None) -> None:
        """Note that so many scans are missing here; None: nobody can count them."""
        if self.next is not None:
            self.next += count or 0
