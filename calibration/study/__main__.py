"""`python -m calibration.study`."""

import sys

from calibration.study.command import main

if __name__ == "__main__":
    sys.exit(main())
