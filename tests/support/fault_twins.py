"""Slow, plain twins of the rules on levels, sequences and loads: written from docs/events.md.

Nothing here is shared with the code under test.
"""

from __future__ import annotations

import cmath
import math

import numpy as np


def scans_in(seconds, rate_hz):
    return max(1, math.ceil(seconds * rate_hz - 1e-9))


def slow_faults(rows, gaps, need_rows, need_scans, calm, last):
    """Follow rows (start, stop, level, beyond, held, high) and gaps (at, count, apart).

    Hands back (start, end, peak, peak_scan, alarm, lost, cut_short).
    """
    found, run, high, inside, held, quiet, alarm = [], [], [], None, 0, 0, False
    apart = [at for at, _, far in gaps if far]

    def enough(these):
        return len(these) >= need_rows and sum(stop - start for start, stop, *_ in these) >= need_scans

    def finish(kept, end, cut):
        peak = max(kept, key=lambda r: (r[2], -r[0]))
        upto = end if cut else kept[-1][0]
        lost = sum(count for at, count, _ in gaps if kept[0][0] < at <= upto)
        found.append(
            (kept[0][6] if len(kept[0]) > 6 else kept[0][0], end, peak[2], peak[0], alarm, lost, cut)
        )

    before = None
    for row in rows:
        start, stop, _, beyond, hold, is_high = row[:6]
        if before is not None and any(before <= at <= start for at in apart):
            run, high, quiet = [], [], 0
        before = stop
        high = [*high, row] if beyond and is_high else []
        if inside is None:
            run = [*run, row] if beyond else []
            if enough(run):
                inside, held, quiet, alarm = run, len(run), 0, enough(high)
                run = []
            continue
        inside.append(row)
        if hold:
            held, quiet = len(inside), 0
            alarm = alarm or enough(high)
            continue
        quiet += stop - start
        if quiet >= calm:
            finish(inside[:held], inside[held - 1][1] - 1, False)
            inside = None
    if inside is not None:
        finish(inside, last, True)
    return found


def slow_turns(stretch, level, longest, span):
    """Cut one stretch ``(first, [[u, v, w]])`` into whole cycles: (start, stop, forward, backward)."""
    first, values = stretch
    found, begin, mark, cycles, low = [], None, None, 0, False
    passes, peak, crossed, risen, patience, lost, foot = level, 0.0, None, None, longest, False, None
    for scan, (u, _, w) in enumerate(values, start=first):
        difference = (u - w) / math.sqrt(3)
        if passes > level and scan > crossed + patience:
            # Smaller by far than it was: the last cycle's peak is no measure any more.
            passes, lost, begin, peak = level, True, None, 0.0
        rise = low and difference > passes
        if rise:
            rises = foot + 1
            known = risen is not None and not lost
            patience = math.ceil(1.5 * (rises - risen)) if known else longest
            passes, peak, lost, risen = max(level, 0.3 * peak), 0.0, False, rises
        if rise or (not low and difference < -passes):
            low, crossed = not low, scan
        peak = max(peak, abs(difference))
        foot = scan if difference <= level else foot
        if mark is not None and scan - mark > longest:
            begin = mark = None
        if not rise:
            continue
        if begin is None:
            begin, cycles = rises, 0
        else:
            cycles += 1
            if rises - begin >= span:
                found.append((begin, rises, *_sequences(values[begin - first : rises - first], cycles)))
                begin, cycles = rises, 0
        mark = rises
    return found


def slow_onset(turns, number, values_at):
    """Where an open phase begins: of (start, stop, forward, backward), and the currents of each scan."""
    start, stop, forward, backward = turns[number]
    line = math.sqrt(3) * math.sqrt((forward**2 + backward**2) / 2)
    size = _sizes(start, stop, values_at)
    phase = size.index(min(size))

    def quiet(begin, end):
        at = end
        while at > begin and abs(_free(values_at[at - 1])[phase]) <= 0.08 * line:
            at -= 1
        return at

    onset = quiet(start, stop)
    if onset == start and number and turns[number - 1][1] == start:
        onset = quiet(turns[number - 1][0], start)
    return onset if onset < stop else start


def slow_open(turn, values_at):
    """Tell whether a cycle (start, stop, forward, backward) is none that all three share along one line."""
    start, stop, forward, backward = turn
    if min(forward, backward) <= 0.9 * max(forward, backward):
        return True
    return min(_sizes(start, stop, values_at)) <= 0.08 * math.cos(math.pi / 6) * (forward + backward)


def _sizes(start, stop, values_at):
    """Peaks of the fundamentals of one cycle of the three phases."""
    count, size = stop - start, []
    for phase in range(3):
        rows = [_free(values_at[s])[phase] for s in range(start, stop)]
        size.append(
            2 / count * abs(sum(x * cmath.exp(-2j * math.pi * n / count) for n, x in enumerate(rows)))
        )
    return size


def _free(row):
    """Currents without what all three have in common."""
    mean = sum(row) / 3
    return [x - mean for x in row]


def _sequences(values, cycles):
    a = cmath.exp(2j * math.pi / 3)
    count = len(values)
    one = [
        sum(row[k] * cmath.exp(-2j * math.pi * cycles * n / count) for n, row in enumerate(values))
        for k in range(3)
    ]
    positive = abs(one[0] + a * one[1] + a * a * one[2]) / 3 * 2 / count
    negative = abs(one[0] + a * a * one[1] + a * one[2]) / 3 * 2 / count
    return positive, negative


def slow_levels(stretches, beyond, held, need, calm):
    """Follow one channel scan by scan: (start, end, lost, cut_short)."""
    found, row, seen, end, quiet, after, last = [], [], None, 0, 0, None, None
    for first, values in stretches:
        if after is not None and first != after:
            row, quiet = [], 0
        for scan, value in enumerate(values, start=first):
            last = scan
            if seen is None:
                row = [*row, scan] if beyond(value) else []
                if len(row) >= need:
                    seen, end, quiet = row, scan, 0
                continue
            seen.append(scan)
            if held(value):
                end, quiet = scan, 0
                continue
            quiet += 1
            if quiet >= calm:
                kept = [s for s in seen if s <= end]
                found.append((kept[0], end, end - kept[0] + 1 - len(kept), False))
                seen, row = None, []
        after = first + len(values)
    if seen is not None:
        found.append((seen[0], last, last - seen[0] + 1 - len(seen), True))
    return found


def slow_windows(stretches, size):
    """Cut stretches on whole multiples of ``size``: (start, stop, rows) of those at least half there."""
    found, after, held, start = [], None, [], None
    for first, values in stretches:
        if after is not None and first != after:
            held = []
        for scan, row in enumerate(values, start=first):
            if not held:
                start = scan
            held.append(row)
            if (scan + 1) % size == 0:
                if len(held) > size / 2:
                    found.append((start, scan + 1, np.array(held)))
                held = []
        after = first + len(values)
    return found


def slow_rise(windows, number, limit, stretches):
    """Scan from which the squares of the currents stay above the limit up to a window's end."""
    first, stop, rows = windows[number]

    def rise(begin, values):
        at = len(values)
        while at > 0 and sum(x * x for x in values[at - 1]) / 3 > limit * limit:
            at -= 1
        return begin + at

    found = rise(first, rows)
    if found == first and number:
        begin, end, before = windows[number - 1]
        parted = any(at == first for at, _ in stretches)
        if end == first and not parted:
            return rise(begin, before)
    return found if found < stop else first


def slow_standing(windows, limit, align):
    """Tell of each window whether the vector stands: within 30° of where it stood first."""
    told, anchor, stood, turned = [], None, 0, False
    for start, stop, rows in windows:
        alpha = np.mean([(2 * u - v - w) / 3 for u, v, w in rows])
        beta = np.mean([(v - w) / math.sqrt(3) for _, v, w in rows])
        rms = math.sqrt(np.mean([(u * u + v * v + w * w) / 3 for u, v, w in rows]))
        if rms < 0.2 * limit:
            anchor, stood, turned = None, 0, False
            told.append(False)
            continue
        coherent = math.hypot(alpha, beta) > math.cos(math.radians(30)) * math.sqrt(2) * rms
        angle = math.atan2(beta, alpha)
        if coherent and anchor is not None:
            lean = abs(math.remainder(angle - anchor, 2 * math.pi))
            if lean < math.radians(30):
                stood += stop - start
                told.append(turned or stood > align)
                continue
        turned = turned or anchor is not None or not coherent
        anchor, stood = (angle if coherent else None), stop - start
        told.append(False)
    return told
