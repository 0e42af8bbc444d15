"""Figures from arrays: pure functions, no state, no I/O.

``sine_fit`` finds the line that phase currents share, ``line_start`` finds it roughly and
cheaply, ``basic``, ``harmonics``, ``three_phase``, ``power`` and ``speed`` turn values and
phasors into figures, and ``group.measure_group`` does all of it for channels sampled together.
"""
