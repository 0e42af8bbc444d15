"""What shape a current has, by its harmonics: a sine, or the steps of block commutation.

The 120° six-step current (a third of the time none, else a block up or a block down) has h5 = 1/5 and
h7 = 1/7 of the fundamental, no third, and a crest factor of √(3/2) = 1.2247 (Fourier series, closed form).
Ripple and rounded edges make h5 and h7 smaller and the crest larger: the bounds are our own (common
practice, no source).
"""

from __future__ import annotations

from livesense.samples import FloatArray

SINE_THD = 0.05
SIX_STEP_5 = (0.14, 0.24)
SIX_STEP_7 = (0.06, 0.18)
MOST_OF_3 = 0.06
MOST_CREST = 1.45


def shape_of(harmonics: FloatArray, crest: float) -> str | None:
    """Tell "sine", "120° six-step" or None, neither.

    Parameters
    ----------
    harmonics
        ``(H,)`` sizes of harmonics 1 to H, of any one kind.
    crest
        Peak over rms.
    """
    if harmonics.size < 7 or not harmonics[0] > 0:
        return None
    relative = harmonics / harmonics[0]
    if float((relative[1:] ** 2).sum()) <= SINE_THD**2:
        return "sine"
    steps = SIX_STEP_5[0] <= relative[4] <= SIX_STEP_5[1] and SIX_STEP_7[0] <= relative[6] <= SIX_STEP_7[1]
    if steps and relative[2] <= MOST_OF_3 and relative[1] <= MOST_OF_3 and crest <= MOST_CREST:
        return "120° six-step"
    return None
