"""The built-in plugins stand on the public surface, exactly as a stranger's plugin does."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import holdzero_plugins
from holdzero import hooks
from holdzero.catalogue import Catalogue

FOLDER = Path(holdzero_plugins.__file__).parent
FILES = sorted(FOLDER.rglob("*.py"))
LIGHT = {"numpy", "pydantic"}


def imports_of(path: Path) -> set[tuple[str, bool]]:
    """Names of imported modules, and whether each is imported when the module is."""
    tree = ast.parse(path.read_text("utf-8"))
    top = {id(node) for node in tree.body}
    found: set[tuple[str, bool]] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {(alias.name, id(node) in top) for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add((node.module, id(node) in top))
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(FOLDER)))
def test_a_built_in_plugin_imports_the_hooks_alone(path: Path) -> None:
    own = {name for name, _ in imports_of(path) if name.split(".")[0] == "holdzero"}
    assert own <= {"holdzero.hooks"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(FOLDER)))
def test_heavy_imports_wait_until_they_are_needed(path: Path) -> None:
    at_start = {name.split(".")[0] for name, top in imports_of(path) if top}
    strangers = at_start - set(sys.stdlib_module_names) - LIGHT - {"holdzero", "holdzero_plugins"}
    assert strangers == set()


def test_all_built_in_plugins_load(catalogue: Catalogue) -> None:
    assert catalogue.refusals == []
    assert set(catalogue.checks) == {
        "block",
        "check_standard",
        "contact",
        "drift",
        "film",
        "heat",
        "indicator",
        "places",
        "plausibility",
        "repeatability",
        "slips",
        "thermal",
        "zero_return",
    }
    assert set(catalogue.sources) == {"logger", "readings", "serial", "wedge"}
    assert set(catalogue.writers) == {"csv", "html"}
    assert set(catalogue.steps) == {"clean"}
    assert set(catalogue.contrasts) == {"crown", "taper"}
    assert set(catalogue.rules) == {"ratio"}
    assert {"steel", "aluminium", "tungsten carbide"} <= set(catalogue.materials)
    assert {"micron", "microinches"} <= set(catalogue.units)


def test_every_check_has_settings_that_may_be_empty(catalogue: Catalogue) -> None:
    for _, check in catalogue.checks.values():
        assert check.settings.model_validate({}) is not None


def test_the_surface_names_what_it_has() -> None:
    assert [name for name in hooks.__all__ if not hasattr(hooks, name)] == []


def test_the_core_knows_no_plugin() -> None:
    code = "import sys, holdzero.session, holdzero.record; print([m for m in sys.modules if 'holdzero_plugins' in m])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_engine_has_no_clock_file_or_chance() -> None:
    folder = Path(hooks.__file__).parent
    engine = [*(folder / "run").glob("*.py"), *(folder / name for name in ("model.py", "decide.py", "evaluate.py"))]
    banned = {"time", "random", "os", "pathlib", "io", "sys", "pluggy", "socket"}
    for path in engine:
        assert not {name.split(".")[0] for name, _ in imports_of(path)} & banned, path.name
