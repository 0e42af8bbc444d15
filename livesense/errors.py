"""Everything livesense raises on purpose.

::

    LivesenseError
    ├── BenchError (ValueError)     the bench file cannot be used: names file, place, expected, got
    ├── UsageError (ValueError)     a command or a function was asked for something it cannot do
    ├── LinkError (OSError)         a port cannot be opened or was refused
    ├── DescriptionError (ValueError)  what the device says of itself and the bench file do not fit
    └── LogbookError (RuntimeError) a logbook cannot be opened, read or written
        ├── NoLogbookError          the file is something else
        ├── NewerLogbookError       it was written by a newer livesense
        ├── RunNotFoundError (LookupError)  no such run in this logbook
        ├── DamagedBlockError       stored codes do not match their checksum
        ├── LogbookFullError        the logbook has reached the size that its bench file allows
        └── DiskFullError (OSError) the disk is full or its floor is reached; what is written is kept

Corrupt bytes on the line are never an exception: they are counted, as
:class:`livesense.samples.LinkFault`.
A message says what was expected, what was found, and what to do next.
"""


class LivesenseError(Exception):
    """Root of the tree; its text is fit to be shown to a user as it is."""


class BenchError(LivesenseError, ValueError):
    """A bench file cannot be used."""


class UsageError(LivesenseError, ValueError):
    """Something was asked for that cannot be done."""


class LinkError(LivesenseError, OSError):
    """A port cannot be opened, or its address is refused.

    ``trouble`` names what stands in the way, for who can help further: "missing", "permission", "busy",
    "refused", "unknown_host" or "no_answer"; empty for anything else.
    """

    def __init__(self, text: str, trouble: str = "") -> None:
        super().__init__(text)
        self.trouble = trouble


class DescriptionError(LivesenseError, ValueError):
    """The device's description and the bench file do not fit each other."""


class LogbookError(LivesenseError, RuntimeError):
    """A logbook cannot be opened, read or written."""


class NoLogbookError(LogbookError):
    """What was named as a logbook is none: a folder, a text, a database of something else."""


class NewerLogbookError(LogbookError):
    """The logbook's schema is newer than this program."""


class RunNotFoundError(LogbookError, LookupError):
    """The logbook holds no such run."""


class DamagedBlockError(LogbookError):
    """Stored codes do not match their checksum."""


class LogbookFullError(LogbookError):
    """The logbook is as large as it may be; everything written before is kept."""


class DiskFullError(LogbookError, OSError):
    """Nothing more can be written; everything written before is kept."""
