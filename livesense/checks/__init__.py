"""Is the bench wired and scaled as its file says? Pure functions on arrays and chain facts.

:func:`livesense.checks.report.check` runs every detector; docs/check.md tells what each of them sees.
"""
