"""The parser of the command line, with the help of every command."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

from commission import __version__
from commission.model import AS_FOUND, AS_LEFT

_DESCRIPTION = """Guides you through the commissioning of a home cinema: levels, distances and
every seat, before and after, with a record.

Without a command: choose a recent job, start a new one or open the rehearsal.
With a job file: open it."""
_EXIT_CODES = """exit codes:
  0  done
  1  completed with a negative result: files that could not be imported, a
     broken log, times in the log that cannot be right, a record that is
     not confirmed; or stopped by you
  2  wrong usage, or a file that cannot be used

Data goes to standard output, messages to standard error.
`commission COMMAND --help` shows details and an example."""

WIDTH = 78
"""The width of the parser's own paragraphs on a terminal of 80 columns."""

_Command = Callable[[str, str, str], argparse.ArgumentParser]
"""(name, what it does, example) → its parser."""


class _Parser(argparse.ArgumentParser):
    """A parser that accepts positional words after options: `import JOB --round as-found a.wav --dry-run b.wav`.

    Subparsers are run by `parse_known_args`, which looks for all paths in one place.
    """

    _parsing = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """Parse with the words in any order."""
        if self._parsing:
            return super().parse_known_args(args, namespace)
        self._parsing = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._parsing = False


def build_parser() -> argparse.ArgumentParser:
    """The whole parser; every command has a help text with an example."""
    parser = argparse.ArgumentParser(
        prog="commission",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="commission [JOB.commission]\n       commission COMMAND ...",
        epilog=_EXIT_CODES,
    )
    parser.add_argument("--version", action="version", version=f"commission {__version__}")
    commands = parser.add_subparsers(
        title="commands",
        dest="command",
        metavar="COMMAND",
        prog="commission",
        required=True,
        parser_class=_Parser,
    )

    def command(name: str, summary: str, example: str) -> argparse.ArgumentParser:
        return commands.add_parser(
            name,
            help=summary,
            description=textwrap.fill(f"{summary[0].upper()}{summary[1:]}.", WIDTH),
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    _opening(command)
    _storing(command)
    _reading(command)
    _deciding(command)
    _recording(command)
    _practising(command)
    return parser


def _job(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("job", type=Path, metavar="JOB", help="the job file, such as harbour-lane.commission")


def _opening(command: _Command) -> None:
    sub = command("open", "open a job in the terminal", "commission open harbour-lane.commission")
    sub.add_argument("job", type=Path, nargs="?", metavar="JOB", help="the job file; without it: choose one")

    sub = command("demo", "make the sample job in this folder, never overwriting, and open it", "commission demo")
    sub.add_argument("--text", action="store_true", help="print its results as text instead of opening it")

    sub = command(
        "new",
        "make a job file from a job definition, or to return to an earlier job",
        "commission new loft.commission --from loft.toml\n"
        "  commission new loft-2027.commission --return-to loft.commission",
    )
    _job(sub)
    origin = sub.add_mutually_exclusive_group(required=True)
    origin.add_argument("--from", dest="definition", type=Path, metavar="FILE.toml", help="the job definition")
    origin.add_argument(
        "--return-to",
        dest="earlier",
        type=Path,
        metavar="JOB.commission",
        help="the job of an earlier visit to the same room, to compare with; it is only read",
    )


def _storing(command: _Command) -> None:
    sub = command(
        "import",
        "store measured responses from WAV, FLAC, AES69 or text files, from folders, or by a mapping",
        "commission import loft.commission sweeps/ --round as-found --dry-run",
    )
    _job(sub)
    sub.add_argument("paths", type=Path, nargs="*", metavar="PATH", help="files and folders")
    sub.add_argument(
        "--round",
        metavar="ROUND",
        help=f"round of the files to which the mapping gives none: {AS_FOUND}, {AS_LEFT} or an interim round",
    )
    sub.add_argument("--new-round", action="store_true", help="begin an interim round that the job does not have yet")
    sub.add_argument(
        "--map", dest="mapping", type=Path, metavar="MAP.csv", help="CSV of file,round,channel,seat,kind"
    )
    sub.add_argument(
        "--stimulus", type=Path, metavar="WAV", help="the sweep that was played, if it is not among the files"
    )
    sub.add_argument(
        "--loopback",
        type=int,
        metavar="N",
        help="channel of each file, from 1, that recorded the played signal itself",
    )
    sub.add_argument("--no-delays", action="store_true", help="the sweeps did not pass the processor's delays")
    sub.add_argument("--no-common-clock", action="store_true", help="the files share no clock")
    sub.add_argument("--dry-run", action="store_true", help="show where everything would go and store nothing")

    sub = command(
        "photo",
        "attach a photograph to a step; it is stored smaller and without location data",
        'commission photo loft.commission rack.jpg --step site --caption "The rack"',
    )
    _job(sub)
    sub.add_argument("photo", type=Path, metavar="PHOTO", help="a JPEG or PNG file; it is not changed")
    sub.add_argument("--step", required=True, metavar="STEP", help="the step that it belongs to, such as site")
    sub.add_argument("--round", metavar="ROUND", help="the round that it shows; default: the whole job")
    sub.add_argument("--caption", default="", metavar="TEXT", help="what it shows")


def _reading(command: _Command) -> None:
    sub = command(
        "results", "print everything computed, as text or JSON", "commission results loft.commission --json"
    )
    _job(sub)
    sub.add_argument("--json", action="store_true", help="the stable form for other programs")
    sub.add_argument("--round", metavar="ROUND", help="only this round (text only)")
    sub.add_argument(
        "--budgets", action="store_true", help="print the sources of each uncertainty, too (JSON always has them)"
    )

    sub = command(
        "sheet", "list exactly what to type into the processor", "commission sheet loft.commission -o sheet.csv"
    )
    _job(sub)
    sub.add_argument("-o", "--output", type=Path, metavar="OUT.csv", help="write it as CSV instead of text")
    sub.add_argument(
        "--applied",
        action="store_true",
        help="also store that every line of the sheet was set in the processor, as settings of the round as left",
    )


def _deciding(command: _Command) -> None:
    sub = command(
        "limits",
        "print the limits of all verdicts, or use your own limits file",
        "commission limits loft.commission --use studio.toml",
    )
    _job(sub)
    sub.add_argument(
        "--use",
        type=Path,
        metavar="FILE.toml",
        help="use the limits in this file from now on; all others keep their defaults",
    )

    sub = command(
        "checklist",
        "print the checklist of the site with its answers, or use your own",
        "commission checklist loft.commission --use studio-checklist.toml",
    )
    _job(sub)
    sub.add_argument("--use", type=Path, metavar="FILE.toml", help="use the checklist in this file from now on")

    sub = command(
        "lip-sync",
        "measure the offset of sound and picture from a recording of flashes and clicks",
        "commission lip-sync loft.commission flashes.wav --light 2",
    )
    _job(sub)
    sub.add_argument("recording", type=Path, metavar="RECORDING", help="WAV or FLAC: microphone and light sensor")
    sub.add_argument(
        "--light", type=int, default=2, metavar="N", help="channel of the light sensor, from 1 (default: 2)"
    )
    sub.add_argument("--round", metavar="ROUND", help="the round that it belongs to; default: the current one")


def _recording(command: _Command) -> None:
    sub = command("record", "write the commissioning record", "commission record loft.commission -o loft-record.pdf")
    _job(sub)
    sub.add_argument(
        "-o",
        "--output",
        type=Path,
        required=True,
        metavar="OUT",
        help="what to write, by its ending: .pdf or .html (the record), .json (results, settings sheet and log), "
        ".csv (every check), .sofa (the responses of a round, AES69)",
    )
    sub.add_argument(
        "--paper", choices=("a4", "us-letter"), help=".pdf and .html: the page (default: by the units of the job)"
    )
    sub.add_argument(
        "--letterhead",
        type=Path,
        metavar="FILE.toml",
        help=".pdf and .html: name, lines and logo of your firm (default: letterhead.toml in your settings folder)",
    )
    sub.add_argument(
        "--round", metavar="ROUND", help=".sofa: the round to write (default: the newest with responses)"
    )

    sub = command(
        "verify",
        "check the chain of the log and every recording, and compare a record with them",
        "commission verify loft.commission --record loft-record.pdf",
    )
    _job(sub)
    sub.add_argument("--record", type=Path, metavar="RECORD", help="a record (.pdf, .html or .json) of this job")


def _practising(command: _Command) -> None:
    sub = command(
        "signals",
        "write test signals for a player that is not this laptop",
        "commission signals loft.commission -o signals/",
    )
    _job(sub)
    sub.add_argument(
        "-o",
        "--output",
        type=Path,
        required=True,
        metavar="DIR",
        help="the folder; it is created if it does not exist",
    )

    sub = command(
        "rehearse", "make a practice job with a simulated room and faults to find", "commission rehearse --seed 7"
    )
    sub.add_argument(
        "--seed", type=int, default=1, metavar="N", help="number of the room; the same number gives the same room"
    )
    sub.add_argument("-o", "--output", type=Path, default=Path(), metavar="DIR", help="folder (default: this one)")
    sub.add_argument("--measure", action="store_true", help="also measure every channel at every seat, as found")
    sub.add_argument("--text", action="store_true", help="do not open it on the screen")
