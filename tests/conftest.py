"""How the tests are run: the same examples each time in CI, and early beginnings for what mostly sleeps.

Outside CI Hypothesis draws new examples, so that a run there may find more.
"""

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack

import pytest
from hypothesis import settings

settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture(scope="session", autouse=True)
def begun_early(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Mapping[str, object]]:
    """Begin what runs for a minute on the real clock beside all other tests.

    A test file that has a function `begin(folder, ends)` is begun with the session; what it returns is found here
    under the file's `__name__`. `ends` takes what is to be ended with the session.
    """
    files = {item.module.__name__: item.module for item in request.session.items if isinstance(item, pytest.Function)}
    with ExitStack() as ends:
        yield {
            name: file.begin(tmp_path_factory.mktemp("early"), ends)
            for name, file in files.items()
            if hasattr(file, "begin")
        }
