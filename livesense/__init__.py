"""Trustworthy phase-current measurement for three-phase motor drives.

Importing this package loads nothing heavy: ask for the module you need.
"""

__version__ = "0.1.0"
