"""The house folder as a whole: its settings, its files on the public surface, and a run as a shop would make it."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.cli.house import open_shop
from holdzero.hooks import PLUGIN_API
from holdzero.register import load_register

RULES = ("comparator_due", "plate_wiped", "steady_room", "two_readers")
CHOICES = ("--reference", "B-5", "--comparator", "K-2", "--thermometer", "T-1")
ANSWERS = ("20.1", "20.3", "0", "0.1", "-0.1", *("1.0", "1.1") * 2, "C. Reeve", *("0.9", "1.2") * 2, "0", "20.4")
Done: TypeAlias = subprocess.CompletedProcess[str]
PASS, DIFFERS, UNDECIDED, INTERRUPTED = 0, 1, 3, 4


@pytest.fixture
def tool(starter: Any) -> Callable[..., Done]:
    def call(folder: Path, *arguments: str) -> Done:
        done: Done = starter.run(*arguments, folder=folder)
        return done

    return call


@pytest.fixture
def routine(tmp_path: Path, house: Path) -> Path:
    """The routine of the folder's README, in a folder of the test."""
    (text,) = re.findall(r"```toml\n(.*?)```", (house / "README.md").read_text("utf-8"), re.DOTALL)
    path = tmp_path / "washer.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture
def run(tool: Callable[..., Done]) -> Callable[..., Done]:
    def call(routine: Path, shop: Path | None, answers: tuple[str, ...] = ANSWERS) -> Done:
        readings = routine.with_name("readings.csv")
        readings.write_text("time,answer\n" + "".join(f",{answer}\n" for answer in answers), "utf-8")
        named = () if shop is None else ("--shop", str(shop), *CHOICES)
        who = ("--operator", "T. Ester", "--serial", "7")
        source = ("--source", f"readings:{readings}")
        return tool(routine.parent, "run", str(routine), *source, *who, *named, "--out", "out", "--json")

    return call


def stops(record: dict[str, Any]) -> list[str]:
    return [found["code"] for found in record["findings"] if found["level"] == "stop"]


class TestTheFolder:
    def test_has_the_four_files_and_all_are_enabled(self, house: Path) -> None:
        assert tuple(sorted(path.stem for path in house.glob("*.py"))) == RULES
        assert load_register(house / "shop.toml").plugins.enabled == RULES

    def test_loads_without_a_refusal(self, house: Path) -> None:
        catalogue = open_shop(house / "shop.toml").catalogue
        assert catalogue.refusals == []
        assert {name for name in RULES if catalogue.checks[name][0].distribution == "house folder"} == set(RULES)
        assert {"reader", "room_hour", "wipe"} <= set(catalogue.steps)

    @pytest.mark.parametrize("rule", RULES)
    def test_each_file_stands_on_the_public_surface(self, house: Path, rule: str) -> None:
        tree = ast.parse((house / f"{rule}.py").read_text("utf-8"))
        names = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        names |= {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
        own = {name for name in names if name.split(".")[0].startswith("holdzero")}
        assert own == {"holdzero.hooks"}
        assert {name.split(".")[0] for name in names - own} <= {*sys.stdlib_module_names, "numpy", "pydantic"}

    @pytest.mark.parametrize("rule", RULES)
    def test_each_file_says_what_it_is_and_for_which_surface(self, house: Path, rule: str) -> None:
        catalogue = open_shop(house / "shop.toml").catalogue
        module = sys.modules[catalogue.checks[rule][0].module]
        assert "A rule of the house." in (module.__doc__ or "")
        assert 1 <= module.HOLDZERO_API <= PLUGIN_API
        models = [catalogue.checks[rule][1].settings]
        models += [step.settings for plugin, step in catalogue.steps.values() if plugin.name == rule]
        fields = [field for model in models for field in model.model_fields.values()]
        assert fields
        assert all(field.description for field in fields)

    def test_the_readme_names_every_step_check_and_setting(self, house: Path) -> None:
        readme = (house / "README.md").read_text("utf-8")
        catalogue = open_shop(house / "shop.toml").catalogue
        for rule in RULES:
            assert f"`[checks.{rule}]`" in readme
            for setting in catalogue.checks[rule][1].settings.model_fields:
                assert f"`{setting}`" in readme, setting
        for name, (plugin, _) in catalogue.steps.items():
            assert plugin.name not in RULES or f"`{name}`" in readme


@pytest.mark.long
class TestThroughTheCommandLine:
    def test_plugins_lists_the_four(self, house: Path, tmp_path: Path, tool: Callable[..., Done]) -> None:
        done = tool(tmp_path, "plugins", "--shop", str(house / "shop.toml"))
        assert done.returncode == 0, done.stderr
        for line in ("check plate_wiped", "check two_readers", "check steady_room", "check comparator_due"):
            assert line in done.stdout
        assert "REFUSED" not in done.stdout
        assert f"from house folder: {house / 'plate_wiped.py'}" in done.stdout

    def test_the_routine_of_the_readme_is_valid_and_passes(
        self, house: Path, routine: Path, tool: Callable[..., Done], run: Callable[..., Done]
    ) -> None:
        shop = house / "shop.toml"
        valid = tool(routine.parent, "validate", str(routine), "--shop", str(shop))
        assert valid.returncode == 0, valid.stdout + valid.stderr
        done = run(routine, shop)
        assert done.returncode == PASS, done.stdout + done.stderr
        record = json.loads(done.stdout)
        assert stops(record) == []
        houses = {item["name"] for item in record["software"]["plugins"] if item["distribution"] == "house folder"}
        assert houses == set(RULES)

    def test_each_rule_can_stop_it(self, house: Path, routine: Path, run: Callable[..., Done]) -> None:
        text = routine.read_text("utf-8")
        text = text.replace('[[steps]]\ndo = "wipe"\n', "").replace("ahead_days = 5", "ahead_days = 0")
        routine.write_text(text, "utf-8")
        done = run(routine, house / "shop.toml", ("20.1", "21.3", *ANSWERS[2:9], "T. Ester", *ANSWERS[10:]))
        assert done.returncode == UNDECIDED
        assert stops(json.loads(done.stdout)) == ["plate_wiped/none", "steady_room/moved", *["two_readers/alone"] * 2]

    def test_the_record_recomputes_with_the_shop_and_says_what_is_missing_without(
        self, house: Path, routine: Path, tool: Callable[..., Done], run: Callable[..., Done]
    ) -> None:
        run(routine, house / "shop.toml")
        done = tool(routine.parent, "verify", "out", "--shop", str(house / "shop.toml"))
        assert (done.returncode, "recomputes identically" in done.stdout) == (0, True), done.stdout
        done = tool(routine.parent, "verify", "out")
        assert done.returncode == DIFFERS
        for rule in RULES:
            assert f"note: the plugin {rule} of house folder, which it used, is not loaded here" in done.stdout

    @pytest.mark.parametrize(("with_shop", "code"), [(True, PASS), (False, UNDECIDED)])
    def test_a_run_that_was_broken_off_goes_on_with_the_shop_alone(
        self,
        house: Path,
        routine: Path,
        tool: Callable[..., Done],
        run: Callable[..., Done],
        *,
        with_shop: bool,
        code: int,
    ) -> None:
        assert run(routine, house / "shop.toml", ANSWERS[:7]).returncode == INTERRUPTED
        (journal,) = (routine.parent / "out").glob("*.journal.jsonl")
        rest = routine.with_name("rest.csv")
        rest.write_text("time,answer\n" + "".join(f",{answer}\n" for answer in ANSWERS[7:]), "utf-8")
        named = ("--shop", str(house / "shop.toml")) if with_shop else ()
        done = tool(routine.parent, "resume", str(journal), "--source", f"readings:{rest}", "--json", *named)
        assert done.returncode == code, done.stdout + done.stderr
        expected = [] if with_shop else [f"{rule}/failed" for rule in RULES]
        assert stops(json.loads(done.stdout)) == expected

    def test_without_the_shop_the_routine_is_refused(self, routine: Path, run: Callable[..., Done]) -> None:
        done = run(routine, None)
        assert done.returncode == 2
        assert "wipe" in done.stderr
