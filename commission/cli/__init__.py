"""The `commission` command: the only place that wires screens, files, devices and storage together.

Exit codes: 0 done, 1 the work says no (a broken chain, some files not imported), 2 wrong use. Messages go to stderr,
data to stdout.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

EXIT_DONE, EXIT_NO, EXIT_USAGE = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    from commission.cli.commands import COMMANDS, open_screens
    from commission.cli.parser import build_parser
    from commission.model import Cancelled, CommissionError

    words = list(sys.argv[1:] if argv is None else argv)
    try:
        if not words or (not words[0].startswith("-") and words[0] not in COMMANDS):
            parsed = build_parser().parse_args(["open", *words])
            return open_screens(parsed)
        parsed = build_parser().parse_args(words)
        return COMMANDS[parsed.command](parsed)
    except CommissionError as error:
        print(f"commission: {error}", file=sys.stderr)
        return EXIT_USAGE
    except (KeyboardInterrupt, Cancelled):
        print("commission: stopped; what was stored stays stored.", file=sys.stderr)
        return EXIT_NO
    except BrokenPipeError:  # the reader of our output closed it; nothing is wrong
        sys.stderr.close()
        return EXIT_DONE
