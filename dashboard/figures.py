"""Empty figures with their axes; the browser fills them and paints them in the scheme's colours."""

from __future__ import annotations

from typing import Any

MARGIN = {"l": 56, "r": 16, "t": 12, "b": 44}
"""Whole pixels, and no automatic margin: the live canvas lies exactly over these axes."""

CONFIG: Any = {
    "displaylogo": False,
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": False,
    "modeBarButtonsToRemove": [
        "sendChartToCloud", "sendDataToCloud", "editInChartStudio",
        "select2d", "lasso2d", "autoScale2d", "resetScale2d", "toImage",
    ],
}  # fmt: skip


def _axis(title: str) -> dict[str, Any]:
    return {
        "title": {"text": title, "standoff": 8},
        "automargin": False,
        "fixedrange": True,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "showline": False,
    }


def axes(
    x_title: str, y_title: str, x_range: tuple[float, float], y_range: tuple[float, float]
) -> dict[str, Any]:
    """Return a figure without traces."""
    return {
        "data": [],
        "layout": {
            "margin": MARGIN,
            "autosize": True,
            "showlegend": False,
            "hovermode": False,
            "dragmode": False,
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "xaxis": _axis(x_title) | {"range": list(x_range)},
            "yaxis": _axis(y_title) | {"range": list(y_range), "zeroline": True},
        },
    }
