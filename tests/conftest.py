"""How much hypothesis tries: little and the same every time by default, more with ``--hypothesis-profile=thorough``."""

from hypothesis import HealthCheck, settings

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]  # a layout is many small draws

settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True, suppress_health_check=SLOW)
settings.register_profile("thorough", max_examples=2000, deadline=None, suppress_health_check=SLOW)
settings.load_profile("ci")
