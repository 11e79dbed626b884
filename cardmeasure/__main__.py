"""`python -m cardmeasure` is the command line."""

from __future__ import annotations

import sys

from cardmeasure.cli import main

if __name__ == "__main__":
    sys.exit(main())
