"""`python -m calibration.real`."""

import os
import sys

# read once, when numpy is imported
os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"))

from calibration.real.command import main

if __name__ == "__main__":
    sys.exit(main())
