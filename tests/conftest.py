"""Common to all tests: how many examples property tests try, and that they try the same ones each time.

`HYPOTHESIS_PROFILE=long` tries new ones, ten times as many; tests/long sets it for itself.
"""

import atexit
import os
import shutil
import tempfile

from hypothesis import HealthCheck, settings

# A shared machine is slow now and then: examples have no time limit of their own, the suite has one.
settings.register_profile(
    "quick", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "long", deadline=None, max_examples=1000, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "quick"))

# What a trip locks and a run holds is kept in the user's state folder: tests have one of their own.
_state = tempfile.mkdtemp(prefix="benchrunner-state-")
atexit.register(shutil.rmtree, _state, True)
os.environ["XDG_STATE_HOME"] = _state
