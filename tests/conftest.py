"""Limit the numeric libraries to one thread before they are loaded, as the command line does.

No test depends on time, since the machine may be busy: hypothesis has no deadline.
"""

import os

from hypothesis import HealthCheck, settings

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(name, "1")

settings.register_profile("glasswright", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("glasswright")
