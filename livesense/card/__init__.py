"""The bench card: what a meter and the ADC must show at the bench, on one page beside the wiring.

:mod:`livesense.card.points` and :mod:`livesense.card.limits` compute, :mod:`livesense.card.content`
words it, and :mod:`livesense.card.as_html` and :mod:`livesense.card.as_pdf` print the same content.
"""
