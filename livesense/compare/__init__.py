"""Two runs, or two chains of one phase, side by side: figures, their differences, what changed."""
