"""A zero that is asked for while a run is recorded: of its newest seconds, for the runs after it."""

from __future__ import annotations

import time

from livesense.averaging import averages, mean_temperatures, newest_of_run
from livesense.bench import Bench
from livesense.chain import Chain
from livesense.errors import LivesenseError
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.zeroing import bus_left_v, check_zero, zero_channels, zero_row


def zero_of_run(writer: LogbookWriter, bench: Bench, number: int) -> str:
    """Take the zeros of a run's newest two seconds by the rules of `livesense zero`; say what came of it.

    Everything is kept or nothing, but for one-sided zeros and the current of a bus that is on.
    """
    try:
        with Logbook(writer.path) as book:
            heard = newest_of_run(book, number)
            device = book.run(number).row.device
        chain = Chain(bench, heard.groups)
        names = zero_channels(chain)
        if not names:
            return "no zero was kept: the bench file has no current channel with codes"
        bus_v = bus_left_v(chain, heard)
        checks = {
            name: check_zero(chain.channels[name], average, bus_v)
            for name, average in averages(chain, heard, names).items()
        }
    except LivesenseError as error:
        return f"no zero was kept: {error}"
    stops = [
        f"{name} {c.moves or c.far}"
        for name, c in checks.items()
        if c.moves or (c.far and c.channel.phase != "bus")
    ]
    if stops:
        return "no zero was kept: " + "; ".join(stops)
    kept = [name for name, c in checks.items() if c.one_sided is None and c.far is None]
    if not kept:
        return "no zero was kept: " + "; ".join(f"{n} {c.one_sided or c.far}" for n, c in checks.items())
    temperatures = mean_temperatures(chain, heard)
    writer.add_calibrations(
        [
            zero_row(
                bench,
                name,
                checks[name],
                wall_s=time.time(),
                device=device,
                temperatures=temperatures,
                reason="",
            )
            for name in kept
        ]
    )
    left_out = [name for name in names if name not in kept]
    said = f"zero kept of {', '.join(kept)}; runs recorded from now on use it, this one goes on as it began"
    return said + (f"; left out: {', '.join(left_out)}" if left_out else "")
