"""A plugin of pytest that writes down which test runs which statements of the covered modules.

`PYTEST_PLUGINS=tests.mutants.mapping python -m pytest`: every list of statements in a function sets a mark of its own
when it is run, which costs a few nanoseconds. What a shared fixture runs counts for every test that asks for it.
Each process writes a file of its own into `.mutants/map/`.
"""

from __future__ import annotations

import ast
import json
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.mutants.loading import load_changed
from tests.mutants.make import blocks_of, covered

FOLDER = Path(__file__).parent.parent.parent / ".mutants"
MAP = FOLDER / "map"
# Set where some tests are mapped anew, and the map of the others is kept.
ADDED = "HOLDZERO_MAP_ADDED"
_MARKS = "_marks_of_tests"


class Mapper:
    """Marks of blocks, and which of them each test set."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self._marks = bytearray()
        self._tests: dict[str, tuple[float, int]] = {}
        self._shared: dict[int, int] = {}

    def marked(self, module: str, tree: ast.Module) -> ast.Module:
        """The tree of a module with a mark set in each block."""
        for block, body in blocks_of(module, tree):
            mark = ast.parse(f"{_MARKS}[{len(self.names)}] = 1").body[0]
            after = int(isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant))
            for node in ast.walk(mark):
                ast.copy_location(node, body[min(after, len(body) - 1)])
            body.insert(after, mark)
            self.names.append(str(block))
            self._marks.append(0)
        # Beside what the module imports: it is there for functions, and in no list of names.
        start = next(i for i, item in enumerate(tree.body) if not _first(item))
        got = ast.parse(f"from {__name__} import {_MARKS}").body[0]
        for node in ast.walk(got):
            ast.copy_location(node, tree.body[start])
        tree.body.insert(start, got)
        return tree

    @property
    def marks(self) -> bytearray:
        """One byte a block: whether it was run since it was last asked."""
        return self._marks

    def taken(self) -> int:
        """The blocks run since the last time, as bits."""
        bits = 0
        place = self._marks.find(1)
        while place >= 0:
            bits |= 1 << place
            self._marks[place] = 0
            place = self._marks.find(1, place + 1)
        return bits

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any]) -> Iterator[None]:
        if fixturedef.scope == "function":
            return (yield)
        before = self.taken()
        try:
            return (yield)
        finally:
            own = self.taken()
            self._shared[id(fixturedef)] = own
            for place in _bits(before | own):
                self._marks[place] = 1

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.taken()
        began = time.perf_counter()
        result = yield
        took = time.perf_counter() - began
        bits = self.taken()
        info = getattr(item, "_fixtureinfo", None)
        for definitions in () if info is None else info.name2fixturedefs.values():
            for one in definitions:
                bits |= self._shared.get(id(one), 0)
        if bits:
            self._tests[item.nodeid] = (took, bits)
        return result

    def pytest_sessionstart(self, session: pytest.Session) -> None:
        if not hasattr(session.config, "workerinput") and ADDED not in os.environ:
            shutil.rmtree(MAP, ignore_errors=True)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self) -> None:
        # The workers have begun by now; what a test begins is none of them.
        os.environ.pop("PYTEST_PLUGINS", None)

    def pytest_sessionfinish(self) -> None:
        if not self._tests:
            return
        MAP.mkdir(parents=True, exist_ok=True)
        tests = {name: [round(took, 4), f"{bits:x}"] for name, (took, bits) in self._tests.items()}
        path = MAP / f"{time.time_ns()}-{os.getpid()}.json"
        path.write_text(json.dumps({"blocks": self.names, "tests": tests}), "utf-8")


def _first(item: ast.stmt) -> bool:
    """Whether it has to stand before all else: the docstring, and imports from the future."""
    if isinstance(item, ast.ImportFrom):
        return item.module == "__future__"
    return isinstance(item, ast.Expr) and isinstance(item.value, ast.Constant)


def _bits(number: int) -> Iterator[int]:
    while number:
        low = number & -number
        yield low.bit_length() - 1
        number ^= low


def read_map() -> tuple[dict[str, set[str]], dict[str, tuple[float, int]]]:
    """The map as it was written: which tests run each block; how long each takes [s], and how many blocks it runs."""
    by_block: dict[str, set[str]] = {}
    by_test: dict[str, tuple[float, int, list[str]]] = {}
    for path in sorted(MAP.glob("*.json")):
        held = json.loads(path.read_text("utf-8"))
        for name, (took, bits) in held["tests"].items():
            blocks = [held["blocks"][place] for place in _bits(int(bits, 16))]
            by_test[name] = (took, len(blocks), blocks)
    for name, (_, _, blocks) in by_test.items():
        for block in blocks:
            by_block.setdefault(block, set()).add(name)
    return by_block, {name: (took, size) for name, (took, size, _) in by_test.items()}


_mapper = Mapper()
_marks_of_tests = _mapper.marks


@pytest.hookimpl(tryfirst=True)
def pytest_load_initial_conftests(early_config: pytest.Config) -> None:
    """Begin to map, before anything loads the tool."""
    load_changed(_mapper.marked, covered())
    early_config.pluginmanager.register(_mapper, "holdzero-map")
