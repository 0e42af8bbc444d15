"""The logbook: one SQLite file that keeps what the converter said.

``writer`` is the recorder's side, ``reader`` everyone else's, ``requests`` the one
narrow way in which a page may ask something of a recorder. Nothing is imported
here, so that reading stays cheap.
"""
