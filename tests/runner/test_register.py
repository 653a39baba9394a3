"""The shop's register: what it holds, how it is written, and who may be used for what on which day."""

from __future__ import annotations

import datetime as dt
import os
import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero.amending import amend_devices
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.errors import FileFaultsError
from holdzero.register import KINDS, Device, Requirement, device_from_data, load_register, unfit
from holdzero.register_history import RegisterError
from holdzero.registering import add_entry
from holdzero.routine import schema
from holdzero.verify import verify

SHOP = """\
format = 1

[reference.block-5]
name = "Block 5 mm, set 1"
size = "5 mm"
deviation = { value = "+0.05 um", expanded = "0.06 um", coverage = 2 }
material = "steel"
due = 2036-05-31

[comparator.dial-1]
resolution = "0.1 um"
travel = "50 um"

[thermometer.t-1]
error = { expanded = "0.1 K", coverage = 2 }

[inspector.te]
name = "T. Ester"
"""
ROUTINE = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
size = "5 mm"
material = "steel"
largest_expanded = "0.1 um"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" } ]

[[steps]]
do = "return"

[[steps]]
do = "compare"
"""
READINGS = ("0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0")
TODAY = dt.date(2026, 7, 1)


class Outcome(Protocol):
    """What a measurement came to; see conftest."""

    code: int
    said: str
    records: list[dict[str, Any]]

    @property
    def record(self) -> dict[str, Any]: ...


Measure: TypeAlias = Callable[..., Outcome]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = tmp_path / "shop.toml"
    path.write_text(SHOP, "utf-8")
    return path


def told(*arguments: str | Path, code: int = 0) -> str:
    """What the command line prints, on both streams."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    return result.output


class TestARegister:
    def test_is_read_in_inside_units(self, shop: Path) -> None:
        register = load_register(shop)
        assert register.reference["block-5"].size == 5000.0
        assert register.reference["block-5"].deviation.standard_uncertainty == 0.03
        assert register.reference["block-5"].due == dt.date(2036, 5, 31)
        assert register.comparator["dial-1"].unit == "um"
        assert register.inspector["te"].name == "T. Ester"

    def test_that_is_not_there_is_empty(self, tmp_path: Path) -> None:
        register = load_register(tmp_path / "none.toml")
        assert all(not getattr(register, kind) for kind in KINDS)
        assert register.entry("reference", "block-5") is None

    def test_gives_an_entry_as_it_was_written_for_the_record(self, shop: Path) -> None:
        assert load_register(shop).entry("reference", "block-5") == {
            "id": "block-5",
            "name": "Block 5 mm, set 1",
            "size": "5 mm",
            "deviation": {"value": "+0.05 um", "expanded": "0.06 um", "coverage": 2},
            "material": "steel",
            "due": "2036-05-31",
        }

    def test_gives_every_entry_the_name_that_it_is_called_by(self, shop: Path) -> None:
        shop.write_text(SHOP.replace('material = "steel"', 'id = "another"'), "utf-8")
        entry = load_register(shop).entry("reference", "block-5")
        assert entry is not None
        assert entry["id"] == "block-5"

    @pytest.mark.parametrize(
        ("old", "new", "key", "mend"),
        [
            ("size", "sise", "reference.block-5.sise", "did you mean size?"),
            ("travel", "smallest_travel", "comparator.dial-1.smallest_travel", "drop it"),
            ('name = "T. Ester"', 'nmae = "T. Ester"', "inspector.te.nmae", "did you mean name?"),
            ("2036-05-31", "2036", "reference.block-5.due", "write year, month and day"),
            ('"5 mm"\n', "5\n", "reference.block-5.size", "write it with its unit"),
            ("format = 1", "format = 2", "format", "reads format 1"),
            ("[thermometer.t-1]", "[thermometers.t-1]", "thermometers", "did you mean thermometer?"),
            ("[inspector.te]", "[data.te]", "data", "drop it"),
            ("[inspector.te]", '[inspector." te"]', "inspector. te", "drop blanks"),
            ('{ expanded = "0.1 K", coverage = 2 }', '{ expanded = "0.1 K" }', "thermometer.t-1.error", "add coverage"),
        ],
    )
    def test_with_a_fault_says_file_line_and_key(self, shop: Path, old: str, new: str, key: str, mend: str) -> None:
        assert SHOP.count(old) == 1
        text = SHOP.replace(old, new)
        shop.write_text(text, "utf-8")
        with pytest.raises(FileFaultsError) as caught:
            load_register(shop)
        fault = next(fault for fault in caught.value.faults if fault.key == key)
        assert fault.file == str(shop)
        assert fault.line == text.count("\n", 0, text.index(new)) + 1
        assert mend in fault.mend

    def test_with_several_faults_says_them_all(self, shop: Path) -> None:
        shop.write_text(SHOP.replace('"50 um"', '"50"').replace('"5 mm"\n', '"5"\n'), "utf-8")
        with pytest.raises(FileFaultsError) as caught:
            load_register(shop)
        assert [fault.key for fault in caught.value.faults] == ["reference.block-5.size", "comparator.dial-1.travel"]


class TestAnAddedEntry:
    def test_begins_a_register(self, tmp_path: Path) -> None:
        path = tmp_path / "shop.toml"
        register = add_entry(path, "comparator", "dial-2", {"resolution": "0.5 um"})
        assert register.comparator["dial-2"].resolution == 0.5
        assert tomllib.loads(path.read_text("utf-8")) == {
            "format": 1,
            "comparator": {"dial-2": {"resolution": "0.5 um"}},
        }

    def test_leaves_the_others_as_they_were(self, shop: Path) -> None:
        before = load_register(shop)
        add_entry(shop, "inspector", "ab", {"name": "A. Bee"})
        after = load_register(shop)
        for kind in KINDS:
            for identifier in getattr(before, kind):
                assert after.entry(kind, identifier) == before.entry(kind, identifier)
                assert getattr(after, kind)[identifier] == getattr(before, kind)[identifier]
        assert after.inspector["ab"].name == "A. Bee"

    def test_takes_the_place_of_one_with_its_name(self, shop: Path) -> None:
        add_entry(shop, "comparator", "dial-1", {"resolution": "0.2 um"})
        assert load_register(shop).comparator["dial-1"].resolution == 0.2
        assert load_register(shop).comparator["dial-1"].travel is None

    def test_may_have_a_date(self, shop: Path) -> None:
        add_entry(shop, "comparator", "dial-1", {"resolution": "0.2 um", "due": dt.date(2030, 1, 2)})
        assert load_register(shop).comparator["dial-1"].due == dt.date(2030, 1, 2)

    @pytest.mark.parametrize(
        ("identifier", "table"),
        [
            ("dial-2", {}),
            ("dial-2", {"resolution": "0.5"}),
            ("dial-2", {"resolution": "0.5 um", "colour": "red"}),
            ("", {"resolution": "0.5 um"}),
            (" dial-2", {"resolution": "0.5 um"}),
            ("dial\n2", {"resolution": "0.5 um"}),
            ("dial-\udcff", {"resolution": "0.5 um"}),
        ],
    )
    def test_that_is_not_valid_changes_nothing(self, shop: Path, identifier: str, table: dict[str, Any]) -> None:
        with pytest.raises(FileFaultsError):
            add_entry(shop, "comparator", identifier, table)
        assert shop.read_text("utf-8") == SHOP
        assert list(shop.parent.iterdir()) == [shop]

    def test_is_not_put_into_a_register_that_is_faulty(self, shop: Path) -> None:
        shop.write_text(SHOP + "colour = 3\n", "utf-8")
        with pytest.raises(FileFaultsError):
            add_entry(shop, "inspector", "ab", {})
        assert shop.read_text("utf-8") == SHOP + "colour = 3\n"

    @pytest.mark.parametrize("failing", ["fsync", "replace"])
    def test_that_can_not_be_written_leaves_the_register_and_nothing_else(
        self, shop: Path, monkeypatch: pytest.MonkeyPatch, failing: str
    ) -> None:
        def fail(*_: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os if failing == "fsync" else Path, failing, fail)
        with pytest.raises(RegisterError, match="No space left"):
            add_entry(shop, "inspector", "ab", {})
        monkeypatch.undo()
        assert shop.read_text("utf-8") == SHOP
        assert list(shop.parent.iterdir()) == [shop]

    def test_is_on_the_disk_before_the_old_file_is_replaced(self, shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        order: list[str] = []
        sync, replace = os.fsync, Path.replace

        def synced(handle: int) -> None:
            order.append("fsync")
            sync(handle)

        def replaced(path: Path, target: Path) -> Path:
            order.append("replace")
            return replace(path, target)

        monkeypatch.setattr(os, "fsync", synced)
        monkeypatch.setattr(Path, "replace", replaced)
        add_entry(shop, "inspector", "ab", {})
        # The history and its name, the register; then the old one goes, and the name of the new one is kept.
        assert order == ["fsync", "fsync", "fsync", "replace", "fsync"]

    def test_goes_where_a_link_points(self, shop: Path, tmp_path: Path) -> None:
        link = tmp_path / "link.toml"
        link.symlink_to(shop)
        add_entry(link, "inspector", "ab", {})
        assert link.is_symlink()
        assert "ab" in load_register(shop).inspector


class TestTheRightsOfTheFile:
    def test_stay_as_they_were(self, shop: Path) -> None:
        shop.chmod(0o664)
        before = stat.S_IMODE(shop.stat().st_mode)
        add_entry(shop, "inspector", "ab", {})
        assert stat.S_IMODE(shop.stat().st_mode) == before

    def test_of_a_new_one_are_those_of_any_new_file(self, tmp_path: Path) -> None:
        other = tmp_path / "other"
        other.touch()
        add_entry(tmp_path / "shop.toml", "inspector", "ab", {})
        assert (tmp_path / "shop.toml").stat().st_mode == other.stat().st_mode


class TestAtTheCommandLine:
    def test_add_list_and_show_go_together(self, tmp_path: Path) -> None:
        path = tmp_path / "shop.toml"
        keys = ['size="5 mm"', "material=steel", "due=2036-05-31"]
        deviation = 'deviation={ value = "0 um", expanded = "0.06 um", coverage = 2 }'
        assert "reference block-5" in told("register", "add", "reference", "block-5", *keys, deviation, "--shop", path)
        listed = told("register", "list", "--shop", path).splitlines()
        assert [line.split() for line in listed] == [
            ["kind", "identifier", "name", "size", "due"],
            ["reference", "block-5", "5", "mm", "2036-05-31"],
        ]
        shown = told("register", "show", "block-5", "--shop", path)
        assert "material = steel" in shown
        assert "due = 2036-05-31" in shown

    def test_an_empty_register_says_how_to_begin(self, tmp_path: Path) -> None:
        assert "holdzero register add" in told("register", "list", "--shop", tmp_path / "shop.toml")


def reference(**keys: object) -> Device:
    deviation = {"value": "0 um", "expanded": "0.07 um", "coverage": 2}
    return device_from_data("reference", {"size": "5 mm", "deviation": deviation, "material": "steel", **keys})


def required(**keys: str) -> schema.RequiredReference:
    return schema.RequiredReference.model_validate({"size": "5 mm", **keys})


class TestADevice:
    @pytest.mark.parametrize(
        ("device", "requirement"),
        [
            (reference(), None),
            (reference(due="2026-07-01"), None),
            (reference(), required()),
            (reference(), required(size="0.005 m", material="steel")),
            (reference(), required(largest_expanded="0.07 um")),
            (reference(), required(largest_expanded="70 nm")),
            (
                device_from_data("comparator", {"resolution": "0.00002 in", "travel": "2 thou"}),
                schema.RequiredComparator.model_validate(
                    {"largest_resolution": "0.000508 mm", "smallest_travel": "0.0508 mm"}
                ),
            ),
            (
                device_from_data("thermometer", {"error": {"expanded": "0.1 K", "coverage": 2}}),
                schema.RequiredThermometer.model_validate({"largest_expanded": "100 mK"}),
            ),
        ],
    )
    def test_is_fit_up_to_and_with_the_limit_and_the_day(self, device: Device, requirement: Requirement | None) -> None:
        assert unfit(device, requirement, TODAY) == ()

    @pytest.mark.parametrize(
        ("device", "requirement", "reason"),
        [
            (reference(due="2026-06-30"), None, "its calibration was due on 2026-06-30"),
            (reference(), required(size="5.001 mm"), "its size is 5 mm, required is 5.001 mm"),
            (reference(material=""), required(material="ceramic"), "it is of unknown material, required is ceramic"),
            (reference(), required(largest_expanded="0.069 um"), "U = 0.07 um (k = 2), at most 0.069 um is required"),
            (
                device_from_data("comparator", {"resolution": "0.5 um"}),
                schema.RequiredComparator.model_validate({"largest_resolution": "0.1 um"}),
                "it resolves 0.5 um, 0.1 um is required",
            ),
            (
                device_from_data("comparator", {"resolution": "0.1 um"}),
                schema.RequiredComparator.model_validate({"largest_resolution": "0.1 um", "smallest_travel": "1 um"}),
                "its travel is less than 1 um",
            ),
            (
                device_from_data("thermometer", {"error": {"halfwidth": "0.2 K"}}),
                schema.RequiredThermometer.model_validate({"largest_expanded": "0.2 K"}),
                "U = 0.231 K (k = 2), at most 0.2 K is required",
            ),
            (reference(), schema.RequiredThermometer.model_validate({"largest_expanded": "1 K"}), "it is another kind"),
        ],
    )
    def test_is_unfit_and_the_reason_says_by_how_much(
        self, device: Device, requirement: Requirement | None, reason: str
    ) -> None:
        (said,) = unfit(device, requirement, TODAY)
        assert said.startswith(reason)

    def test_may_be_unfit_for_several_reasons(self) -> None:
        reasons = unfit(reference(due="2026-06-30"), required(size="6 mm", largest_expanded="1 nm"), TODAY)
        assert len(reasons) == 3

    @pytest.mark.parametrize("role", ["inspector", "anvil", ""])
    def test_has_a_role_that_devices_have(self, role: str) -> None:
        with pytest.raises(FileFaultsError):
            device_from_data(role, {})

    def test_of_a_record_that_is_none_is_a_fault(self) -> None:
        with pytest.raises(FileFaultsError, match="the reference in the record: error: size"):
            device_from_data("reference", {"deviation": "0 um"})


class TestARunWithARegister:
    def test_asks_for_what_the_routine_requires_and_records_the_entry(self, measure: Measure, shop: Path) -> None:
        outcome = measure(ROUTINE, ("block-5", *READINGS), shop=shop)
        assert outcome.code == 0, outcome.said
        entry = outcome.record["register"]["reference"]
        assert (entry["id"], entry["due"], entry["overruled"]) == ("block-5", "2036-05-31", None)

    def test_has_another_block_computed_anew_where_the_wrong_one_was_named(
        self, measure: Measure, shop: Path, catalogue: Catalogue
    ) -> None:
        record = measure(ROUTINE, ("block-5", *READINGS), shop=shop).record
        deviation = {"value": "-0.95 um", "expanded": "0.06 um", "coverage": 2}
        right = {"id": "block-6", "size": "5 mm", "deviation": deviation, "material": "steel"}
        made = amend_devices(
            record,
            catalogue,
            reason="mixed up",
            by="T. Ester",
            at="2026-07-01T08:00:00+02:00",
            changes={},
            devices={"reference": right},
        )
        was, now = (item["results"]["thickness"]["value_um"] for item in (record, made))
        assert now - was == pytest.approx(-1.0, abs=1e-9)  # the two deviations differ by so much
        assert made["register"]["reference"] == {**right, "overruled": None}
        assert verify(made, catalogue) == []

    @pytest.mark.parametrize(
        ("old", "new", "reason"),
        [
            ("due = 2036-05-31", "due = 2020-05-31", "its calibration was due on 2020-05-31"),
            ('"5 mm"\n', '"6 mm"\n', "its size is 6 mm, required is 5 mm"),
            ('expanded = "0.06 um"', 'expanded = "0.2 um"', "at most 0.1 um is required"),
        ],
    )
    def test_keeps_in_the_record_why_an_unfit_device_was_used(
        self, measure: Measure, shop: Path, old: str, new: str, reason: str
    ) -> None:
        shop.write_text(SHOP.replace(old, new, 1), "utf-8")
        outcome = measure(ROUTINE, ("block-5", *READINGS), shop=shop, overrule="the only one today")
        overruled = outcome.record["register"]["reference"]["overruled"]
        assert reason in overruled
        assert "the only one today" in overruled
        doubts = [finding for finding in outcome.record["findings"] if finding["code"] == "reference/overruled"]
        assert [finding["level"] for finding in doubts] == ["doubt"]

    def test_does_not_use_an_unfit_device_without_a_reason(self, measure: Measure, shop: Path) -> None:
        shop.write_text(SHOP.replace("2036-05-31", "2020-05-31"), "utf-8")
        outcome = measure(ROUTINE, ("block-5", *READINGS), shop=shop)
        assert (outcome.code, outcome.records) == (2, [])

    def test_does_not_know_a_device_that_is_not_there(self, measure: Measure, shop: Path) -> None:
        outcome = measure(ROUTINE, ("block-6", *READINGS), shop=shop)
        assert (outcome.code, outcome.records) == (2, [])
        assert "there is no reference 'block-6' in the register; it has: block-5" in outcome.said

    def test_keeps_the_reason_of_an_overdue_device_that_the_routine_states(self, measure: Measure, shop: Path) -> None:
        whole = ROUTINE.replace('largest_expanded = "0.1 um"', 'deviation = "0 um"\ndue = 2020-05-31')
        assert measure(whole, READINGS, shop=shop).code == 2
        outcome = measure(whole, READINGS, shop=shop, overrule="sent away tomorrow")
        overruled = outcome.record["register"]["reference"]["overruled"]
        assert "its calibration was due on 2020-05-31" in overruled
        assert "sent away tomorrow" in overruled
