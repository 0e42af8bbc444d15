"""``livesense COMMAND``: finds the command, runs it, and turns errors into one line and an exit code.

Exit codes: 0 done; 1 a check or a question failed; 2 wrong use or a bad bench
file (nothing on standard output, nothing created).
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from livesense import __version__
from livesense.cli.output import let_go_of_the_reader, safe, take_any_text
from livesense.errors import LivesenseError

COMMANDS: dict[str, str] = {
    "demo": "simulated coolant pump, recorder and live page, all at once",
    "ports": "list the serial ports of this computer",
    "identify": "listen to a port and tell what it carries, with a bench file to start from",
    "size": "choose shunt and gain of a current-sense chain",
    "listen": "look at a line frame by frame, with hints, when nothing works",
    "card": "write the bench card, one page to tape to the bench",
    "init": "write a commented bench file to start from",
    "check": "tell whether the bench is wired and scaled as its file says",
    "record": "record from a port into a logbook",
    "serve": "serve the live page of a logbook",
    "runs": "list the runs in a logbook",
    "show": "show what is known of a run",
    "measure": "figures of a run with their uncertainty",
    "stretches": "starts, steady parts, changes and stops of a run, each with what matters",
    "compare": "two runs, or two chains of one phase, side by side",
    "events": "list a run's events",
    "walk": "prove mapping, direction and scale with a known current, before power",
    "zero": "take the zeros of the current channels, with the drive de-energised",
    "calibrate": "calibrate channels against a reference meter, point by point",
    "rescale": "give a run that is over a corrected chain, as a revision that can be undone",
    "report": "write the report of a run, one file to hand over, with pass and fail",
    "export": "write a run's scans as CSV, Parquet, COMTRADE or MDF 4, or all runs as a dataset",
    "import": "take a COMTRADE or CSV recording in as a run",
    "archive": "ask all runs of a dataset: their sums, events, and how a figure goes on",
    "verify": "tell whether a logbook is sound, and what is wrong where",
    "copy": "copy a run into a logbook of its own, a file to mail, or into another logbook",
    "delete": "delete runs that are over",
    "compact": "give the space of deleted runs back to the system",
    "replay": "send a recorded run once more, on a TCP port, a pty or into a file, as its device did",
    "simulate": "play a simulated motor, drive and board on a TCP port, a pty or into a file",
}

MODULES = {"import": "import_file"}
"""Where a command's module cannot have its name."""

CAUTION = (
    "livesense listens and measures. It is not a protective device, and a healthy reading does not prove "
    "a circuit dead. Work on drives by your local codes and with qualified people."
)


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one message on standard error and exits with 2."""

    def error(self, message: str) -> NoReturn:
        """Exit with 2; the message names the command and where help is."""
        words = self.prog.split()
        if message.endswith("expected one argument"):
            option = message.split(":")[0].split()[-1]
            message += f" (one that begins with a hyphen is written {option}=-…)"
        if message.startswith("unrecognized arguments: ") and message.endswith(".db"):
            message += f"; name a logbook with --logbook {message.split()[-1]}"
        print(
            f"{': '.join(words)}: {message}; see `{self.prog} --help`",
            file=sys.stderr,
        )
        raise SystemExit(2)


def _main_parser() -> Parser:
    width = max(map(len, COMMANDS))
    listing = "\n".join(f"  {name:<{width}}  {text}" for name, text in COMMANDS.items())
    parser = Parser(
        prog="livesense",
        description="Phase currents of three-phase motor drives: from raw ADC codes to figures with ±.",
        epilog=f"commands:\n{listing}\n\n`livesense COMMAND --help` tells more of each.\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"livesense {__version__}")
    parser.add_argument("command", metavar="COMMAND", help="what to do (below)")
    parser.add_argument("arguments", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    for library in ("OPENBLAS", "MKL", "VECLIB", "OMP"):
        # Before numpy is loaded: for matrices as small as ours several threads only get in each other's way.
        key = f"{library}_MAXIMUM_THREADS" if library == "VECLIB" else f"{library}_NUM_THREADS"
        os.environ.setdefault(key, "1")
    take_any_text()
    parser = _main_parser()
    if not given:
        parser.print_help()
        return 0
    main_arguments = parser.parse_args(given)
    name = main_arguments.command
    if name not in COMMANDS:
        import difflib

        near = difflib.get_close_matches(name, COMMANDS, n=1)
        parser.error(f"there is no command {name!r}" + (f"; did you mean {near[0]!r}?" if near else ""))
    # `import` is a word of Python itself.
    command = importlib.import_module(f"livesense.cli.{MODULES.get(name, name)}")
    summary = COMMANDS[name]
    command_parser = Parser(prog=f"livesense {name}", description=f"{summary[:1].upper()}{summary[1:]}.")
    command.add_arguments(command_parser)
    code = 0
    try:
        code = int(command.run(command_parser.parse_args(main_arguments.arguments)))
        sys.stdout.flush()
    except LivesenseError as error:
        return complain(error)
    except BrokenPipeError:
        # The reader of a pipe (head, less) went away: an ordinary end, but Python would complain at exit.
        let_go_of_the_reader()
        return code
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        # A defect of ours: the user gets one line, and a developer the way to the rest.
        if os.environ.get("LIVESENSE_TRACEBACK"):
            raise
        print(
            f"livesense: {name}: something went wrong inside livesense ({error!r}); nothing recorded is "
            "touched by this. Please report it with what LIVESENSE_TRACEBACK=1 in the environment shows",
            file=sys.stderr,
        )
        return 1
    return code


def complain(error: LivesenseError) -> int:
    """Print an error for the user; returns the exit code that fits it."""
    from livesense.errors import BenchError, NewerLogbookError, NoLogbookError, UsageError

    print(f"livesense: {safe(str(error))}", file=sys.stderr)
    wrong_use = BenchError | UsageError | NoLogbookError | NewerLogbookError
    return 2 if isinstance(error, wrong_use) else 1


if __name__ == "__main__":
    raise SystemExit(main())
