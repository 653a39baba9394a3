"""The register while it changes: one at a time, asked about, with a history, and without slips."""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.register import device_from_data, load_register
from holdzero.register_history import RegisterError, changes_of, history_path, tampered
from holdzero.registering import GRADE_2, add_entry, unlikely
from holdzero_plugins.checks.block import standards

COMMENTED = """\
# The shop's own words.
format = 1

# The first set.
[reference.block-5]   # in the case
size = "5 mm"         # nominal
deviation = { value = "+0.05 um", expanded = "0.06 um", coverage = 2 }  # of C-1
material = "steel"
certificate = "C-1"

[plugins]
off = ["slips"]       # too many questions
"""
DEVIATION = 'deviation={ value = "+0.05 um", expanded = "0.06 um", coverage = 2 }'
BLOCK = ("register", "add", "reference", "block-5", 'size="5 mm"', "material=steel", "certificate=C-2")


class Starts(Protocol):
    """The tool as a process of its own; see conftest."""

    def begin(self, *arguments: str, folder: Path, streams: tuple[int, int, int]) -> Any: ...


class Sits(Protocol):
    """A person at a terminal; see conftest."""

    screen: str

    def shows(self, pattern: str) -> None: ...
    def say(self, line: str) -> None: ...
    def ends(self) -> int: ...


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = tmp_path / "shop.toml"
    path.write_text(COMMENTED, "utf-8")
    return path


def told(*arguments: str | Path, code: int = 0) -> str:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    return result.output


def refused(*arguments: str | Path) -> str:
    """What is printed, and what the tool ends with."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert isinstance(result.exception, HoldzeroError), result.output
    return f"{result.output}{result.exception}"


def reference(value: str, size: str = "5 mm", expanded: str = "0.06 um", **keys: object) -> Any:
    deviation: Any = {"value": value, "expanded": expanded, "coverage": 2} if expanded else value
    return device_from_data("reference", {"size": size, "deviation": deviation, "material": "steel", **keys})


class TestManyAtOnce:
    def test_six_that_add_at_once_leave_six_entries(self, tmp_path: Path, starter: Starts) -> None:
        nothing = os.open(os.devnull, os.O_RDWR)
        begun = [
            starter.begin(
                *("register", "add", "comparator", f"dial-{number}", 'resolution="0.1 um"'),
                folder=tmp_path,
                streams=(nothing, nothing, nothing),
            )
            for number in range(6)
        ]
        assert [tool.wait(60) for tool in begun] == [0] * 6
        os.close(nothing)
        path = tmp_path / "shop.toml"
        assert sorted(load_register(path).comparator) == [f"dial-{number}" for number in range(6)]
        assert len(changes_of(path)) == 6
        assert tampered(path, load_register(path)) == []
        assert sorted(item.name for item in tmp_path.iterdir()) == ["shop.history.jsonl", "shop.toml"]

    def test_what_was_shown_is_replaced_and_nothing_else(self, shop: Path) -> None:
        shown = load_register(shop).entry("reference", "block-5")
        other = {"size": "5 mm", "deviation": "0 um", "certificate": "C-9"}
        add_entry(shop, "reference", "block-5", other, before=shown)
        with pytest.raises(Exception, match="changed meanwhile"):
            add_entry(shop, "reference", "block-5", {"size": "5 mm", "deviation": "1 um"}, before=shown)
        assert load_register(shop).reference["block-5"].certificate == "C-9"


class TestReplacing:
    def test_is_not_done_without_being_asked_for(self, shop: Path) -> None:
        said = refused(*BLOCK, DEVIATION, "--shop", shop)
        assert "certificate: C-1 -> C-2" in said
        assert "--replace" in said
        assert shop.read_text("utf-8") == COMMENTED
        assert not history_path(shop).exists()

    def test_needs_a_reason(self, shop: Path) -> None:
        assert "without a reason" in refused(*BLOCK, DEVIATION, "--shop", shop, "--replace")
        assert shop.read_text("utf-8") == COMMENTED

    @pytest.mark.parametrize(
        "more",
        [['name="a\\u001b[2K"'], ['certificate="C\\u202e1"'], ["--why", "a\nb"], ["--by", "A\u202enn"]],
        ids=["name", "certificate", "why", "by"],
    )
    def test_writes_nothing_that_it_would_not_read_again(self, shop: Path, more: list[str]) -> None:
        new = ("register", "add", "reference", "block-6", 'size="5 mm"', "material=steel", DEVIATION, "--shop", shop)
        assert "U+" in refused(*new, *more)
        assert shop.read_text("utf-8") == COMMENTED
        assert load_register(shop).reference.keys() == {"block-5"}

    def test_keeps_who_when_why_and_what_was_there(self, shop: Path) -> None:
        told(*BLOCK, DEVIATION, "--shop", shop, "--replace", "--why", "calibrated", "--by", "T. Ester")
        (change,) = changes_of(shop)
        assert (change.by, change.why, change.kind, change.id) == ("T. Ester", "calibrated", "reference", "block-5")
        assert change.before is not None
        assert (change.before["certificate"], change.after["certificate"]) == ("C-1", "C-2")
        assert dt.datetime.fromisoformat(change.at).utcoffset() is not None
        shown = told("register", "history", "block-5", "--shop", shop)
        assert "replaced by T. Ester: calibrated" in shown
        assert "certificate = C-1" in shown

    @pytest.mark.terminal
    def test_is_asked_about_at_a_terminal(self, shop: Path, person: Callable[..., Sits]) -> None:
        someone = person(*BLOCK, DEVIATION, "--shop", str(shop))
        someone.shows(r"certificate: C-1 -> C-2[\s\S]*Replace it\?")
        someone.say("y")
        someone.shows("Why")
        someone.say("the new certificate came")
        assert someone.ends() == 0, someone.screen
        assert load_register(shop).reference["block-5"].certificate == "C-2"
        assert changes_of(shop)[-1].why == "the new certificate came"


class TestAHistory:
    @pytest.fixture
    def changed(self, shop: Path) -> Path:
        for number in range(3):
            add_entry(shop, "inspector", f"i{number}", {"name": "A"}, by="x")
        return shop

    def test_shows_that_a_line_was_taken_out(self, changed: Path) -> None:
        lines = history_path(changed).read_text("utf-8").splitlines(keepends=True)
        history_path(changed).write_text("".join([lines[0], lines[2]]), "utf-8")
        assert "a line was changed or taken out" in told("register", "history", "--shop", changed, code=1)

    def test_shows_that_a_line_was_changed(self, changed: Path) -> None:
        text = history_path(changed).read_text("utf-8")
        history_path(changed).write_text(text.replace('"by": "x"', '"by": "y"', 1), "utf-8")
        assert len(tampered(changed, load_register(changed))) == 1

    def test_shows_that_an_entry_was_changed_by_hand(self, changed: Path) -> None:
        changed.write_text(changed.read_text("utf-8").replace('name = "A"', 'name = "B"', 1), "utf-8")
        assert "inspector i0 is not what the history says" in tampered(changed, load_register(changed))[0]

    def test_goes_on_after_a_line_that_was_cut_off_by_a_kill(self, changed: Path) -> None:
        with history_path(changed).open("ab") as file:
            file.write(b'{"after": {"na')
        add_entry(changed, "inspector", "i3", {})
        assert [change.id for change in changes_of(changed)] == ["i0", "i1", "i2", "i3"]
        assert tampered(changed, load_register(changed)) == []

    def test_has_no_line_of_a_change_that_could_not_be_written(
        self, changed: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_: object) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patch:
            patch.setattr(Path, "replace", fail)
            with pytest.raises(RegisterError, match="No space left"):
                add_entry(changed, "inspector", "i3", {})
        assert len(changes_of(changed)) == 3


class TestTheFile:
    def test_keeps_its_comments_and_settings(self, shop: Path) -> None:
        told(*BLOCK, DEVIATION, "--shop", shop, "--replace", "--why", "calibrated")
        told("register", "add", "reference", "block-6", 'size="6 mm"', "material=steel", DEVIATION, "--shop", shop)
        text = shop.read_text("utf-8")
        comments = re.findall(r"#.*", COMMENTED)
        assert [comment for comment in comments if comment not in text] == []
        assert load_register(shop).plugins.off == ("slips",)
        assert load_register(shop).reference["block-6"].size == 6000.0

    @pytest.mark.parametrize(
        "text",
        [
            'reference.b.size = "5 mm"\nreference.b.deviation = "0 um"\n',
            'reference = { b = { size = "5 mm", deviation = "0 um" } }\n',
            '[inspector.a]\n[reference.b]\nsize = "5 mm"\ndeviation = "0 um"\n[inspector.c]\nname = "C"\n',
            '[inspector]\n"a.b" = { name = "A" }\n',
            '\ufeff[inspector.a]\r\nname = "A"\r\n',
        ],
    )
    def test_may_be_laid_out_in_any_way(self, tmp_path: Path, text: str) -> None:
        path = tmp_path / "shop.toml"
        path.write_bytes(text.encode("utf-8"))
        before = load_register(path)
        add_entry(path, "inspector", "x.y", {"name": "X"})
        add_entry(path, "reference", "n", {"size": "1 mm", "deviation": {"value": "0 um", "standard": "1 nm"}})
        after = load_register(path)
        assert after.inspector == {**before.inspector, "x.y": after.inspector["x.y"]}
        assert after.reference == {**before.reference, "n": after.reference["n"]}


class TestASlip:
    def test_the_limits_are_those_of_grade_2(self) -> None:
        limits = {upto: standards()["ISO 3650"].limits(1000.0 * upto)["2"].te_um for upto, _ in GRADE_2}
        assert limits == dict(GRADE_2)
        assert standards()["ISO 3650"].limits(1000.0 * GRADE_2[-1][0] + 1.0) == {}

    # ISO 3650:1998, table 5, te of grade 2 (from memory): 0.45 um up to 10 mm, 0.60 um up to 25 mm, 8.00 um at 1 m.
    @pytest.mark.parametrize(
        ("size", "value", "odd"),
        [
            ("5 mm", "+4.5 um", False),
            ("5 mm", "-4.6 um", True),
            ("10 mm", "4.6 um", True),
            ("10.001 mm", "4.6 um", False),
            ("25 mm", "+0.05 mm", True),
            ("1000 mm", "-80 um", False),
            ("1000 mm", "-80.1 um", True),
            ("0.4 mm", "5 um", True),
        ],
    )
    def test_in_a_deviation_is_more_than_ten_limits(self, size: str, value: str, odd: bool) -> None:
        assert bool(unlikely(reference(value, size), {"steel"})) is odd

    def test_is_a_deviation_without_uncertainty(self) -> None:
        (said,) = unlikely(reference("0 um", expanded=""), {"steel"})
        assert "no uncertainty" in said

    @pytest.mark.parametrize("material", ["stele", ""])
    def test_is_a_material_that_nobody_knows(self, material: str) -> None:
        (said,) = unlikely(reference("0 um", material=material), {"steel"})
        assert "known are steel" in said

    def test_is_refused_unless_insisted_on_with_a_reason(self, tmp_path: Path) -> None:
        path = tmp_path / "shop.toml"
        add = ("register", "add", "reference", "m", 'size="5 mm"', "material=steel", "--shop", path)
        off = 'deviation={ value = "+0.05 mm", expanded = "0.06 um", coverage = 2 }'
        for more in ((), ("--insist",), ("--why", "so it is")):
            assert "its deviation is +50 um" in refused(*add, off, *more)
            assert not path.exists()
        told(*add, off, "--insist", "--why", "a setting master")
        assert load_register(path).reference["m"].deviation.value == 50.0
        assert "its deviation is +50 um" in changes_of(path)[0].insisted[0]


class TestTheList:
    @pytest.mark.parametrize(("days", "mark"), [(-1, "OVERDUE"), (0, "DUE SOON"), (30, "DUE SOON"), (31, "")])
    def test_marks_what_is_overdue_and_due_soon(self, shop: Path, days: int, mark: str) -> None:
        due = dt.datetime.now().astimezone().date() + dt.timedelta(days=days)
        add_entry(shop, "comparator", "dial-1", {"resolution": "0.1 um", "due": due})
        line = next(line for line in told("register", "list", "--shop", shop).splitlines() if "dial-1" in line)
        assert line.split(str(due))[1].strip() == mark
