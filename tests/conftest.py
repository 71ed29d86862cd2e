"""Settings shared by all tests."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile("default", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile(
    "long", deadline=None, max_examples=20_000, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("GCODETOOL_HYPOTHESIS", "default"))
