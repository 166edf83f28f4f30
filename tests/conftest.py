"""For every test: linear algebra keeps to one thread, as `process` has it, and no example has a time limit."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# a busy machine is slow and not wrong, so no example fails for the time it takes
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")
