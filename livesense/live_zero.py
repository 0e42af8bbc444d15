"""A zero that is asked for while a run is recorded: of its newest seconds, for the runs after it."""

from __future__ import annotations

import time

from livesense.averaging import averages, mean_temperatures, newest_of_run
from livesense.bench import Bench
from livesense.chain import Chain
from livesense.errors import LivesenseError
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.zero_words import LATER, NO_CHANNEL, NONE_KEPT, ONE_SIDED, energised
from livesense.zeroing import bus_left_v, check_zero, judge_zeros, zero_channels, zero_row


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
            return f"{NONE_KEPT}: {NO_CHANNEL}"
        bus_v = bus_left_v(chain, heard)
        checks = {
            name: check_zero(chain.channels[name], average, bus_v)
            for name, average in averages(chain, heard, names).items()
        }
    except LivesenseError as error:
        return f"{NONE_KEPT}: {error}"
    judged = judge_zeros(checks)
    warning = f"; {text}" if (text := energised(bus_v)) else ""
    refused = "; ".join(f"{name} {why}" for name, why in judged.refused.items())
    if not judged.kept:
        return f"{NONE_KEPT}: {refused or ONE_SIDED}{warning}"
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
            for name in judged.kept
        ]
    )
    said = f"zero kept of {', '.join(judged.kept)}; {LATER}, this one goes on as it began"
    one_sided = "; ".join(f"{name}: {c.one_sided}" for name, c in checks.items() if c.one_sided is not None)
    left_out = "; ".join(filter(None, [refused, one_sided]))
    return said + (f"; left out: {left_out}" if left_out else "") + warning
