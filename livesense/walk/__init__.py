"""The known-current walk: a supply pushes one current through pairs of motor leads, and the channels answer.

With the drive dead, so that nothing but that current flows. It enters at one lead and leaves at another: one
channel has to read it, one minus it, and one nothing. That proves which channel belongs to which lead, which
way it counts and how much; the same current through two chains in series compares their gains by itself.
"""
