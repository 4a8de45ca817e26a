"""`python -m commission`: the same as the `commission` command."""

import sys

from commission.cli import main

if __name__ == "__main__":
    sys.exit(main())
