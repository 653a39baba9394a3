"""Plugins of a house folder: loaded when the shop says so by name, refused with the reason otherwise."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import hooks
from holdzero.catalogue import Catalogue, House, load_catalogue
from holdzero.cli.house import open_shop
from holdzero.software import remarks_on
from holdzero.testing import PLAIN
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Any]  # see conftest

CHECK = """\
from holdzero.hooks import *
from holdzero.hooks import Settings


def judge(settings, run, characteristics):
    yield Finding(level=Level.NOTE, code="bench_lamp/seen", text="LIT")


@hookimpl
def holdzero_checks():
    return [Check(name="bench_lamp", title="is the lamp on", settings=Settings, judge=judge)]
"""
ROUTINE = PLAIN + "\n[checks.bench_lamp]\n"
SETTINGS = 'format = 1\n[plugins]\nfolder = "house"\nenabled = ["bench_lamp"]\n'


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop with one plugin in its house folder, and a file beside it that nobody enabled."""
    folder = tmp_path / "shop"
    (folder / "house").mkdir(parents=True)
    (folder / "house" / "bench_lamp.py").write_text(CHECK, "utf-8")
    (folder / "house" / "stray.py").write_text("raise RuntimeError('must not run')\n", "utf-8")
    path = folder / "shop.toml"
    path.write_text(SETTINGS, "utf-8")
    return path


def house(shop: Path, **changes: Any) -> Catalogue:
    settings: dict[str, Any] = {"folder": shop.parent / "house", "enabled": ("bench_lamp",), **changes}
    return load_catalogue(house=House(**settings))


def reason(catalogue: Catalogue, name: str = "bench_lamp") -> str:
    (refusal,) = (refusal for refusal in catalogue.refusals if refusal.name == name)
    return refusal.reason


class TestEnabled:
    def test_takes_part_in_a_run_and_is_named_in_the_record(self, shop: Path, measure: Measure) -> None:
        record = measure(ROUTINE, shop=shop).record
        assert record["verdict"] == "pass"
        assert any(finding["text"] == "LIT" for finding in record["findings"])
        (said,) = (item for item in record["software"]["plugins"] if item["name"] == "bench_lamp")
        assert said["distribution"] == "house folder"
        assert said["digest"].startswith("sha256:")
        assert verify(record, open_shop(shop).catalogue) == []

    def test_says_its_own_version(self, shop: Path) -> None:
        path = shop.parent / "house" / "bench_lamp.py"
        path.write_text(CHECK + '\n__version__ = "3.1"\n', "utf-8")
        (plugin,) = (plugin for plugin in house(shop).plugins if plugin.name == "bench_lamp")
        assert plugin.version == "3.1"

    def test_no_file_beside_it_is_run(self, shop: Path) -> None:
        catalogue = house(shop)
        assert [refusal.name for refusal in catalogue.refusals] == []
        assert "bench_lamp" in catalogue.checks

    def test_counts_from_the_folder_of_the_settings(self, shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(shop.parent.parent)
        assert "bench_lamp" in open_shop(Path("shop/shop.toml")).catalogue.checks


class TestNotEnabled:
    def test_settings_that_only_lie_in_the_current_folder_run_no_code(
        self, shop: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(shop.parent)
        catalogue = open_shop(None).catalogue
        assert "bench_lamp" not in catalogue.checks
        assert "name them with --shop" in reason(catalogue)

    @pytest.mark.parametrize("given", [{"env": True}, {"env": False}])
    def test_they_do_when_they_are_named(self, shop: Path, given: dict[str, bool], starter: Any) -> None:
        env = {"HOLDZERO_SHOP": "shop.toml"} if given["env"] else {}
        named = () if given["env"] else ("--shop", "shop.toml")
        done = starter.run("plugins", *named, folder=shop.parent, env={**env, "PATH": ""})
        assert done.returncode == 0
        assert "check bench_lamp" in done.stdout

    def test_switched_off_by_name_it_is_missed(self, shop: Path, measure: Measure) -> None:
        shop.write_text(SETTINGS + 'off = ["bench_lamp"]\n', "utf-8")
        outcome = measure(ROUTINE, shop=shop)
        assert outcome.code == 3
        (stop,) = [finding for finding in outcome.record["findings"] if finding["level"] == "stop"]
        assert "it is switched off in the settings of the shop" in stop["text"]

    def test_a_built_in_can_be_switched_off_and_then_nothing_passes(self, shop: Path, measure: Measure) -> None:
        shop.write_text('format = 1\nplugins.off = ["zero_return"]\n', "utf-8")
        outcome = measure(PLAIN, shop=shop)
        assert outcome.code == 3
        assert "zero_return/failed" in outcome.codes("stop")


class TestRefused:
    @pytest.mark.parametrize(
        ("text", "why"),
        [
            ("def broken(:\n", "SyntaxError"),
            ("raise RuntimeError('no licence')\n", "RuntimeError: no licence"),
            (CHECK + f"\nHOLDZERO_API = {hooks.PLUGIN_API + 1}\n", "install a newer holdzero"),
            (CHECK + "\nHOLDZERO_API = 'one'\n", "write the version of the plugin surface"),
            ("from holdzero.hooks import Oracle\n", "is it made for a newer one?"),
            (CHECK.replace("bench_lamp", "thermal"), "built into holdzero, declares the check thermal too"),
            (CHECK.replace("settings=Settings", "settings=dict"), "settings must be a class"),
            (CHECK.replace("def holdzero_checks()", "def holdzero_checks(run)"), "holdzero_checks"),
            (CHECK + "\ndef holdzero_sauces():\n    return []\n", "holdzero_sauces is no hook"),
            ("", "it declares nothing"),
        ],
    )
    def test_with_the_reason_and_the_run_ends_undecided(
        self, shop: Path, measure: Measure, text: str, why: str
    ) -> None:
        (shop.parent / "house" / "bench_lamp.py").write_text(text, "utf-8")
        assert why in reason(house(shop))
        outcome = measure(ROUTINE, shop=shop)
        assert outcome.code == 3, outcome.said
        assert any(why in finding["text"] for finding in outcome.record["findings"])
        assert "Traceback" not in outcome.said

    def test_where_there_is_no_such_file(self, shop: Path) -> None:
        assert "there is no file" in reason(house(shop, enabled=("lamp",)), "lamp")

    @pytest.mark.parametrize("name", ["../bench_lamp", "house/bench_lamp", "a b"])
    def test_where_the_name_leads_elsewhere(self, shop: Path, name: str) -> None:
        assert "it must be that of a file in the folder" in reason(house(shop, enabled=(name,)), name)

    def test_where_there_is_no_folder(self, shop: Path) -> None:
        assert "name no folder; add folder to [plugins]" in reason(house(shop, folder=None))

    def test_a_misspelled_setting_is_named_with_its_line(self, shop: Path, starter: Any) -> None:
        shop.write_text(SETTINGS.replace("enabled", "enable"), "utf-8")
        done = starter.run("plugins", "--shop", "shop.toml", folder=shop.parent)
        assert done.returncode == 2
        assert "shop.toml:4: error: plugins.enable: found the unknown key" in done.stderr
        assert "did you mean enabled?" in done.stderr


class TestAnotherSoftware:
    def test_verify_says_that_a_plugin_is_missing_and_the_result_differs(
        self, shop: Path, measure: Measure, starter: Any
    ) -> None:
        outcome = measure(ROUTINE, shop=shop)
        done = starter.run("verify", str(outcome.folder), folder=Path.cwd())
        assert done.returncode == 1
        assert "the plugin bench_lamp of house folder, which it used, is not loaded here" in done.stdout
        first, *others = done.stdout.splitlines()
        assert (
            "can't be recomputed here: the plugin bench_lamp that it used is not loaded (the record says pass)" in first
        )
        assert "DIFFERS" not in done.stdout
        assert any(line.startswith("    verdict:") for line in others)
        again = starter.run("verify", str(outcome.folder), "--shop", str(shop), folder=Path.cwd())
        assert (again.returncode, "note:" in again.stdout) == (0, False)

    @pytest.mark.parametrize(("right", "wrong"), [('"+1.1"', '"+1.2"'), ('"verdict": "pass"', '"verdict": "fail"')])
    def test_a_record_that_was_changed_differs_whatever_is_missing(
        self, shop: Path, measure: Measure, right: str, wrong: str, starter: Any
    ) -> None:
        outcome = measure(ROUTINE, shop=shop)
        (path,) = outcome.folder.glob("*.record.json")
        text = path.read_text("utf-8")
        assert right in text
        path.write_text(text.replace(right, wrong), "utf-8")
        done = starter.run("verify", str(path), folder=Path.cwd())
        assert done.returncode == 1
        assert "DIFFERS" in done.stdout
        assert "can't be recomputed here" not in done.stdout

    def test_verify_says_that_a_plugin_has_another_text(self, shop: Path, measure: Measure) -> None:
        record = measure(ROUTINE, shop=shop).record
        (shop.parent / "house" / "bench_lamp.py").write_text(CHECK + "# mended\n", "utf-8")
        catalogue = load_fresh(shop)
        assert verify(record, catalogue) == []
        assert remarks_on(record["software"], catalogue) == [
            "the plugin bench_lamp of house folder has another text here"
        ]

    def test_a_record_without_a_word_on_software_is_told(self) -> None:
        assert remarks_on(None, Catalogue()) == ["the record does not say what software made it"]


def load_fresh(shop: Path) -> Catalogue:
    """As another process would: nothing is remembered of the files."""
    from holdzero import catalogue

    catalogue.digest_of.cache_clear()
    return open_shop(shop).catalogue


class TestAddingToTheRegister:
    def test_keeps_the_settings(self, shop: Path, starter: Any) -> None:
        deviation = 'deviation={ value = "0 um", expanded = "0.06 um", coverage = 2 }'
        keys = ('size="5 mm"', deviation, "material=steel")
        added = starter.run("register", "add", "reference", "B5", *keys, "--shop", str(shop), folder=Path.cwd())
        assert added.returncode == 0, added.stderr
        assert "bench_lamp" in open_shop(shop).catalogue.checks
        assert "B5" in open_shop(shop).register.reference
