"""One BLAS thread: the matrices here are small, and threads that fight for two cores cost a hundredfold."""

import os

for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")
