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
from holdzero.testing import (
    GOOD,
    Draft,
    Outcome,
    Truth,
    assert_conforms,
    catalogue_of,
    virtual_answers,
)
from holdzero.testing.drive import loaded_of
from holdzero.testing.samples import FULL

Measure: TypeAlias = Callable[..., Any]  # see conftest

PAGE = (Path(__file__).parents[2] / "plugins" / "README.md").read_text("utf-8")
PYTHON = re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL)
FIELDS = PAGE.partition("<!-- fields: begin -->")[2].partition("<!-- fields: end -->")[0]
SEEN = (
    hooks.Reading,
    hooks.Slot,
    hooks.Given,
    hooks.Prepared,
    hooks.SoakTaken,
    hooks.TemperatureTaken,
    hooks.Routine,
    hooks.Characteristic,
)
PIECES = (
    *(kind for _, kind in hooks.HOOKS.values()),
    hooks.Finding,
    hooks.Standing,
    hooks.Answer,
    hooks.Said,
    hooks.Habits,
    hooks.Filed,
    hooks.Inquiry,
)


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


def example_with(word: str) -> str:
    return str(next(text for text in PYTHON if word in text))


def _fields(kind: type[Any]) -> list[str]:
    if dataclasses.is_dataclass(kind):
        return [field.name for field in dataclasses.fields(kind)]
    return list(kind.model_fields)


def _named_for(kind: type[Any]) -> set[str]:
    """Fields that the page's tables give to a class; a table of several says to which each belongs."""
    tables = re.split(r"\n(?=\*\*`)", FIELDS)
    (table,) = (table for table in tables if f"**`{kind.__name__}`**" in table)
    several = len(re.findall(r"\*\*`", table)) > 1
    found: set[str] = set()
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if not cells[0].startswith("`"):
            continue
        if not several or _belongs(kind.__name__, cells[1]):
            found.update(re.findall(r"`(\w+)`", cells[0]))
    return found


def _belongs(name: str, said: str) -> bool:
    return said == "all four" or (f"`{name}`" in said) is not said.startswith("all but")


def _routine() -> Any:
    return loaded_of(Draft(), catalogue_of()).routine


def answers_to(draft: Draft) -> list[tuple[float, str]]:
    truth = Truth(deviations_um=dict.fromkeys("abc", 0.3), answers={"humidity": "45"})
    return virtual_answers(draft, truth)


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


class TestWhatACheckSees:
    @pytest.mark.parametrize("kind", SEEN, ids=lambda kind: kind.__name__)
    def test_has_every_field_on_the_page(self, kind: type[Any]) -> None:
        names = _named_for(kind)
        assert [name for name in _fields(kind) if name not in names] == []

    @pytest.mark.parametrize("kind", SEEN, ids=lambda kind: kind.__name__)
    def test_has_no_field_on_the_page_that_it_has_not(self, kind: type[Any]) -> None:
        there = {*_fields(kind), *(name for name in dir(kind) if not name.startswith("_"))}
        assert [name for name in _named_for(kind) if name not in there] == []

    def test_has_every_kind_of_slot_on_the_page(self) -> None:
        assert [kind.name for kind in hooks.SlotKind if f"`{kind.name}`" not in FIELDS] == []

    def test_has_the_fields_of_the_routine_s_head_where_they_are(self) -> None:
        (row,) = re.findall(r"\| `routine` \| (.*) \|", FIELDS)
        assert [name for name in _fields(type(_routine().routine)) if f"`{name}`" not in row] == []
        assert _routine().routine.revision == ""
        assert "`run.routine.routine.title`, `.part` and `.revision`" in FIELDS

    def test_its_zero_s_returns_and_checks_are_among_the_readings(self, measure: Measure) -> None:
        kinds = {row["kind"] for row in measure(FULL, answers_to(FULL)).record["readings"] if row["unit"] == "um"}
        assert kinds == {"zero", "check", "read", "return"}
        assert "zeros, returns and the check standard too" in PAGE


@pytest.mark.long
class TestThePage:
    def test_its_ten_lines_keep_to_the_rules(self, module: Callable[[str, str], ModuleType]) -> None:
        text = next(text for text in PYTHON if "holdzero_checks" in text)
        assert len([line for line in text.splitlines() if line.strip()]) <= 10
        assert_conforms(module("bench_soak", text))

    def test_its_test_passes(self, module: Callable[[str, str], ModuleType], measure: Measure) -> None:
        module("bench_soak", next(text for text in PYTHON if "holdzero_checks" in text))
        test = module("page_test", next(text for text in PYTHON if "assert_conforms" in text))
        tests = {name for name in vars(test) if name.startswith("test_")}
        assert tests == {"test_it_keeps_to_the_rules", "test_it_speaks_where_nothing_was_soaked"}
        test.test_it_keeps_to_the_rules()
        test.test_it_speaks_where_nothing_was_soaked(measure)

    def test_its_example_by_place_keeps_to_the_rules(self, module: Callable[[str, str], ModuleType]) -> None:
        assert_conforms(module("bench_agree", example_with("AgreeSettings")))
        shown = example_with("bench_agree, routine=")
        module("page_rule", shown)  # asserts by itself

    @pytest.mark.parametrize(("spread", "asked"), [("0.25 um", []), ("0.15 um", [6]), ("0.05 um", [5, 6])])
    def test_its_example_by_place_asks_at_once_and_puts_it_on_record(
        self, module: Callable[[str, str], ModuleType], measure: Measure, spread: str, asked: list[int]
    ) -> None:
        plugin = module("bench_agree", example_with("AgreeSettings"))
        outcome = measure(Draft().with_check("bench_agree", spread=spread), GOOD, plugins=[plugin])
        assert [item.after for item in outcome.asked] == asked
        assert outcome.codes("doubt").count("bench_agree/apart") == bool(asked)

    def test_names_all_that_the_suite_takes_and_an_outcome_has(self) -> None:
        takes = [name for name in inspect.signature(assert_conforms).parameters if name != "what"]
        assert [name for name in takes if f"`{name}=`" not in PAGE] == []
        text = inspect.getdoc(assert_conforms) or ""
        assert [name for name in takes if f"    {name}:" not in text] == []
        has = [name for name in (*_fields(Outcome), *vars(Outcome)) if not name.startswith("_")]
        assert [name for name in has if not re.search(rf"\| [^|]*`{name}\b", PAGE) and f"`{name}`" not in PAGE] == []

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
