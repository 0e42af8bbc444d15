"""Bytes to scans and back: decoders that do no input or output, and the encoders.

``framed`` and ``text`` decode, ``encode`` makes the same bytes; the wire itself
is described in docs/wire.md.
"""
