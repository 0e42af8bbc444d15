"""A straight line through figures over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

DAY_S = 86_400.0
FEWEST = 3


def slope_per_day(points: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """Fit a line by least squares; its slope per day, with the standard uncertainty by the points' scatter.

    Systematic errors that all points share are not in it: they move the line, not its slope. None with fewer
    than three points, or all at one time (closed form of simple linear regression).
    """
    if len(points) < FEWEST:
        return None
    days = [datetime.fromisoformat(point["at"]).timestamp() / DAY_S for point in points]
    values = [point["figure"]["value"] for point in points]
    count = len(points)
    mean_day, mean = math.fsum(days) / count, math.fsum(values) / count
    spread = math.fsum((day - mean_day) ** 2 for day in days)
    if spread <= 0:
        return None
    slope = math.fsum((d - mean_day) * (v - mean) for d, v in zip(days, values, strict=True)) / spread
    left = math.fsum((v - mean - slope * (d - mean_day)) ** 2 for d, v in zip(days, values, strict=True))
    u = math.sqrt(left / (count - 2) / spread)
    return {"value": slope, "u": u, "unit": f"{points[0]['figure']['unit']}/d".lstrip("/")}
