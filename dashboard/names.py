"""Names that come from devices and bench files, made fit for a figure.

A page shows them as text and needs no care; Plotly reads some markup (``<b>``, links, ``$…$``
and ``%{…}`` templates) in titles, legends and hover texts, so those characters are taken out there.
"""

from __future__ import annotations

import unicodedata

LONGEST_PLOT_TEXT = 64
"""Longer names push a legend off the panel."""

_MARKUP = str.maketrans(dict.fromkeys("<>$&{}`"))


def plot_text(name: str) -> str:
    """Return a name without anything that Plotly would read as markup or as a template."""
    plain = "".join(c for c in name if not unicodedata.category(c).startswith("C"))
    plain = plain.replace("%{", "").translate(_MARKUP).strip()
    if len(plain) > LONGEST_PLOT_TEXT:
        plain = plain[: LONGEST_PLOT_TEXT - 1] + "…"
    return plain or "(no name)"
