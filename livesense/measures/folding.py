"""Harmonics above half the scan rate fold back, and may come to lie on the line itself.

Order ``h`` is seen at ``|h*f - m*fs|``. When ``m*fs/f`` is within about 1/window of a whole number,
folded orders fall on fitted ones and no fit can tell them apart. They cannot be measured, but how
steeply the fitted harmonics fall tells how large they may be: currents with edges (six-step) fall
as 1/h, rounded ones so fast that nothing is left to fold.
"""

from __future__ import annotations

import numpy as np

from livesense.samples import FloatArray

_MULTIPLES = np.arange(1, 6)
_SEEN = 4.0


def folded_amplitude(
    amplitude: FloatArray, u_quadrature: FloatArray, scans_per_cycle: float, cycles: float
) -> FloatArray:
    """Amplitude, ``(k,)``, that may have folded onto each fitted order.

    Parameters
    ----------
    amplitude, u_quadrature
        ``(k, H)`` fitted amplitudes and the uncertainty of one component.
    scans_per_cycle, cycles
        Of the fundamental; not whole numbers in general.
    """
    order = amplitude.shape[1]
    top = slice(max(1, (2 * order) // 3 - 1), order)
    h = np.arange(1, order + 1)[top]
    if h.size == 0:
        return np.zeros(amplitude.shape[0])
    # What the highest fitted orders say of C in A = C/h, as far as they stand out of the noise.
    seen = amplitude[:, top] > _SEEN * u_quadrature[:, top]
    fall = np.max(h * amplitude[:, top] * seen, axis=1)
    turns = _MULTIPLES * scans_per_cycle
    away = np.abs(turns - np.rint(turns)) * cycles
    reach = np.minimum(1.0, 1.0 / (np.pi * np.maximum(away, 1e-9)))
    return np.asarray(fall * np.sqrt(np.sum((reach / turns) ** 2)))
