"""Who answers for a routine: approval of its text, what production refuses, and trials."""

from __future__ import annotations

import datetime as dt
import errno
import shutil
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.cli.routines import approve_routine
from holdzero.errors import HoldzeroError
from holdzero.explain import explain
from holdzero.page.words import marks_of
from holdzero.routine.approval import NOT_APPROVED, approval_state, open_looks, with_approval
from holdzero.routine.load import load_routine
from holdzero.verify import verify

Done: TypeAlias = subprocess.CompletedProcess[str]
Measure: TypeAlias = Callable[..., Any]  # see conftest
Tool: TypeAlias = Callable[..., Done]
DAY = dt.date(2026, 3, 2)


@pytest.fixture
def tool(starter: Any) -> Tool:
    def call(folder: Path, *arguments: str) -> Done:
        done: Done = starter.run(*arguments, folder=folder)
        return done

    return call


@pytest.fixture
def ring(tmp_path: Path, routines: Path) -> Path:
    """The spacer ring with its readings and fragments, in a folder of its own."""
    shutil.copytree(routines, tmp_path / "routines")
    return tmp_path / "routines" / "spacer-ring.toml"


def approved(path: Path) -> Path:
    """The routine, approved as it stands."""
    text, digest = path.read_text("utf-8"), load_routine(path).text_digest
    path.write_text(with_approval(text, by="C. Reeve", on=DAY, digest=digest), "utf-8")
    return path


@pytest.fixture
def run(tool: Tool) -> Tool:
    def call(path: Path, *options: str) -> Done:
        readings = f"readings:{path.with_suffix('.readings.csv')}"
        return tool(path.parent, "run", str(path), "--source", readings, "--operator", "B", "--json", *options)

    return call


class TestTheDigestOfAText:
    def test_does_not_change_with_comments_order_or_the_approval_itself(self, ring: Path) -> None:
        before = load_routine(ring).text_digest
        ring.write_text("# seen\n" + ring.read_text("utf-8").replace("\n", "\n\n"), "utf-8")
        assert load_routine(approved(ring)).text_digest == before

    @pytest.mark.parametrize("change", [('"+3 um"', '"+4 um"'), ('"B"', '"C"'), ("times = 3", "times = 2")])
    def test_changes_with_every_value(self, ring: Path, change: tuple[str, str]) -> None:
        before, text = load_routine(ring).text_digest, ring.read_text("utf-8")
        assert change[0] in text
        ring.write_text(text.replace(*change), "utf-8")
        assert load_routine(ring).text_digest != before

    def test_changes_with_a_fragment(self, ring: Path) -> None:
        main = ring.read_text("utf-8").replace("[[steps]]", '[[steps]]\ninclude = "fragments/own.toml"\n\n[[steps]]', 1)
        fragment = ring.parent / "fragments" / "own.toml"
        ring.write_text(main, "utf-8")
        digests = set()
        for words in ("Look.", "Look twice."):
            fragment.write_text(f'format = 1\n[[steps]]\ndo = "prepare"\nsay = "{words}"\n', "utf-8")
            digests.add(load_routine(ring).text_digest)
        assert len(digests) == 2


class TestWritingAnApproval:
    @given(
        by=st.text(min_size=1, max_size=40).filter(lambda text: text.isprintable() and text.strip() == text),
        note=st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
        before=st.sampled_from(
            ["", "# last\n", '[approval]\nby = "old"\n', '[ approval ] # old\nby = "x"\n\n[part]\n']
        ),
    )
    def test_leaves_all_else_as_it_was(self, by: str, note: str, before: str) -> None:
        text = f'format = 1\n\n[routine]\ntitle = "[approval]"\n\n{before}'
        written = with_approval(text, by=by, on=DAY, digest="sha256:00", note=note)
        data = tomllib.loads(written)
        expected = {"by": by, "on": DAY, "digest": "sha256:00", **({"note": note} if note else {})}
        assert data.pop("approval") == expected
        assert data == {"format": 1, "routine": {"title": "[approval]"}, **({"part": {}} if "[part]" in before else {})}

    def test_twice_writes_it_once(self) -> None:
        once = with_approval("format = 1\n", by="a", on=DAY, digest="sha256:00")
        assert with_approval(once, by="a", on=DAY, digest="sha256:00") == once


class TestProduction:
    def test_takes_a_routine_that_nobody_was_asked_about_and_says_so(self, ring: Path, measure: Measure) -> None:
        record = measure(ring, answers_of(ring)).record
        assert (record["routine"]["approval"], record["run"]["purpose"]) == ("none", "production")

    def test_takes_an_approved_routine(self, ring: Path, measure: Measure, catalogue: Any) -> None:
        outcome = measure(approved(ring), answers_of(ring))
        assert outcome.record["routine"]["approval"] == "approved"
        assert outcome.record["routine"]["document"]["approval"]["by"] == "C. Reeve"
        assert verify(outcome.record, catalogue) == []

    def test_refuses_one_whose_text_was_changed_since(self, ring: Path, run: Tool) -> None:
        text = approved(ring).read_text("utf-8")
        ring.write_text(text.replace('"+3 um"', '"+30 um"'), "utf-8")
        done = run(ring)
        assert (done.returncode, done.stdout) == (2, "")
        assert "its text was changed after C. Reeve approved it on 2026-03-02" in done.stderr
        assert "holdzero approve" in done.stderr
        assert "--trial" in done.stderr
        assert not list(ring.parent.glob("records/*"))

    def test_refuses_one_without_approval_where_the_shop_requires_it(self, ring: Path, run: Tool) -> None:
        (ring.parent / "own.toml").write_text('format = 1\nroutines.approval = "required"\n', "utf-8")
        done = run(ring, "--shop", "own.toml")
        assert done.returncode == 2
        assert "the shop requires one" in done.stderr
        assert run(approved(ring), "--shop", "own.toml").returncode == 0


class TestATrial:
    def test_takes_a_changed_routine_and_marks_the_record(self, ring: Path, measure: Measure, catalogue: Any) -> None:
        text = approved(ring).read_text("utf-8")
        ring.write_text(text.replace('"+3 um"', '"+4 um"'), "utf-8")
        outcome = measure(ring, answers_of(ring), trial=True)
        record = outcome.record
        assert (record["routine"]["approval"], record["run"]["purpose"]) == ("changed", "trial")
        assert "run/trial" in outcome.codes("doubt")
        assert "TRIAL of the routine: nothing may be accepted" in outcome.said
        (page,) = outcome.folder.glob("*.html")
        assert "TRIAL of the routine: nothing may be accepted or rejected by it" in page.read_text("utf-8")
        assert "the text was changed after its approval by C. Reeve" in page.read_text("utf-8")
        assert verify(record, catalogue) == []

    @pytest.mark.parametrize("trial", [True, False])
    def test_is_called_so_beside_the_verdict_wherever_it_is_told(
        self, ring: Path, measure: Measure, tool: Tool, *, trial: bool
    ) -> None:
        outcome = measure(ring, answers_of(ring), trial=trial)
        (path,) = outcome.folder.glob("*.record.json")
        (line,) = (line for line in outcome.said.splitlines() if line.startswith("[+] PASS"))
        assert line.endswith("  TRIAL") is trial
        verified = tool(outcome.folder, "verify", str(path))
        assert (verified.returncode, "(the record says pass, trial)" in verified.stdout) == (0, trial)
        explained = tool(outcome.folder, "explain", str(path)).stdout.splitlines()
        assert ("TRIAL of the routine: nothing may be accepted by it." in explained[0]) is trial
        assert any(line.endswith(": pass (trial).") for line in explained[:2]) is trial

    def test_that_is_made_production_afterwards_differs(self, ring: Path, measure: Measure, catalogue: Any) -> None:
        record = measure(ring, answers_of(ring), trial=True).record
        record["run"]["purpose"] = "production"
        assert any(text.startswith("run.purpose") for text in verify(record, catalogue))


class TestTheCommand:
    def test_approves_a_valid_routine_as_it_stands(self, ring: Path, tool: Tool) -> None:
        before = ring.read_text("utf-8")
        done = tool(ring.parent, "approve", str(ring), "--by", "C. Reeve", "--note", "limits checked")
        assert done.returncode == 0, done.stderr
        assert ring.read_text("utf-8").startswith(before.rstrip())
        loaded = load_routine(ring)
        assert approval_state(loaded.document["approval"], loaded.text_digest) == "approved"
        assert loaded.document["approval"]["note"] == "limits checked"

    def test_refuses_one_that_is_not_valid(self, ring: Path, tool: Tool) -> None:
        text = ring.read_text("utf-8").replace('"+3 um"', '"+3"')
        ring.write_text(text, "utf-8")
        done = tool(ring.parent, "approve", str(ring), "--by", "C. Reeve")
        assert done.returncode == 2
        assert "add the unit" in done.stderr
        assert ring.read_text("utf-8") == text

    def test_says_so_where_it_can_not_be_written(self, ring: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(path: Path, content: bytes) -> None:
            del content
            raise PermissionError(errno.EACCES, "Permission denied", str(path.with_name(".writing-x")))

        monkeypatch.setattr("holdzero.cli.routines.write_whole", refuse)
        text = ring.read_text("utf-8")
        with pytest.raises(HoldzeroError) as told:
            approve_routine(ring, None, by="C. Reeve", note="")
        assert str(told.value).startswith(
            f"{ring}: its approval could not be written: Permission denied\n    it is not"
        )
        assert ring.read_text("utf-8") == text

    def test_validate_tells_of_an_approval_that_holds_no_more(self, ring: Path, tool: Tool) -> None:
        text = approved(ring).read_text("utf-8")
        ring.write_text(text.replace('"+3 um"', '"+4 um"'), "utf-8")
        done = tool(ring.parent, "validate", str(ring))
        assert done.returncode == 0
        assert "warning: approval.digest: found a text that was changed after its approval" in done.stdout
        # The digest that would do is not told: it could be pasted in, and nobody would have looked.
        assert "sha256:" not in done.stdout
        assert "have it approved again" in done.stdout


class TestAnApprovalThatTheShopKnows:
    @pytest.fixture
    def shop(self, ring: Path, tool: Tool) -> Path:
        path = ring.parent / "own.toml"
        path.write_text("format = 1\n", "utf-8")
        done = tool(ring.parent, "approve", str(ring), "--by", "C. Reeve", "--shop", "own.toml")
        assert done.returncode == 0, done.stderr
        return path

    @staticmethod
    def without_approval(ring: Path, old: str = "", new: str = "") -> None:
        text = ring.read_text("utf-8")
        ring.write_text(text[: text.index("[approval]")].replace(old, new), "utf-8")

    @pytest.mark.parametrize("change", [("", ""), ('"+3 um"', '"+30 um"')])
    def test_is_not_undone_by_taking_its_table_out(
        self, ring: Path, shop: Path, run: Tool, change: tuple[str, str]
    ) -> None:
        self.without_approval(ring, *change)
        done = run(ring, "--shop", str(shop))
        assert (done.returncode, done.stdout) == (2, "")
        assert "C. Reeve approved it on" in done.stderr
        assert "its approval was taken out since" in done.stderr
        assert run(ring, "--shop", str(shop), "--trial").returncode in (0, 1, 3)

    def test_is_not_undone_by_another_name_either(self, ring: Path, shop: Path, run: Tool) -> None:
        self.without_approval(ring)
        other = ring.rename(ring.with_name("another.toml"))
        ring.with_suffix(".readings.csv").rename(other.with_suffix(".readings.csv"))
        assert "its approval was taken out since" in run(other, "--shop", str(shop)).stderr

    def test_says_nothing_of_another_routine(self, ring: Path, shop: Path, run: Tool) -> None:
        other = ring.with_name("another.toml")
        self.without_approval(ring)
        text = ring.read_text("utf-8")
        assert text.count('part = "') == 1
        other.write_text(text.replace('part = "', 'part = "X'), "utf-8")
        shutil.copy(ring.with_suffix(".readings.csv"), other.with_suffix(".readings.csv"))
        assert run(other, "--shop", str(shop)).returncode == 0

    def test_stands_in_its_history(self, ring: Path, shop: Path, tool: Tool) -> None:
        done = tool(ring.parent, "register", "history", "--shop", str(shop))
        assert done.returncode == 0, done.stdout
        assert f"approval {ring.name} added by C. Reeve" in done.stdout


class TestAnOpenLook:
    @pytest.mark.parametrize("in_fragment", [False, True])
    def test_is_not_approved(self, ring: Path, tool: Tool, *, in_fragment: bool) -> None:
        text = ring.read_text("utf-8")
        if in_fragment:
            text = text.replace("[[steps]]", '[[steps]]\ninclude = "fragments/own.toml"\n\n[[steps]]', 1)
            fragment = ring.parent / "fragments" / "own.toml"
            fragment.write_text('format = 1\n# LOOK: why?\n[[steps]]\ndo = "prepare"\nsay = "Look."\n', "utf-8")
            ring.write_text(text, "utf-8")
            place = f"{fragment}:2"
        else:
            ring.write_text(f"# LOOK: the sign\n{text}", "utf-8")
            place = f"{ring}:1"
        before = ring.read_text("utf-8")
        done = tool(ring.parent, "approve", str(ring), "--by", "C. Reeve")
        assert done.returncode == 2
        assert f"{place}: error: LOOK" in done.stderr
        assert ring.read_text("utf-8") == before

    def test_in_a_text_is_none(self) -> None:
        assert open_looks('say = "# LOOK: here"  # seen\n') == []
        assert open_looks("say = 'a'  # LOOK: b\n# LOOK: c") == [1, 2]

    def test_is_found_between_apostrophes_of_its_comment(self) -> None:
        assert open_looks("at = 'a'  # the block's; LOOK: the part's own\n# don't \"x\" LOOK: isn't") == [1, 2]


class TestARoutineThatWasNeverApproved:
    def test_says_so_at_the_bench_and_in_the_records_head(self, ring: Path, measure: Measure) -> None:
        outcome = measure(ring, answers_of(ring))
        assert outcome.said.count(NOT_APPROVED) == 2  # before the first reading, and at the verdict
        assert outcome.said.index(NOT_APPROVED) < outcome.said.index("PASS")
        assert f"{NOT_APPROVED}." in explain(outcome.record)[:2]
        (page,) = outcome.folder.glob("*.html")
        assert NOT_APPROVED in page.read_text("utf-8").partition("<main>")[0]

    def test_and_one_that_was_does_not(self, ring: Path, measure: Measure) -> None:
        outcome = measure(approved(ring), answers_of(ring))
        assert NOT_APPROVED not in outcome.said + "".join(explain(outcome.record))
        (page,) = outcome.folder.glob("*.html")
        assert "NOT APPROVED" not in page.read_text("utf-8")

    def test_says_so_on_the_page(self) -> None:
        assert marks_of(simulated=False, trial=False, unapproved=True) == (NOT_APPROVED,)
        assert NOT_APPROVED not in marks_of(simulated=False, trial=True, unapproved=True)


def answers_of(path: Path) -> list[tuple[str, str]]:
    lines = path.with_suffix(".readings.csv").read_text("utf-8").splitlines()
    rows = [line.partition(",") for line in lines if not line.startswith("#")][1:]
    return [(time, answer.strip('"')) for time, _, answer in rows]
