"""What a check asks at the terminal: one line says what can be done and how; `s 14` and `w` do it; nobody has to."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.testing import PLAIN

pytestmark = pytest.mark.terminal

Sit: TypeAlias = Callable[..., Any]  # see conftest
PASS = 0
FAR = PLAIN.replace("[comparator]", '[bracket]\nlimit = "0.5 um"\nzero_within = "5 um"\n\n[comparator]', 1)

# Time that mends it is a file beside the check, so that no test hangs on a clock.
CHECK = """\
from pathlib import Path

from holdzero.hooks import *
from holdzero.hooks import Settings


def watch(settings, run):
    reading = run.asked is not None and run.asked.kind is SlotKind.READ
    if reading and not Path(__file__).with_name("steady").exists():
        text = "The stand swings. At rest it does not."
        yield Finding(level=Level.STOP, code="swing/now", text=text, offer=Offer(act=Act.LOOK))


@hookimpl
def holdzero_checks():
    return [Check(name="swing", title="the stand swings", settings=Settings, watch=watch)]
"""


@pytest.fixture
def start(person: Sit, tmp_path: Path) -> Sit:
    """Start a run of a routine text, in a shop whose check is called swing."""
    (tmp_path / "swing.py").write_text(CHECK, "utf-8")
    (tmp_path / "own.toml").write_text('format = 1\n[plugins]\nfolder = "."\nenabled = ["swing"]\n', "utf-8")

    def go(text: str) -> Any:
        (tmp_path / "routine.toml").write_text(text, "utf-8")
        who = ("--operator", "T. Ester", "--serial", "7", "--shop", "own.toml")
        return person("run", "routine.toml", "--out", "out", *who)

    return go


@pytest.fixture
def record(tmp_path: Path) -> Callable[[], dict[str, Any]]:
    """The only record there is."""

    def read() -> dict[str, Any]:
        (path,) = (tmp_path / "out").glob("*.record.json")
        found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        return found

    return read


def of(record: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [event for event in record["events"] if event["event"] == kind]


class TestAQuestion:
    def test_about_a_zero_of_several_readings_says_to_give_it_up(self, start: Sit) -> None:
        at_bench = start(FAR)
        at_bench.types("+8", "+8.1")
        asked = " ".join(at_bench.prompted().split())
        assert "Give the zero up (z): it is set anew." in asked
        assert not re.search(r"s \d+ +strike out entry", asked.rpartition("The dial shows")[2])

    def test_names_the_entry_that_one_line_strikes_out(self, start: Sit, record: Callable[[], Any]) -> None:
        at_bench = start(FAR)
        at_bench.types("+8")
        asked = " ".join(at_bench.prompted().split())
        assert "The dial shows +8 µm where the zero is taken; within 5 µm of zero is usual." in asked
        found = re.search(r"s (\d+) strike out entry \1 and read it again; or just go on", asked)
        assert found is not None
        at_bench.say(f"s {found[1]}")
        at_bench.types("the dial was not set", "0", "+0.1", "-0.1")
        at_bench.types("+1.0", "+1.1", "+0.9", "0", "")
        assert at_bench.ends() == PASS
        (struck,) = of(record(), "answer_struck")
        (question,) = of(record(), "question_asked")
        assert (struck["target"], struck["reason"]) == (int(found[1]), "the dial was not set")
        assert question["entries"] == [struck["target"]]
        findings = {f["code"]: f["text"] for f in record()["findings"]}
        done = f"Then entry {found[1]} was struck out (the dial was not set)."
        assert findings["run/question"].endswith(done)
        assert not any(code.startswith("plausibility/") for code in findings)

    def test_takes_no_line_and_bare_numbers_stay_readings(self, start: Sit, record: Callable[[], Any]) -> None:
        at_bench = start(FAR)
        at_bench.types("+8", "+8.1", "+7.9", "+9.0", "+9.1", "+8.9", "+8", "")
        assert at_bench.ends() == PASS
        read = [event["raw"] for event in of(record(), "reading_taken")]
        assert read == ["+8", "+8.1", "+7.9", "+9.0", "+9.1", "+8.9", "+8"]
        assert len(of(record(), "question_asked")) == 1
        (doubt,) = [f for f in record()["findings"] if f["code"].startswith("plausibility/zero/")]
        assert doubt["level"] == "doubt"

    def test_an_entry_that_is_not_there_is_told_and_none_is_struck_out(self, start: Sit) -> None:
        at_bench = start(FAR)
        at_bench.types("+8", "s 99")
        assert "There is no entry 99 that counts" in at_bench.prompted()


class TestAStopThatTimeMends:
    TEXT = PLAIN + "\n[checks.swing]\n"

    def test_is_looked_at_again_with_w_until_it_is_mended(
        self, start: Sit, record: Callable[[], Any], tmp_path: Path
    ) -> None:
        at_bench = start(self.TEXT)
        at_bench.types("0", "+0.1", "-0.1")
        asked = at_bench.prompted()
        assert "The stand swings. At rest it does not." in asked
        assert re.search(r"w +wait, and look again: time can mend it", asked)
        # too early: it stops again, and nothing is lost or struck out
        at_bench.say("w")
        assert "The stand swings." in at_bench.prompted()
        (tmp_path / "steady").touch()
        at_bench.say("w")
        assert "Put place a under the tip" in at_bench.prompted()
        at_bench.say("+1.0")
        at_bench.types("+1.1", "+0.9", "0", "")
        assert at_bench.ends() == PASS
        assert [e["event"] for e in record()["events"] if e["event"] in ("answer_struck", "stop_acknowledged")] == []
        assert not any(finding["level"] == "stop" for finding in record()["findings"])
