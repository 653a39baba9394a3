"""Every public function that gives a number says in which unit, and where its formula comes from."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from types import ModuleType

import pytest

from holdzero import decide, model, quantity, statistics

MODULES = (decide, model, quantity, statistics)
ARRANGING = {"stack"}  # puts numbers side by side and computes nothing


def numeric_functions() -> Iterator[tuple[str, Callable[..., object]]]:
    for module in MODULES:
        yield from functions_of(module)


def functions_of(module: ModuleType) -> Iterator[tuple[str, Callable[..., object]]]:
    for name in sorted(set(module.__all__) - ARRANGING):
        function = getattr(module, name)
        if inspect.isfunction(function) and any(
            word in str(function.__annotations__.get("return"))
            for word in ("float", "Number", "Decision", "Propagated")
        ):
            yield f"{module.__name__}.{name}", function


FUNCTIONS = dict(numeric_functions())


def test_there_are_functions_to_look_at() -> None:
    assert len(FUNCTIONS) >= 10


@pytest.mark.parametrize("name", FUNCTIONS)
def test_it_names_units_and_source(name: str) -> None:
    text = inspect.getdoc(FUNCTIONS[name]) or ""
    assert "[" in text, "no unit in square brackets"
    assert "Source:" in text or "GUM" in text, "no source"
