"""Run the nearest tests against one changed file, in a process of its own.

The process is forked before anything of the project is imported, so that it imports the changed file in place of the
real one and pays only for the project's own imports.
"""

import ast
import contextlib
import importlib.machinery
import io
import os
import signal
import sys
from pathlib import Path
from types import CodeType
from typing import Literal

import pytest

from tests.mutation.changes import Change, changed

Verdict = Literal["killed", "survived", "no test", "timeout"]
# Pytest warns that what was imported before the fork was not rewritten; nothing of the project was.
QUIET = ("-W", "ignore::pytest.PytestAssertRewriteWarning")


def try_change(root: Path, change: Change | None, tests: list[str], patience_s: int) -> Verdict:
    """Return what the tests say of a change, or of the files as they are; a time-out is a kill that is told apart."""
    if not tests:
        return "no test"
    child = os.fork()
    if child == 0:
        signal.alarm(patience_s)
        code = 1
        try:
            code = _run(root, change, tests)
        except BaseException:
            code = 1
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "timeout" if os.WTERMSIG(status) == signal.SIGALRM else "killed"
    return "survived" if os.WEXITSTATUS(status) == 0 else "killed"


def _run(root: Path, change: Change | None, tests: list[str]) -> int:
    if change is not None:
        target = (root / change.path).resolve()
        _put_in_place(target, changed(change, target.read_text()))
    sys.dont_write_bytecode = True
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *QUIET, *(str(root / name) for name in tests)]))


def _put_in_place(target: Path, tree: ast.Module) -> None:
    plain = importlib.machinery.SourceFileLoader.get_code

    def get_code(self: importlib.machinery.SourceFileLoader, fullname: str) -> CodeType | None:
        path = self.get_filename(fullname)
        if Path(path).resolve() == target:
            return compile(tree, path, "exec")
        return plain(self, fullname)

    importlib.machinery.SourceFileLoader.get_code = get_code  # type: ignore[method-assign, assignment]
