"""Tests against one mutant each, in a process forked from one that has loaded and collected them all."""

from __future__ import annotations

import ast
import contextlib
import gc
import os
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType

import pytest

from tests.mutants.loading import EARLY
from tests.mutants.make import Mutant, edits, tree_of

__all__ = ["Fault", "Outcome", "Runner", "assigned", "mutated"]

# A test that takes so many times longer than it should, and a while besides, does not end for the mutant.
LONGER, BESIDES_S = 10.0, 10.0
# Tests are run against one mutant for so long [s of the processor]; by the clock a test may wait so long.
BUDGET_S, WAIT_S = 20.0, 120.0
MOST = 60
NOT_TRIED = ("postgresql", "browser", "benchmarks/", "tests/mutants/")
_KILLED, _LIVES, _BROKEN = range(3)
# What pytest says where tests failed, could not be collected, and where not even `conftest.py` could be loaded.
_OF_PYTEST = {0: _LIVES, 1: _KILLED, 2: _KILLED, 4: _KILLED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is to be tried: a mutant, or a named fault.

    Attributes:
        name: as it is shown.
        module: where it is.
        function: where in it; empty where it stands outside of functions.
        constant: a name of the module's whose value it changes; empty where it changes a function, or the module has to
            be loaded anew.
        tree: gives the module's tree with the fault.
        key: of it as an argument for a process of its own.
        tests: node ids, the likeliest to see it first.
    """

    name: str
    module: str
    function: str
    constant: str = ""
    tree: Callable[[], ast.Module]
    key: str
    tests: Sequence[str]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a fault.

    Attributes:
        killed: whether a test failed with it.
        by: which one, or what else ended it.
        took_s: how long that took [s].
        ran: how many tests were run.
    """

    killed: bool
    by: str
    took_s: float
    ran: int


def mutated(mutant: Mutant) -> ast.Module:
    """The tree of the module with a mutant in it."""
    tree = tree_of(mutant.block.module)
    for number, edit in enumerate(edits(mutant.block.module, tree)):
        if number == mutant.number and edit.texts() == (mutant.old, mutant.new):
            edit.put(edit.node)
            return ast.fix_missing_locations(tree)
    raise ValueError(f"{mutant.block.module} was changed meanwhile: it has no mutant {mutant} any more")


class Runner:
    """Has each fault tried in a process of its own, two at a time.

    Args:
        faults: to be tried.
        durations: of tests without a fault [s].
        at_once: how many processes.
        told: what became of each, as soon as it is known.
    """

    def __init__(
        self,
        faults: Sequence[Fault],
        durations: dict[str, float],
        at_once: int,
        told: Callable[[Fault, Outcome], None],
    ) -> None:
        self._faults = faults
        self._durations = durations
        self._at_once = at_once
        self._told = told
        self._items: dict[str, pytest.Item] = {}
        self._functions: dict[tuple[str, str], list[FunctionType]] = {}
        # Tests that killed, newest last: they are tried first where they touch a fault.
        self._killers: dict[str, None] = {}
        self._sound: dict[str, bool] = {}

    def run(self, folder: Path) -> int:
        """Collect what is needed, and try the faults; gives pytest's exit code."""
        needed = sorted({test.partition("::")[0] for fault in self._faults for test in fault.tests})
        options = [
            "-n",
            "0",
            "-q",
            "-s",
            "--no-header",
            "--no-summary",
            "-o",
            "filterwarnings=error",
            "-p",
            "no:cacheprovider",
        ]
        with contextlib.chdir(folder):
            return int(pytest.main([*options, *needed], plugins=[self]))

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """In the place of pytest's own."""
        self._items = {item.nodeid: item for item in session.items}
        for item in gc.get_objects():
            if type(item) is FunctionType:
                self._functions.setdefault((item.__code__.co_filename, item.__code__.co_qualname), []).append(item)
        gc.collect()
        gc.freeze()
        waiting = list(self._faults)[::-1]
        running: list[_Trial] = []
        while waiting or running:
            while waiting and len(running) < self._at_once:
                running.append(self._begin(waiting.pop(), session))
            ended = _first_ended(running)
            for trial in ended:
                running.remove(trial)
                self._told(trial.fault, self._outcome(trial, session))
        return True

    def _begin(self, fault: Fault, session: pytest.Session) -> _Trial:
        if not fault.function and not fault.constant:
            return _Trial.of_process(fault, fault.tests[:MOST])
        tests = [test for test in fault.tests if test in self._items and self._sound.get(test, True)]
        touching = set(tests)
        first = [test for test in reversed(self._killers) if test in touching][:8]
        order = [self._items[test] for test in dict.fromkeys([*first, *tests])]
        # Here and not in the fork: a module that was changed meanwhile is an error, and no kill.
        tree = fault.tree()
        return _Trial.forked(fault, lambda say: self._tried(fault, order, session, say, tree))

    def _tried(
        self,
        fault: Fault,
        order: list[pytest.Item],
        session: pytest.Session,
        say: Callable[[str], None],
        tree: ast.Module | None = None,
    ) -> int:
        if tree is not None and not self._put(fault, tree):
            return _BROKEN
        seen = _Failures()
        session.config.pluginmanager.register(seen)
        ends = time.process_time() + BUDGET_S
        for item, following in zip(order, [*order[1:], None], strict=False):  # perhaps there is none
            say(item.nodeid)
            most = BESIDES_S + LONGER * self._durations.get(item.nodeid, 0.0)
            signal.setitimer(signal.ITIMER_PROF, most)
            item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
            if seen.failed:
                return _KILLED
            if time.process_time() + resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime > ends:
                break
        return _LIVES

    def _put(self, fault: Fault, tree: ast.Module) -> bool:
        """Put a fault into the functions, or a constant, as they are in memory."""
        if fault.constant:
            return _put_constant(fault, tree)
        path = sys.modules[fault.module].__file__ or ""
        codes = list(_codes(compile(tree, path, "exec", dont_inherit=True)))
        functions = self._functions.get((path, fault.function), [])
        # What a function made when the tool was loaded, as a rule in a list, lives on by itself.
        inner = [(name, made) for (of, name), made in self._functions.items() if of == path]
        made_by_it = [one for name, made in inner if name.startswith(f"{fault.function}.<locals>") for one in made]
        try:
            for function in (*functions, *made_by_it):
                alike = [code for code in codes if _place(code) == _place(function.__code__)]
                if len(alike) == 1:
                    function.__code__ = alike[0]
        except ValueError:  # it holds other variables of what is about it
            return False
        return bool(functions)

    def _outcome(self, trial: _Trial, session: pytest.Session) -> Outcome:
        code = trial.ended()
        if code == _BROKEN:
            trial = _waited(_Trial.of_process(trial.fault, trial.fault.tests[:MOST]))
            code = trial.ended()
        last = trial.said[-1] if trial.said else ""
        took = time.monotonic() - trial.began
        if code < 0 or trial.late:
            return Outcome(killed=True, by=f"time, in {last}", took_s=took, ran=len(trial.said))
        # What ends it outside of a test, as a constant that can't be worked out, is seen without one.
        if code == _KILLED and last in self._items and not self._is_sound(last, session):
            # The test fails without the fault as well: it tells nothing.
            return self._outcome(_waited(self._begin(trial.fault, session)), session)
        if code == _KILLED:
            self._killers.pop(last, None)
            self._killers[last] = None
        return Outcome(killed=code == _KILLED, by=last, took_s=took, ran=len(trial.said))

    def _is_sound(self, test: str, session: pytest.Session) -> bool:
        """Whether a test passes without a fault."""
        if test not in self._sound:
            plain = Fault(name="", module="", function="-", tree=lambda: ast.Module([], []), key="", tests=[test])
            trial = _waited(_Trial.forked(plain, lambda say: self._tried(plain, [self._items[test]], session, say)))
            self._sound[test] = trial.ended() == _LIVES
        return self._sound[test]


class _Failures:
    """Whether any test failed."""

    def __init__(self) -> None:
        self.failed = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.failed = self.failed or report.failed


class _Trial:
    """A process in which tests are run against one fault."""

    def __init__(
        self, fault: Fault, pid: int, said: int, folder: str, process: subprocess.Popen[bytes] | None = None
    ) -> None:
        self.fault = fault
        self.said: list[str] = []
        self.began = time.monotonic()
        self.late = False
        self._heard = self.began
        self._pid = pid
        self._process = process
        self.pipe = said
        self._folder = folder
        self._code: int | None = None
        self._rest = b""

    @classmethod
    def forked(cls, fault: Fault, body: Callable[[Callable[[str], None]], int]) -> _Trial:
        """Run a function in a fork; it says which test it begins."""
        ours, its = os.pipe()
        folder = tempfile.mkdtemp(prefix="mutant-")
        pid = os.fork()
        if pid:
            os.close(its)
            return cls(fault, pid, ours, folder)
        code = _KILLED
        try:
            os.setsid()
            os.close(ours)
            os.environ["PYTEST_DEBUG_TEMPROOT"] = folder
            signal.signal(signal.SIGINT, signal.default_int_handler)
            nowhere = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(nowhere, stream)
            code = body(lambda test: _say(its, test))
        except BaseException:  # noqa: BLE001  whatever a mutant does to a test is a failure of it
            _say(its, f"{traceback.format_exc(limit=-3)!r}")
        finally:
            os._exit(code)

    @classmethod
    def of_process(cls, fault: Fault, tests: Sequence[str]) -> _Trial:
        """Run tests in a new process, in which the module is loaded with the fault."""
        ours, its = os.pipe()
        folder = tempfile.mkdtemp(prefix="mutant-")
        plugins = ["-p", "tests.mutants.altered", "-p", "no:cacheprovider"]
        command = [sys.executable, "-m", "pytest", "-n", "0", "-x", "-q", *plugins, *tests]
        env = {**os.environ, "HOLDZERO_MUTANT": fault.key, "PYTEST_DEBUG_TEMPROOT": folder}
        process = subprocess.Popen(
            command, env=env, stdout=its, stderr=its, stdin=subprocess.DEVNULL, start_new_session=True
        )
        os.close(its)
        return cls(fault, process.pid, ours, folder, process)

    def hear(self) -> bool:
        """Take what it said; whether it has said all."""
        got = os.read(self.pipe, 65536)
        self._heard = time.monotonic()
        *lines, self._rest = (self._rest + got).split(b"\n")
        self.said.extend(line.decode(errors="replace") for line in lines)
        return not got

    def ended(self) -> int:
        """How it ended: what its function gave, less than zero where a signal ended it."""
        if self._code is None:
            if self._process is None:
                self._code = os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])
            else:
                self._code = _OF_PYTEST.get(code := self._process.wait(), code)
                if any(EARLY in line for line in self.said):
                    raise RuntimeError(f"{self.fault.name} was not tried: {EARLY}")
                self.said = [line for line in self.said if line.startswith(("FAILED ", "ERROR ", "E "))] or self.said
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._pid, signal.SIGKILL)
            os.close(self.pipe)
            shutil.rmtree(self._folder, ignore_errors=True)
        return self._code

    def overdue(self) -> bool:
        """Whether it has said nothing for too long; then it is ended."""
        if time.monotonic() - self._heard > WAIT_S:
            self.late = True
            os.killpg(self._pid, signal.SIGKILL)
        return self.late


def _put_constant(fault: Fault, tree: ast.Module) -> bool:
    """Work out a constant anew, and put it wherever a module, of the tool or of its tests, holds it under its name."""
    name, module = fault.constant, sys.modules[fault.module]
    before, names = vars(module)[name], dict(vars(module))
    own = next(item for item in tree.body if assigned(item) == name)
    exec(compile(ast.Module([own], []), str(module.__file__), "exec", dont_inherit=True), names)  # noqa: S102  our own
    for key, other in list(sys.modules.items()):
        if key.partition(".")[0] in ("holdzero", "holdzero_plugins", "tests") and vars(other).get(name) is before:
            setattr(other, name, names[name])
    return True


def assigned(item: ast.stmt) -> str:
    """The one name to which a statement gives a value; empty where it is no such."""
    match item:
        case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
            return name
    return ""


def _say(pipe: int, text: str) -> None:
    os.write(pipe, f"{text}\n".encode())


def _waited(trial: _Trial) -> _Trial:
    while not _first_ended([trial]):
        pass
    return trial


def _first_ended(running: list[_Trial]) -> list[_Trial]:
    """Those of them that have ended; waits for something to happen."""
    ready, _, _ = select.select([trial.pipe for trial in running], [], [], 1.0)
    ended = [trial for trial in running if trial.pipe in ready and trial.hear()]
    return ended + [trial for trial in running if trial not in ended and trial.overdue()]


def _place(code: CodeType) -> tuple[str, int]:
    return code.co_qualname, code.co_firstlineno


def _codes(code: CodeType) -> Iterator[CodeType]:
    for item in code.co_consts:
        if isinstance(item, CodeType):
            yield item
            yield from _codes(item)
