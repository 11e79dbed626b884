"""`python -m calibration.real`."""

import os
import sys

os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"))

from calibration.real.command import main  # noqa: E402  (threads are read once, when numpy is imported)

if __name__ == "__main__":
    sys.exit(main())
