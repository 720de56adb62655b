"""How the tests are run: on two workers, the same examples each time in CI, what mostly sleeps begun early.

All files on the real clock go to one worker, one after another, so that they do not disturb each other's time. The
other worker yields the processor to them. Outside CI Hypothesis draws new examples, so that a run there may find more.
"""

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from types import ModuleType
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

from tests.support.real_clock import on_the_real_clock, work_unit
from tests.support.worker_times import WorkerTimes

WORKERS = 2
YIELDS = 10  # the nice value of a worker that began with other tests than those on the real clock
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")
first_test = pytest.StashKey[pytest.Item]()


class ByClock(LoadFileScheduling):
    """Hands out file by file, but all files on the real clock as one."""

    def _split_scope(self, nodeid: str) -> str:
        return work_unit(nodeid)


def pytest_configure(config: pytest.Config) -> None:
    """Let the summary tell how long each worker was busy."""
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(WorkerTimes())


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share out whole runs only: for a few files or one folder a second worker costs more than it saves."""
    return WORKERS if config.args == config.getini("testpaths") else 0


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> ByClock:
    """Return the scheduler; files on the real clock stand first, so its first worker begins with them."""
    return ByClock(config, log)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On a worker, put the files on the real clock first, and of these those last whose work is begun early."""
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: (not on_the_real_clock(item.path), hasattr(getattr(item, "module", None), "begin")))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """With its first test a worker learns whether it has those on the real clock; if not, it yields to them."""
    if first_test not in item.config.stash:
        item.config.stash[first_test] = item
        if hasattr(item.config, "workerinput") and not on_the_real_clock(item.path):
            os.nice(YIELDS)


class Beginnings(dict[str, object]):
    """What the `begin` functions of test files returned, by the file's `__name__`; begun when first asked for."""

    def __init__(self, files: Mapping[str, ModuleType], folder: pytest.TempPathFactory, ends: ExitStack) -> None:
        super().__init__()
        self._files, self._folder, self._ends = files, folder, ends

    def __missing__(self, name: str) -> object:
        self[name] = self._files[name].begin(self._folder.mktemp("early"), self._ends)
        return self[name]


@pytest.fixture(scope="session", autouse=True)
def begun_early(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Mapping[str, object]]:
    """Begin what runs for a minute on the real clock beside all other tests, on the worker that has those files.

    A test file that has a function `begin(folder, ends)` is begun with the session; what it returns is found here
    under the file's `__name__`. `ends` takes what is to be ended with the session.
    """
    modules = {item.module for item in request.session.items if isinstance(item, pytest.Function)}
    files = {module.__name__: module for module in modules if hasattr(module, "begin")}
    here = not hasattr(request.config, "workerinput") or on_the_real_clock(request.config.stash[first_test].path)
    with ExitStack() as ends:
        beginnings = Beginnings(files, tmp_path_factory, ends)
        for name in files if here else ():
            beginnings[name]  # begins it
        yield beginnings
