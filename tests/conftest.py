"""What all tests share: one BLAS thread, and random inputs that CI draws alike every time.

The matrices here are small, and threads that fight for two cores cost a hundredfold. A machine that builds must not fail
by the luck of a draw: there the draws are fixed; elsewhere they are new at every run and may find what nobody looked for.
"""

import os

from hypothesis import settings

for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

settings.register_profile("hubtack", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("hubtack")
