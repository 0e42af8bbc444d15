"""Recordings that were made elsewhere, as a file has them: COMTRADE and CSV."""
