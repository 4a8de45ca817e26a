"""The `commission` command: the only place that wires screens, files, devices and storage together.

Exit codes: 0 done, 1 completed with a negative result (a broken log, some files not imported), 2 wrong use. Messages go to
stderr, data to stdout.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from pathlib import Path

EXIT_DONE, EXIT_NO, EXIT_USAGE = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    # The matrices are small: extra threads of the linear algebra only wait, at a tenth of a record's processor time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from commission.model.errors import Cancelled, CommissionError

    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except CommissionError as error:
        from commission.model.units import clean_text

        print(f"commission: {clean_text(str(error))}", file=sys.stderr)
        return EXIT_USAGE
    except (KeyboardInterrupt, Cancelled):
        print("commission: stopped; everything stored so far is kept.", file=sys.stderr)
        return EXIT_NO
    except BrokenPipeError:  # the reader of the output closed it; nothing is wrong
        sys.stderr.close()
        return EXIT_DONE
    except OSError as error:
        if sys.flags.dev_mode:
            raise
        from commission.model.units import clean_text

        reason = error.strerror or clean_text(str(error))
        if error.filename is None:
            problem = f"the operating system refuses what the program needs ({reason}). Close other programs"
        else:
            where = clean_text(str(error.filename))[:300]
            problem = f"{where}: {reason}. Check the name, and whether you may read and write there"
        print(f"commission: {problem}. Everything stored so far is kept.", file=sys.stderr)
        return EXIT_USAGE
    except Exception as error:
        if sys.flags.dev_mode:
            raise
        from commission.model.units import clean_text

        found = clean_text(f"{type(error).__name__}: {error}")[:200]
        print(
            f"commission: internal error ({found}). Everything stored so far is kept; "
            "`python -X dev -m commission …` shows details.",
            file=sys.stderr,
        )
        return EXIT_USAGE
    finally:
        gc.enable()


def _run(words: list[str]) -> int:
    """Run the command that the words name, or open the job that they name."""
    from commission.cli.commands import COMMANDS, open_job

    plain = not words or (not words[0].startswith("-") and words[0] not in COMMANDS)
    if plain and len(words) < 2:  # opening a job, the most frequent use, needs no parser
        gc.disable()  # modules are no garbage while they load; the screens enable collection after their first paint
        return open_job(Path(words[0]) if words else None)
    from commission.cli.parser import build_parser

    parsed = build_parser().parse_args(["open", *words] if plain else words)
    return COMMANDS[parsed.command](parsed)
