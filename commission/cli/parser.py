"""The words of the command line."""

from __future__ import annotations

import argparse
from pathlib import Path

from commission import __version__
from commission.model import AS_FOUND

_DESCRIPTION = """Guides the commissioning of a home cinema: levels, distances, every seat, before and after, on record.

Without a command: choose a recent job, start a new one or open the rehearsal. With a job file: open it."""


def build_parser() -> argparse.ArgumentParser:
    """The whole parser; every command has a help text with an example."""
    parser = argparse.ArgumentParser(
        prog="commission",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="commission [JOB.commission] | commission COMMAND …",
    )
    parser.add_argument("--version", action="version", version=f"commission {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, summary: str, example: str) -> argparse.ArgumentParser:
        return commands.add_parser(
            name,
            help=summary,
            description=summary[0].upper() + summary[1:] + ".",
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    def job_argument(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("job", type=Path, metavar="JOB", help="the job file, such as harbour-lane.commission")

    sub = command("open", "open a job in the terminal", "commission open harbour-lane.commission")
    sub.add_argument("job", type=Path, nargs="?", metavar="JOB", help="the job file; without it: choose one")

    sub = command("demo", "copy the sample job to this folder, never overwriting, and open it", "commission demo")
    sub.add_argument("--text", action="store_true", help="print its results as text instead of opening it")

    sub = command("new", "make a job file from a job definition", "commission new loft.commission --from loft.toml")
    job_argument(sub)
    sub.add_argument("--from", dest="definition", type=Path, required=True, metavar="FILE.toml")

    sub = command(
        "import",
        "store measured responses: WAV, FLAC or text files, folders, one by one or by a mapping",
        "commission import loft.commission sweeps/ --round as-found --dry-run",
    )
    job_argument(sub)
    sub.add_argument("paths", type=Path, nargs="*", metavar="PATH", help="files and folders")
    sub.add_argument("--round", metavar="ROUND", help=f"{AS_FOUND}, as-left or an interim round of your own name")
    sub.add_argument("--map", dest="mapping", type=Path, metavar="MAP.csv", help="file,round,channel,seat,kind")
    sub.add_argument("--stimulus", type=Path, metavar="WAV", help="the sweep that was played, for raw recordings")
    sub.add_argument("--no-delays", action="store_true", help="the sweeps did not pass the processor's delays")
    sub.add_argument("--no-common-clock", action="store_true", help="the files share no origin of time")
    sub.add_argument("--dry-run", action="store_true", help="show where everything would go and store nothing")

    sub = command(
        "results", "print everything computed, as text or JSON", "commission results loft.commission --json"
    )
    job_argument(sub)
    sub.add_argument("--json", action="store_true", help="the stable form for other programs")
    sub.add_argument("--round", metavar="ROUND", help="only this round (text only)")

    sub = command(
        "sheet", "list exactly what to type into the processor", "commission sheet loft.commission -o sheet.csv"
    )
    job_argument(sub)
    sub.add_argument("-o", "--output", type=Path, metavar="OUT.csv", help="write it as CSV instead of text")

    sub = command("record", "write the commissioning record", "commission record loft.commission -o loft-record.json")
    job_argument(sub)
    sub.add_argument("-o", "--output", type=Path, required=True, metavar="OUT.json|.csv")

    sub = command("verify", "check the chain of the log and every recording", "commission verify loft.commission")
    job_argument(sub)

    sub = command(
        "signals",
        "write test signals for a player that is not this laptop",
        "commission signals loft.commission -o signals/",
    )
    job_argument(sub)
    sub.add_argument("-o", "--output", type=Path, required=True, metavar="DIR")

    sub = command(
        "rehearse", "make a practice job with a simulated room and faults to find", "commission rehearse --seed 7"
    )
    sub.add_argument("--seed", type=int, default=1, metavar="N", help="which room; the same number, the same room")
    sub.add_argument("-o", "--output", type=Path, default=Path(), metavar="DIR", help="folder (default: this one)")
    sub.add_argument("--measure", action="store_true", help="also measure every channel at every seat, as found")
    sub.add_argument("--text", action="store_true", help="do not open it on the screen")
    return parser
