"""The author's page and the docstrings of the hooks: complete, and what they show works."""

from __future__ import annotations

import dataclasses
import inspect
import re
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import pytest

from holdzero import hooks
from holdzero.declared import declarations
from holdzero.register import Register
from holdzero.testing import assert_conforms

Measure: TypeAlias = Callable[..., Any]  # see conftest

PAGE = (Path(__file__).parents[2] / "plugins" / "README.md").read_text("utf-8")
PYTHON = re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL)
PIECES = (*(kind for _, kind in hooks.HOOKS.values()), hooks.Finding, hooks.Standing, hooks.Answer, hooks.Filed, hooks.Inquiry)


@pytest.fixture
def module() -> Iterator[Callable[[str, str], ModuleType]]:
    """Make a module of a text."""
    made: list[str] = []

    def make(name: str, text: str) -> ModuleType:
        module = ModuleType(name)
        sys.modules[name] = module
        made.append(name)
        exec(compile(text, name, "exec"), vars(module))  # noqa: S102  the page's own text
        return module

    yield make
    for name in made:
        sys.modules.pop(name, None)


def example_of(hook: str) -> str:
    text = inspect.getdoc(getattr(hooks, hook)) or ""
    (lines,) = re.findall(r"\n\n((?:    .*\n?|\n)+)\Z", text)
    return inspect.cleandoc("\n" + lines)


class TestEachHook:
    @pytest.mark.parametrize("hook", hooks.HOOKS)
    def test_says_when_with_what_in_which_units_and_since_when(self, hook: str) -> None:
        text = inspect.getdoc(getattr(hooks, hook)) or ""
        for word in ("Called once at start-up, with nothing.", "Since API 1", "Returns:", "@hookimpl"):
            assert word in text

    @pytest.mark.parametrize("hook", hooks.HOOKS)
    def test_shows_lines_that_work(self, hook: str, module: Callable[[str, str], ModuleType]) -> None:
        shown = module(
            f"shown_{hook}", "from holdzero.hooks import *\nfrom holdzero.hooks import Settings\n" + example_of(hook)
        )
        (declared,) = declarations("shown", shown)
        assert type(declared) is hooks.HOOKS[hook][1]

    @pytest.mark.parametrize("hook", hooks.HOOKS)
    def test_stands_on_the_page_with_its_signature(self, hook: str) -> None:
        kind = hooks.HOOKS[hook][1].__name__
        assert not inspect.signature(getattr(hooks, hook)).parameters
        assert f"| `{hook}()` | `list[{kind}]` |" in PAGE

    def test_has_a_built_in_plugin_that_uses_it(self, catalogue: Any) -> None:
        declared = {word.split()[0] for plugin in catalogue.plugins if plugin.built_in for word in plugin.declares}
        assert declared == {word for word, _ in hooks.HOOKS.values()}


class TestEachDeclaration:
    @pytest.mark.parametrize("kind", PIECES, ids=lambda kind: kind.__name__)
    def test_has_every_field_on_the_page(self, kind: type[Any]) -> None:
        fields = [field.name for field in dataclasses.fields(kind)]
        assert [name for name in fields if not re.search(rf"`[^`]*\b{name}\b[^`]*`", PAGE)] == []

    @pytest.mark.parametrize("kind", PIECES, ids=lambda kind: kind.__name__)
    def test_has_every_field_in_its_docstring(self, kind: type[Any]) -> None:
        text = inspect.getdoc(kind) or ""
        assert [field.name for field in dataclasses.fields(kind) if f"    {field.name}:" not in text] == []

    def test_what_a_check_sees_is_on_the_page(self) -> None:
        fields = [field.name for field in dataclasses.fields(hooks.RunView)]
        assert [name for name in fields if f"`{name}`" not in PAGE] == []


class TestThePage:
    def test_its_ten_lines_keep_to_the_rules(self, module: Callable[[str, str], ModuleType]) -> None:
        text = next(text for text in PYTHON if "holdzero_checks" in text)
        assert len([line for line in text.splitlines() if line.strip()]) <= 10
        assert_conforms(module("bench_soak", text))

    def test_its_test_passes(self, module: Callable[[str, str], ModuleType], measure: Measure) -> None:
        module("bench_soak", next(text for text in PYTHON if "holdzero_checks" in text))
        test = module("page_test", next(text for text in PYTHON if "assert_conforms" in text))
        test.test_it_keeps_to_the_rules()
        test.test_it_speaks_where_nothing_was_soaked(measure)

    def test_its_settings_are_settings(self, module: Callable[[str, str], ModuleType]) -> None:
        shown = module("page_settings", next(text for text in PYTHON if "LampSettings" in text))
        assert shown.LampSettings.model_validate({"limit": "0.5 um"}).limit == 0.5

    @pytest.mark.parametrize(
        "text", [text for text in re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL) if "[plugins]" in text]
    )
    def test_its_settings_of_the_shop_can_be_read(self, text: str) -> None:
        assert Register.model_validate(tomllib.loads(text)).plugins is not None

    def test_it_says_the_version_that_the_surface_has(self) -> None:
        assert f"HOLDZERO_API = {hooks.PLUGIN_API}" in PAGE

    def test_it_says_the_times_that_hold(self) -> None:
        plugins = Register().plugins
        assert f"longer than {plugins.budget:g} s" in PAGE
        assert f"longer than {plugins.limit:g} s, or a function at the end longer than {10 * plugins.limit:g} s" in PAGE
