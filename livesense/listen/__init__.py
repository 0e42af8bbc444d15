"""A look at the line: what each frame, line or record is, and hints when nothing works.

Bytes in, rows and counts out, by the decoders and the timebase that the recorder uses; nothing is
imported here, and nothing in this package opens, prints or knows the time.
"""
