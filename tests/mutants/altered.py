"""A plugin of pytest under which one module is loaded with a fault: `HOLDZERO_MUTANT` says which."""

from __future__ import annotations

import ast
import os

import pytest

from tests.mutants.faults import fault_of
from tests.mutants.loading import load_changed


@pytest.hookimpl(tryfirst=True)
def pytest_load_initial_conftests() -> None:
    """Begin before anything loads the tool."""
    fault = fault_of(os.environ["HOLDZERO_MUTANT"])

    def changed(_name: str, _tree: ast.Module) -> ast.Module:
        return fault.tree()

    load_changed(changed, [fault.module])
