"""How the tests are run: in CI the same examples each time, elsewhere new ones, so that a run there may find more."""

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")
