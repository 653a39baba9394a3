"""Which faults there are to be tried, which tests are to see them, and which of them are argued about."""

from __future__ import annotations

import ast
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.make import Mutant, blocks_of, covered, mutants_of, source_of, tree_of
from tests.mutants.mapping import read_map
from tests.mutants.running import NOT_TRIED, Fault, assigned, mutated

__all__ = ["Named", "Tests", "all_mutants", "argued", "fault_of", "named"]

HERE = Path(__file__).parent


class EntryError(Exception):
    """An entry of one of the lists does not fit the code (any more)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A fault that somebody thought of, as a patch of a module's text.

    Attributes:
        name: what it does, in words.
        module: where it is.
        function: where in it.
        old: what stands in the module's text, once.
        new: what is put there.
        seen_by: the file of the test that is to see it, which is tried first.
    """

    name: str
    module: str
    function: str
    old: str
    new: str
    seen_by: str

    def tree(self) -> ast.Module:
        """The module's tree with it.

        Raises:
            EntryError: what it replaces does not stand there once.
        """
        text = source_of(self.module)
        if text.count(self.old) != 1:
            raise EntryError(
                f"named.toml, {self.name}: the old text stands {text.count(self.old)} times in {self.module}"
            )
        return tree_of(self.module, text.replace(self.old, self.new))


def named(path: Path = HERE / "named.toml") -> list[Named]:
    """The named faults, each known to fit."""
    found = [Named(**entry) for entry in tomllib.loads(path.read_text("utf-8"))["fault"]]
    for one in found:
        one.tree()
    return found


def all_mutants(modules: Iterable[str] | None = None) -> list[Mutant]:
    """All mutants of modules; of all that are covered if None."""
    return [mutant for module in (covered() if modules is None else modules) for mutant in mutants_of(module)]


def argued(path: Path = HERE / "survivors.toml") -> dict[Mutant, str]:
    """The mutants that no test can see, or need see, and why.

    Raises:
        EntryError: an entry is of no mutant.
    """
    entries = tomllib.loads(path.read_text("utf-8")).get("survivor", [])
    by_what: dict[tuple[str, ...], list[Mutant]] = {}
    for mutant in all_mutants({entry["module"] for entry in entries} & set(covered())):
        what = (mutant.block.module, mutant.block.function, mutant.old, mutant.new)
        by_what.setdefault(what, []).append(mutant)
    found: dict[Mutant, str] = {}
    for entry in entries:
        module, function, old, new = what = tuple(entry[key] for key in ("module", "function", "old", "new"))
        if what not in by_what:
            raise EntryError(f"survivors.toml: {module} {function} has no mutant {old} → {new}")
        found.update(dict.fromkeys(by_what[what], entry["why"]))
    return found


def fault_of(key: str) -> Fault:
    """A fault from its key, without tests."""
    if key.startswith("named:"):
        one = next(one for one in named() if one.name == key.removeprefix("named:"))
        return Fault(name=one.name, module=one.module, function=one.function, tree=one.tree, key=key, tests=())
    module, number = key.split(":")
    return _of(next(mutant for mutant in mutants_of(module) if mutant.number == int(number)), ())


def _of(mutant: Mutant, tests: Sequence[str]) -> Fault:
    block = mutant.block
    key = f"{block.module}:{mutant.number}"
    # A default and what stands outside of functions are worked out when a module is loaded.
    function = block.function if block.number else ""
    name = mutant.old.partition(" = ")[0].partition(":")[0]
    constant = name if not block.function and name in map(assigned, tree_of(block.module).body) else ""
    return Fault(
        constant=constant,
        name=str(mutant),
        module=block.module,
        function=function,
        tree=lambda: mutated(mutant),
        key=key,
        tests=tests,
    )


class Tests:
    """Which tests run what, in the order in which they are likely to see a fault there."""

    def __init__(self) -> None:
        found, self._known = read_map()
        self._exact = found
        self._loose: dict[str, set[str]] = {}
        # By the digest that a function had when a test was mapped: it may have been changed since.
        self._by_digest: dict[str, dict[str, set[str]]] = {}
        for name, tests in found.items():
            module, function, digest, _ = name.split(":")
            self._by_digest.setdefault(f"{module}:{function}", {}).setdefault(digest, set()).update(tests)
            self._loose.setdefault(f"{module}:{function}", set()).update(tests)
            self._loose.setdefault(module, set()).update(tests)
        self._users: dict[str, dict[str, set[str]]] = {}

    @property
    def durations(self) -> Mapping[str, float]:
        """How long each takes [s]."""
        return {name: took for name, (took, _) in self._known.items()}

    def fault(self, mutant: Mutant) -> Fault:
        """The fault with its tests."""
        return _of(mutant, self._ordered(mutant.block.module, self._of_mutant(mutant)))

    def named(self, one: Named) -> Fault:
        """The fault with its tests."""
        tests = self._ordered(one.module, self._loose.get(f"{one.module}:{one.function}", set()))
        tests.sort(key=lambda test: not test.startswith(f"{one.seen_by}::"))
        key = f"named:{one.name}"
        return Fault(name=one.name, module=one.module, function=one.function, tree=one.tree, key=key, tests=tests)

    def _of_mutant(self, mutant: Mutant) -> set[str]:
        block = mutant.block
        whole = self._loose.get(block.module, set())
        if block.function:
            of_function = self._by_digest.get(f"{block.module}:{block.function}", {})
            before = (tests for digest, tests in of_function.items() if digest != block.digest)
            return self._exact.get(str(block), set()).union(*before) or whole
        target = mutant.old.partition("=")[0].partition(":")[0].strip()
        users = (
            self._users.setdefault(target, {target: self._using(target)})[target] if target.isidentifier() else set()
        )
        return users or whole

    def _using(self, name: str) -> set[str]:
        """Tests of the functions that use a name."""
        tests: set[str] = set()
        for module in covered():
            for block, body in blocks_of(module, tree_of(module)):
                used = (node for item in body for node in ast.walk(item) if isinstance(node, ast.Name | ast.Attribute))
                if any(name == (node.id if isinstance(node, ast.Name) else node.attr) for node in used):
                    tests |= self._exact.get(str(block), set())
        return tests

    def _ordered(self, module: str, tests: set[str]) -> list[str]:
        """The nearest and quickest first, and of one function with many parameters not all before the next."""
        own = module.rpartition(".")[2]
        near = {test for test in tests if own in test.partition("::")[0].replace("test_", "")}
        groups: dict[str, list[str]] = {}
        for test in sorted(tests, key=lambda test: (test not in near, self._cost(test), test)):
            if not any(part in test for part in NOT_TRIED):
                groups.setdefault(test.partition("[")[0], []).append(test)
        return list(_in_turn(list(groups.values())))

    def _cost(self, test: str) -> float:
        took, size = self._known[test]
        return (took + 0.005) * math.sqrt(size)


def _in_turn(groups: Sequence[Sequence[str]]) -> Iterator[str]:
    for at in range(max(map(len, groups), default=0)):
        for group in groups:
            yield from group[at : at + 1]
