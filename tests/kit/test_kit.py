"""The kit itself: whole runs with plugins that are not installed, an outcome that shows its log."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from pydantic import Field

import holdzero
from holdzero.errors import PluginRefusedError
from holdzero.hooks import Check, Finding, Level, RunView, Settings, Size, SlotKind, hookimpl
from holdzero.testing import GOOD, PLAIN, Draft, Measure, assert_conforms, catalogue_of

PYTEST_SHOWS = 240  # signs of a repr within an assertion; of more, it leaves out the middle

HOUSE = """\
from holdzero.hooks import *
from holdzero.hooks import Settings


def judge(settings, run, characteristics):
    yield Finding(level=Level.DOUBT, code="house/odd", text="It is odd.")


@hookimpl
def holdzero_checks():
    return [Check(name="house", title="a rule of the house", settings=Settings, judge=judge)]
"""


def module(name: str = "house") -> ModuleType:
    """A plugin that was made in a test, and is in no file."""
    made = ModuleType("plugin_of_a_test")

    def judge(settings: object, run: object, characteristics: object) -> list[Finding]:
        del settings, run, characteristics
        return [Finding(level=Level.DOUBT, code=f"{name}/odd", text="It is odd.")]

    @hookimpl
    def holdzero_checks() -> list[Check]:
        return [Check(name=name, title="a rule of the house", settings=Settings, judge=judge)]

    vars(made)["holdzero_checks"] = holdzero_checks
    return made


class Reach(Settings):
    """How far a reading may lie from zero."""

    limit: Size = Field(0.5, description="How far from zero a reading may lie.")


def declaring(check: Check) -> ModuleType:
    """A plugin that declares one check."""
    made = ModuleType("plugin_of_a_test")

    @hookimpl
    def holdzero_checks() -> list[Check]:
        return [check]

    vars(made)["holdzero_checks"] = holdzero_checks
    return made


def asking(*, words: str = "", last_alone: bool = False) -> ModuleType:
    """A plugin that asks about readings of the part that lie far off, all of them or the last reading alone."""

    def watch(settings: Reach, run: RunView) -> Iterable[Finding]:
        for reading in run.readings[-1:] if last_alone else run.readings:
            text = words or f"Entry {reading.seq} is far off. Is it?"
            off = reading.kind is SlotKind.READ and abs(float(reading.value_um)) > settings.limit
            yield Finding(level=Level.DOUBT, code="house/far", text=text, holds=bool(off))

    def judge(settings: Reach, run: RunView, characteristics: object) -> Iterable[Finding]:
        del characteristics
        return watch(settings, run)

    return declaring(Check(name="house", title="readings far off", settings=Reach, watch=watch, judge=judge))


class TestMeasuring:
    def test_with_nothing_said_it_is_the_plain_routine_that_passes(self, measure: Measure) -> None:
        assert measure().record["verdict"] == "pass"

    @pytest.mark.parametrize("form", ["text", "draft", "file"])
    def test_a_routine_is_a_text_a_draft_or_a_file(self, form: str, measure: Measure, tmp_path: Path) -> None:
        path = tmp_path / "other.toml"
        path.write_text(PLAIN, "utf-8")
        forms: dict[str, str | Path | Draft] = {"text": PLAIN, "draft": Draft(), "file": path}
        assert measure(forms[form], GOOD).code == 0

    def test_answers_may_bring_their_time(self, measure: Measure) -> None:
        record = measure(PLAIN, [(10.0 * count, text) for count, text in enumerate(GOOD)]).record
        assert record["readings"][-1]["time_s"] == 60.0

    def test_a_trial_is_marked(self, measure: Measure) -> None:
        assert measure(trial=True).record["run"]["purpose"] == "trial"

    def test_a_plugin_is_a_module_or_a_file_and_is_not_installed(self, measure: Measure, tmp_path: Path) -> None:
        path = tmp_path / "house.py"
        path.write_text(HOUSE, "utf-8")
        routine = Draft().with_check("house")
        for plugin in (module(), path):
            outcome = measure(routine, plugins=[plugin])
            assert "house/odd" in outcome.codes("doubt")
            names = [used["name"] for used in outcome.record["software"]["plugins"]]
            assert ("house" if plugin is path else "plugin_of_a_test") in names
        assert measure(routine).code == 3

    def test_a_plugin_that_is_refused_says_why_at_once(self, measure: Measure, tmp_path: Path) -> None:
        path = tmp_path / "house.py"
        path.write_text(HOUSE.replace("name=", "nam="), "utf-8")
        with pytest.raises(PluginRefusedError, match="unexpected keyword argument 'nam'"):
            measure(plugins=[path])

    def test_a_catalogue_takes_the_place_of_all(self, measure: Measure) -> None:
        outcome = measure(catalogue=catalogue_of(module("other"), built_ins=False))
        assert outcome.code == 2
        assert "reinstall holdzero" in outcome.said


class TestTheOutcome:
    def test_its_repr_is_a_log_of_the_run(self, measure: Measure) -> None:
        log = repr(measure(Draft().with_check("house"), plugins=[module()]))
        assert "exit code 0" in log
        assert "part 1: pass" in log
        assert "thickness: pass, 1 um, U = " in log
        assert "doubt house/odd: It is odd." in log

    def test_its_repr_shows_a_run_without_a_record(self, measure: Measure) -> None:
        outcome = measure(answers=GOOD[:2])
        assert "exit code 4" in repr(outcome)
        assert "said: holdzero: " in repr(outcome)
        with pytest.raises(AssertionError, match="0 records, not one"):
            _ = outcome.record

    def test_its_repr_shows_a_characteristic_without_a_number(self, measure: Measure) -> None:
        routine = Draft().with_characteristic("step", measure="step", at="b", from_="c")
        assert "step: undecided, no number" in repr(measure(routine))

    def test_it_finds_the_journal(self, measure: Measure) -> None:
        assert measure().journal.name.endswith(".journal.jsonl")

    def test_its_first_line_has_verdict_and_codes_so_that_pytest_does_not_cut_them_out(self, measure: Measure) -> None:
        outcome = measure(Draft().with_check("house", limit="0.95 um"), (*GOOD[:6], "0.9"), plugins=[asking()])
        first = repr(outcome).splitlines()[0]
        assert first.startswith("<Outcome undecided, stop bracket/limit, doubt house/far; asked house/far")
        assert len(first) < PYTEST_SHOWS / 2


class TestWhatWatchSaid:
    def test_is_there_in_order_with_how_many_answers_were_given_by_then(self, measure: Measure) -> None:
        outcome = measure(Draft().with_check("house", limit="0.95 um"), plugins=[asking()])
        assert [(asked.code, asked.after) for asked in outcome.asked] == [("house/far", 4), ("house/far", 5)]
        assert outcome.asked[0].level == "doubt"
        assert outcome.asked[0].text == "Entry 5 is far off. Is it?"
        assert "asked after 4: doubt house/far: Entry 5 is far off. Is it?" in repr(outcome)

    def test_is_there_once_for_as_long_as_it_holds_and_once_more_when_it_comes_again(self, measure: Measure) -> None:
        answers = (*GOOD[:3], "+1", "0", "+1", "0")
        for last_alone, after in ((False, [4]), (True, [4, 6])):
            plugin = asking(words="Far?", last_alone=last_alone)
            outcome = measure(Draft().with_check("house"), answers, plugins=[plugin])
            assert [asked.after for asked in outcome.asked if asked.code == "house/far"] == after

    def test_is_there_for_a_run_that_ends_too_soon(self, measure: Measure) -> None:
        outcome = measure(Draft().with_check("house"), GOOD[:5], plugins=[asking()])
        assert outcome.records == []
        assert [asked.after for asked in outcome.asked] == [4, 5]

    def test_does_not_hold_what_does_not_hold(self, measure: Measure) -> None:
        assert measure(Draft().with_check("house", limit="9 um"), plugins=[asking()]).asked == []


class TestAPluginThatFails:
    @pytest.mark.parametrize("during", ["watch", "judge", "terms"])
    def test_fails_the_test_with_its_own_words(self, during: str, measure: Measure) -> None:
        def broken(*given: object) -> list[Finding]:
            raise RuntimeError(f"{len(given)} things given, none liked")

        functions: dict[str, Any] = {during: broken}
        plugin = declaring(Check(name="house", title="breaks", settings=Settings, **functions))
        routine = Draft().with_check("house")
        with pytest.raises(AssertionError, match=rf"house failed in {during}: RuntimeError: \d things given") as caught:
            measure(routine, plugins=[plugin])
        assert "may_fail=True lets it pass" in str(caught.value)
        assert "house/failed" in measure(routine, plugins=[plugin], may_fail=True).codes("stop")

    def test_fails_it_though_the_run_ends_too_soon(self, measure: Measure) -> None:
        def broken(settings: object, run: object) -> list[Finding]:
            raise RuntimeError(f"not with {settings} and {run}"[:20])

        plugin = declaring(Check(name="house", title="breaks", settings=Settings, watch=broken))
        with pytest.raises(AssertionError, match="house failed in watch"):
            measure(Draft().with_check("house"), GOOD[:5], plugins=[plugin])

    def test_another_s_failure_is_left_to_the_record(self, measure: Measure) -> None:
        outcome = measure(Draft().with_check("house").with_check("nobody"), plugins=[module()])
        assert "nobody/failed" in outcome.codes("stop")


class TestCatalogues:
    def test_hold_the_built_ins_and_what_is_given_alone(self) -> None:
        catalogue = catalogue_of(module())
        assert catalogue.checks["house"][0].distribution == "given"
        assert all(plugin.built_in or plugin.name == "plugin_of_a_test" for plugin in catalogue.plugins)

    def test_two_files_of_one_name_are_two_modules(self, tmp_path: Path) -> None:
        modules = []
        for folder in (tmp_path / "a", tmp_path / "b"):
            folder.mkdir()
            (folder / "house.py").write_text(HOUSE, "utf-8")
            modules.append(catalogue_of(folder / "house.py").checks["house"][0].module)
        assert len(set(modules)) == 2

    def test_a_folder_named_like_the_module_is_told_from_it(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "bench_of_a_test" / "src").mkdir(parents=True)
        (tmp_path / "bench_of_a_test" / "src" / "bench_of_a_test.py").write_text(HOUSE, "utf-8")
        monkeypatch.syspath_prepend(tmp_path)
        folder = importlib.import_module("bench_of_a_test")
        with pytest.raises(AssertionError, match=r"the folder bench_of_a_test and not the module bench_of_a_test\.py"):
            assert_conforms(folder)
        with pytest.raises(PluginRefusedError, match="run pytest inside it"):
            catalogue_of(folder)

    def test_a_built_in_module_is_there_already(self) -> None:
        import holdzero_plugins.checks.thermal

        assert catalogue_of(holdzero_plugins.checks.thermal).refusals == []


class TestAComplaint:
    @pytest.mark.long
    def test_is_shown_without_the_suite_s_own_lines(self, tmp_path: Path) -> None:
        (tmp_path / "house.py").write_text(HOUSE.replace("house/odd", "odd"), "utf-8")
        test = (
            "import house\nfrom holdzero.testing import assert_conforms\n\n\ndef test():\n    assert_conforms(house)\n"
        )
        (tmp_path / "test_house.py").write_text(test, "utf-8")
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 1
        assert "a finding's code must be the check's name" in done.stdout
        assert "test_house.py:6: AssertionError" in done.stdout.replace("\n\n", "\n")
        assert "of_check.py" not in done.stdout


class TestPytestIsForTheKitAlone:
    def test_no_other_module_imports_it(self) -> None:
        root = Path(holdzero.__file__).parent
        importing = {
            path.relative_to(root).parts[0]
            for path in root.rglob("*.py")
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if (isinstance(node, ast.Import) and any(name.name.startswith("pytest") for name in node.names))
            or (isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pytest"))
        }
        assert importing == {"testing"}

    def test_the_tool_starts_without_it(self) -> None:
        look = (
            "import sys, holdzero.cli.conduct; print([m for m in sys.modules if m in ('pytest', 'holdzero.testing')])"
        )
        done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == "[]"
