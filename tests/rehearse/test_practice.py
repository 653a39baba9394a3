"""A bench to practise at: the scenarios that ship bite whoever notices nothing, and reward whoever does."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.cli import opening
from holdzero.cli.conduct import Options, run_routine
from holdzero.cli.routines import files_of
from holdzero.expect import begun, expect
from holdzero.hooks import Answer, Asks, Command, Finding, Prompt, SlotKind, Source
from holdzero.live import Meanwhile, Stand
from holdzero.rehearse.fitting import refuse_misfits
from holdzero.rehearse.keys import scenario_tables
from holdzero.rehearse.practice import HURRY, Hurried
from holdzero.rehearse.scenario import load_scenario
from holdzero.routine.load import load_routine
from holdzero.run import Run
from holdzero.run.commands import Abandon, Acknowledge, Again, Pause, RenewZero, Strike
from holdzero.run.kept import Reading

ROUTINES = Path(__file__).parents[2] / "routines"
SHIPPED = sorted(path.stem for path in (ROUTINES / "practice").glob("*.toml"))
LOOK_S, LOWERED_S = 0.1, 1.6

Notices = Callable[[Run, Prompt], Answer | Command | None]


class Time:
    """The machine's counter: it goes on with each look at the bench."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic(self) -> float:
        """The counter now [s]."""
        return self.now_s


class Person:
    """Sits at the bench: takes what stands still, and does what they notice."""

    def __init__(self, time: Time, notices: Notices) -> None:
        self.time, self.notices = time, notices
        self.run = Run()
        self.paused_for_s = 0.0

    def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        """Look again and again, until there is an answer."""
        noticed = self.notices(self.run, prompt)
        if noticed is not None:
            return noticed
        if prompt.asks is Asks.CONFIRM:
            return Answer("")
        pressed = False
        for look in range(4000):
            self.time.now_s += LOOK_S
            came = meanwhile.look(prompt)
            if came is None and not pressed and prompt.asks is Asks.READING and look * LOOK_S > LOWERED_S:
                glance = meanwhile.glance
                if glance is not None and glance.stand is Stand.STILL:
                    pressed = True
                    came = meanwhile.accept(prompt)
            if came is not None:
                return came
        raise AssertionError(f"nothing came for {prompt.title}")

    def text(self, words: str) -> str:
        """Nothing else is asked."""
        raise AssertionError(words)

    def clock(self, now_s: Callable[[], float], pace: Callable[[], float]) -> None:
        """No countdown is drawn."""
        del now_s, pace

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Look at the run."""
        del prompt, findings
        self.run = run

    def refused(self, reason: str) -> None:
        """Nothing that they say is wrong."""
        raise AssertionError(reason)

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """It is taken."""
        del event
        self.run = run

    def stopped(self, run: Run, finding: Finding) -> Command:
        """Go on in spite of it."""
        del run
        return Acknowledge(finding.code)

    def paused(self, run: Run) -> None:
        """Away for a while, by the machine's counter."""
        del run
        self.time.now_s += self.paused_for_s

    def overrule(self, reason: str) -> str | None:
        """Nothing is unfit."""
        raise AssertionError(reason)


def read_at(run: Run, place: str) -> list[Reading]:
    """Readings of a place that count."""
    return [r for r in run.state.live if r.kind is SlotKind.READ and r.slot.place == place]


Practised = tuple[dict[str, Any], str]
Naive = Callable[[str], Practised]


def practised(
    folder: Path,
    scenario: str,
    notices: Notices,
    pause_s: float = 0.0,
    *,
    routine: Path = ROUTINES / "spacer-ring.toml",
    shop: Path | None = None,
    who: type[Person] = Person,
) -> Practised:
    """Practise a routine, the spacer ring's if none is named: the record, and what was printed."""
    time, printed = Time(), io.StringIO()
    person = who(time, notices)
    person.paused_for_s = pause_s

    def face(source: Source, console: Console) -> Any:
        del console
        assert source.simulated
        return person, person

    options = Options(
        source=f"practice:{ROUTINES / 'practice' / scenario}.toml" if scenario else "practice",
        out=folder,
        json=False,
        shop=shop,
        overrule=None,
        choices={},
        face=face,
    )
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(printed):
        patch.setattr(opening, "time", time)
        run_routine(routine, options, operator="T. Rainee", serials=("7",), member=None)
    (path,) = folder.glob("*.record.json")
    return json.loads(path.read_text("utf-8")), " ".join(printed.getvalue().split())


@pytest.fixture(scope="module")
def naive(tmp_path_factory: pytest.TempPathFactory) -> Naive:
    """Whoever notices nothing, once for each scenario."""

    @functools.cache
    def go(scenario: str) -> Practised:
        return practised(tmp_path_factory.mktemp("naive"), scenario, _nothing)

    return go


def _nothing(run: Run, prompt: Prompt) -> None:
    del run, prompt


def verdicts(record: dict[str, Any]) -> tuple[str, str]:
    """Of thickness and parallelism."""
    return record["results"]["thickness"]["verdict"], record["results"]["parallelism"]["verdict"]


class TestWhoeverNoticesNothing:
    @pytest.mark.parametrize(
        ("scenario", "thickness", "parallelism"),
        [
            ("nothing-wrong", "fail", "pass"),
            ("warm-hands", "undecided", "pass"),
            ("ink-mark", "pass", "fail"),
            ("burr", "pass", "fail"),
            ("borrowed-display", "undecided", "undecided"),
            ("wandering-zero", "undecided", "undecided"),
            ("wrong-block", "undecided", "undecided"),
        ],
    )
    def test_is_bitten(self, naive: Naive, scenario: str, thickness: str, parallelism: str) -> None:
        record, said = naive(scenario)
        assert verdicts(record) == (thickness, parallelism)
        assert record["simulated"] is True
        assert record["run"]["source"] == f"practice:{scenario}.toml"
        assert record["run"]["purpose"] == "practice"
        hidden = load_scenario(ROUTINES / "practice" / f"{scenario}.toml").scenario.hidden
        assert f"What was hidden: {' '.join(hidden.split())}" in said

    def test_who_lets_the_soak_go_on_to_its_end_is_not(self, naive: Naive) -> None:
        record, said = naive("cut-short")
        assert verdicts(record) == ("pass", "pass")
        assert record["results"]["thickness"]["value_um"] == pytest.approx(-0.8, abs=0.6)
        assert "On the way you changed nothing." in said

    @pytest.mark.parametrize(("scenario", "place"), [("ink-mark", "b"), ("burr", "c")])
    def test_is_asked_about_a_place_that_stands_out_while_the_part_is_there(
        self, naive: Naive, scenario: str, place: str
    ) -> None:
        record, _ = naive(scenario)
        (asked,) = (event for event in record["events"] if event["event"] == "question_asked")
        assert asked["text"].startswith(f"Place {place} lies ")
        compared = next(event for event in record["events"] if event["event"] == "run_finished")
        assert asked["seq"] < compared["seq"]

    def test_with_nothing_hidden_learns_the_routine(self, naive: Naive) -> None:
        record, said = naive("")
        assert verdicts(record) == ("pass", "pass")
        assert "PRACTICE at a virtual bench: no errors but those that the routine states" in said
        assert "Nothing was hidden: no errors but those that the routine states." in said
        assert "On the way you changed nothing." in said
        assert "thickness: in truth +0 µm, within its limits." in said
        assert "What was hidden" not in said

    def test_of_a_wrong_block_is_told_the_hidden_error_apart_from_the_stated_ones(self, naive: Naive) -> None:
        _, said = naive("wrong-block")
        stated, hidden = said.split("Errors within what the routine states moved thickness by: ")[1].split(
            "What this "
        )[:2]
        assert "reference" not in stated
        assert "bench had beyond that moved thickness by: reference +2.0 µm." in hidden
        assert "On the way you carried on past 1 STOP (check_standard/limit)." in said
        assert "A wrong block under the zero, or dirt? Take the right one" not in said  # it is over

    def test_of_a_good_part_is_told_that_it_would_have_been_scrapped(self, naive: Naive) -> None:
        _, said = naive("ink-mark")
        assert "It failed, and is good: that part would have been scrapped." in said


class TestWhoeverNotices:
    def test_an_ink_mark_wipes_and_reads_again(self, tmp_path: Path) -> None:
        steps: list[str] = []

        def notices(run: Run, prompt: Prompt) -> Command | None:
            marked = read_at(run, "b")
            if prompt.slot.place == "c" and len(marked) == 1 and not steps:
                steps.append("wiped")
                return Again(next(slot.id for slot in run.state.slots if slot.kind is SlotKind.PREPARE))
            if steps == ["wiped"]:
                steps.append("struck")
                return Strike(marked[0].seq, "dirt")
            return None

        record, said = practised(tmp_path, "ink-mark", notices)
        assert verdicts(record) == ("pass", "pass")
        assert [event["event"] for event in record["events"]].count("answer_struck") == 1
        assert "It passed, and rightly." in said
        assert re.search(r"On the way you struck out 1 entry \(\d+, dirt\), prepared again once\.", said)

    def test_a_burr_does_what_was_asked_and_reads_again(self, tmp_path: Path) -> None:
        steps: list[str] = []

        def notices(run: Run, prompt: Prompt) -> Command | None:
            del prompt
            asked = run.state.questions
            left = [r.seq for r in read_at(run, "c") if asked and r.seq <= asked[0].seq]
            if asked and not steps:
                steps.append("took the burr off")
                return Again(next(slot.id for slot in run.state.slots if slot.kind is SlotKind.PREPARE))
            return Strike(left[0], "a burr") if left else None

        record, said = practised(tmp_path, "burr", notices)
        assert verdicts(record) == ("pass", "pass")
        codes = [finding["code"] for finding in record["findings"]]
        assert "run/question" in codes
        assert not any(code.startswith("places/") for code in codes)
        assert "It passed, and rightly." in said

    def test_whoever_cuts_the_soak_short_reads_heat_as_size(self, tmp_path: Path) -> None:
        def hurries(run: Run, prompt: Prompt) -> Answer | None:
            del run
            return Answer("the driver waits") if prompt.asks is Asks.WAIT else None

        record, said = practised(tmp_path, "cut-short", hurries)
        assert verdicts(record) == ("undecided", "pass")
        # 6 µm more than the −0.8 µm that it is, less what faded while it was read
        assert record["results"]["thickness"]["value_um"] == pytest.approx(5.0, abs=1.0)
        assert "thermal/soak_short" in [finding["code"] for finding in record["findings"]]
        assert "On the way you ended 1 soak early (the driver waits)." in said
        assert "It stayed undecided: nothing wrong was accepted or rejected." in said

    def test_a_forgotten_unit_gives_the_zero_up_and_reads_micrometres(self, tmp_path: Path) -> None:
        def notices(run: Run, prompt: Prompt) -> Command | None:
            del prompt
            checked = [r for r in run.state.readings if r.kind is SlotKind.CHECK]
            return RenewZero("the display is in mm") if len(checked) == 1 and not run.state.lost_zeros else None

        record, said = practised(tmp_path, "borrowed-display", notices)
        assert verdicts(record) == ("pass", "pass")
        raw = [event["raw"] for event in record["events"] if event["event"] == "reading_taken"]
        # four readings without a unit, in thousandths of what they are; then all of them in micrometres
        assert [text.endswith(" um") for text in raw] == [False] * 4 + [True] * (len(raw) - 4)
        assert float(raw[3]) == pytest.approx(0.02, abs=0.001)
        assert record["results"]["thickness"]["value_um"] == pytest.approx(0.9, abs=0.7)
        assert "gave the zero up once (the display is in mm)" in said

    def test_a_zero_that_creeps_gives_it_up_at_the_return_waits_and_reads_all_again(self, tmp_path: Path) -> None:
        steps: list[str] = []

        def notices(run: Run, prompt: Prompt) -> Command | None:
            del run
            if prompt.slot.kind is SlotKind.COMPARE and not steps:
                steps.append("given up")
                return RenewZero("it did not come back")
            if steps == ["given up"]:
                steps.append("waits")
                return Pause()
            if steps[-1:] == ["waits"] and prompt.slot.kind is SlotKind.READ:
                steps.append("reads")
            return None

        record, said = practised(tmp_path, "wandering-zero", notices, pause_s=60.0)
        assert steps == ["given up", "waits", "reads"]
        assert verdicts(record) == ("pass", "pass")
        assert (
            "gave the zero up once (it did not come back), carried on past 1 STOP (zero_return/limit), paused for "
            in said
        )

    def test_heat_waits_two_hours_in_two_minutes_and_reads_anew(self, tmp_path: Path) -> None:
        steps: list[str] = []

        def notices(run: Run, prompt: Prompt) -> Command | None:
            del run
            if prompt.slot.kind is SlotKind.CHECK and not steps:
                steps.append("paused")
                return Pause()
            if steps == ["paused"]:
                steps.append("zero")
                return RenewZero("two hours are over")
            return None

        record, _ = practised(tmp_path, "warm-hands", notices, pause_s=120.0)
        continued = next(event for event in record["events"] if event["event"] == "run_continued")
        (soak,) = (finding["text"] for finding in record["findings"] if finding["code"] == "thermal/soak")
        assert re.search(r"The first reading came \d+ min after it\.$", soak)
        assert "Wait until" not in soak
        assert continued["away_s"] == pytest.approx(120.0 * HURRY, rel=0.01)
        assert verdicts(record) == ("pass", "pass")
        assert record["results"]["thickness"]["value_um"] == pytest.approx(1.9, abs=0.4)

    def test_a_wrong_block_at_the_stop_takes_the_right_one_and_reads_a_sound_result(self, tmp_path: Path) -> None:
        def notices(run: Run, prompt: Prompt) -> Command | None:
            del prompt
            checked = [r for r in run.state.readings if r.kind is SlotKind.CHECK]
            return RenewZero("a wrong block lay under it") if len(checked) == 1 and not run.state.lost_zeros else None

        record, said = practised(tmp_path, "wrong-block", notices)
        assert verdicts(record) == ("pass", "pass")
        assert record["results"]["thickness"]["value_um"] == pytest.approx(0.2, abs=0.6)
        assert "After the zero was given up, the right reference lay under it." in said
        assert "gave the zero up once (a wrong block lay under it)" in said
        assert "What this bench had beyond that" not in said

    def test_dust_wipes_and_the_same_reading_is_clean(self, tmp_path: Path) -> None:
        seen: list[float] = []
        steps: list[str] = []

        def notices(run: Run, prompt: Prompt) -> Command | None:
            reads = [r for r in run.state.live if r.kind is SlotKind.READ]
            if prompt.slot.kind is SlotKind.READ and prompt.slot.id not in steps and reads:
                # Whoever wipes before every reading never meets dust.
                steps.append(prompt.slot.id)
                return Again(next(slot.id for slot in run.state.slots if slot.kind is SlotKind.PREPARE))
            return None

        record, said = practised(tmp_path, "dust", notices)
        seen += [event["value_um"] for event in record["events"] if event["event"] == "reading_taken"][5:-2]
        assert max(seen) < 1.1  # −0.4 µm and scatter; dust lifts by 2 µm at least
        assert "prepared again 8 times" in said

    def test_dust_reads_again_what_lies_high(self, tmp_path: Path) -> None:
        def notices(run: Run, prompt: Prompt) -> Command | None:
            del prompt
            reads = [r for r in run.state.live if r.kind is SlotKind.READ]
            high = bool(reads) and float(reads[-1].value_um) > 1.1  # its neighbours lie about −0.4 µm
            return Strike(reads[-1].seq, "dirt") if high else None

        record, said = practised(tmp_path, "dust", notices)
        kinds = [event["event"] for event in record["events"]]
        assert kinds.count("answer_struck") >= 1
        assert "Dust lay under entry " in said
        assert " µm, struck out)" in said
        result = record["results"]["thickness"]
        assert result["value_um"] == pytest.approx(-0.4, abs=0.3)
        assert result["expanded_uncertainty_um"] < 0.7


SHOP = """
format = 1

[reference.B-5]
size = "5 mm"
deviation = "0 um"

[comparator.K-2]
resolution = "0.1 um"
travel = "50 um"

[thermometer.T-1]
error = { halfwidth = "0.1 K" }
"""
REQUIRED = """
format = 1

[routine]
title = "Washer, with what stands on the shelf"
part = "W-2"

[reference]
size = "5 mm"

[comparator]
largest_resolution = "0.1 um"

[thermometer]
largest_expanded = "0.5 K"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "temperature"
of = "part"

[[steps]]
do = "zero"

[[steps]]
do = "read"
at = "a"

[[steps]]
do = "return"

[[steps]]
do = "compare"
"""


class TestDevicesThatAreChosen:
    """While one of them is named, nothing can be shown yet."""

    @pytest.fixture
    def practise(self, tmp_path: Path) -> Callable[[Notices], Practised]:
        """Practise a routine that only says what it needs."""
        (tmp_path / "shop.toml").write_text(SHOP, "utf-8")
        (tmp_path / "washer.toml").write_text(REQUIRED, "utf-8")

        def go(notices: Notices) -> Practised:
            return practised(
                tmp_path / "out", "", notices, routine=tmp_path / "washer.toml", shop=tmp_path / "shop.toml"
            )

        return go

    def test_are_all_named_before_the_instruments_send(self, practise: Callable[[Notices], Practised]) -> None:
        named = {"reference": "B-5", "comparator": "K-2", "thermometer": "T-1"}

        def names(run: Run, prompt: Prompt) -> Answer | None:
            del run
            if prompt.asks is Asks.TEMPERATURE:
                return Answer("20 degC")
            return Answer(named[prompt.slot.of]) if prompt.asks is Asks.CHOICE else None

        record, printed = practise(names)
        assert record["verdict"] == "pass"
        assert "lost" not in printed

    def test_need_not_be_named_where_the_run_is_given_up(self, practise: Callable[[Notices], Practised]) -> None:
        _, printed = practise(lambda *_: Abandon("called away"))
        assert "On the way you gave the run up" in printed
        assert "in truth" not in printed


class TestAnotherRoutine:
    def test_is_told_before_the_first_step_that_the_words_may_not_fit(self, tmp_path: Path) -> None:
        (tmp_path / "shop.toml").write_text(SHOP, "utf-8")
        (tmp_path / "washer.toml").write_text(REQUIRED, "utf-8")
        _, said = practised(
            tmp_path / "out",
            "nothing-wrong",
            lambda *_: Abandon("another part"),
            routine=tmp_path / "washer.toml",
            shop=tmp_path / "shop.toml",
        )
        words = "This scenario was written for the part SR-2041; here it is W-2: its words may not fit."
        assert said.count(words) == 2
        assert said.index(words) < said.index("On the way you")


SKIN_DEGC, ROOM_DEGC = 33.0, 20.0  # skin of the hand, and the reference temperature (ISO 1); the first from memory


class TestHeatOfTheHand:
    """A scenario has no more of it than a hand can give, and loses it no faster and no slower than such a part."""

    def test_in_the_ring_is_no_more_than_that_of_the_skin_and_fits_its_expansion(self) -> None:
        hands = load_scenario(ROUTINES / "practice" / "warm-hands.toml").scenario.hands
        assert hands is not None
        assert hands.warmer is not None
        assert 0.0 < hands.warmer < SKIN_DEGC - ROOM_DEGC
        # aluminium 23.1e-6/K, 12 mm: Swyt, J. Res. NIST 99 (1994) 31
        assert hands.warms == pytest.approx(23.1e-6 * 12e3 * hands.warmer, rel=0.03)
        # heat spreads over half the ring of aluminium, 78 mm, in seconds: no lasting tilt
        assert not hands.share

    def test_in_the_ring_fades_as_a_lumped_body_in_still_air(self) -> None:
        # ρ = 2710 kg/m³, c = 896 J/kgK, h of 5 to 10 W/m²K: handbook values, from memory
        # 40 mm by 60 mm, 12 mm high, on felt
        face, volume = math.pi / 4.0 * (0.06**2 - 0.04**2), math.pi / 4.0 * (0.06**2 - 0.04**2) * 0.012
        area = face + math.pi * (0.06 + 0.04) * 0.012
        hands = load_scenario(ROUTINES / "practice" / "warm-hands.toml").scenario.hands
        assert hands is not None
        assert hands.fades_in is not None
        # τ = ρ·c·V/(h·A): Bergman and others, 7th ed., 5.1 (from memory)
        slowest, fastest = (2710.0 * 896.0 * volume / (h * area) for h in (5.0, 10.0))
        assert fastest < hands.fades_in < slowest

    def test_at_the_edge_of_a_block_is_that_of_a_minute_in_bare_fingers(self) -> None:
        hands = load_scenario(ROUTINES / "practice" / "held-by-the-edge.toml").scenario.hands
        assert hands is not None
        # steel: ρ = 7850 kg/m³, c = 460 J/kgK, k = 45 W/mK (handbook values, from memory); 11.5e-6/K (Swyt, as above)
        power_W = 2.0 * 1.5e-4 * 250.0 * (SKIN_DEGC - ROOM_DEGC)  # noqa: N806  the unit's own capital
        # A minute of it in 9 mm × 35 mm, whatever the length: ΔL = α·P·t/(ρ·c·A).
        mean_um = 1e6 * 11.5e-6 * power_W * 60.0 / (7850.0 * 460.0 * 0.009 * 0.035)
        places = ("centre", "left front", "right front", "left back", "right back")
        shares = [hands.share.get(place, 1.0) for place in places]
        assert hands.warms * sum(shares) / 5.0 == pytest.approx(mean_um, rel=0.1)
        # Heated at one side of w the two sides are q·w/(2k) apart: Carslaw and Jaeger, 2nd ed., 3.8 (from memory).
        apart_um = 1e6 * 11.5e-6 * 0.1 * power_W / (0.009 * 0.1) * 0.035 / (2.0 * 45.0)
        assert hands.warms * (1.0 - min(shares)) == pytest.approx(apart_um, rel=0.15)
        assert hands.evens_out_in == pytest.approx(0.035**2 / (math.pi**2 * 45.0 / (7850.0 * 460.0)), rel=0.05)
        # Upright in still air, V/A of 3.46 mm without the face that it stands on, h of 7.5 to 10 W/m²K.
        assert hands.fades_in is not None
        assert 7850.0 * 460.0 * 0.00346 / 10.0 < hands.fades_in < 7850.0 * 460.0 * 0.00346 / 7.5


@pytest.mark.long
class TestABlockHeldByTheEdge:
    LONG = ROUTINES / "long-block.toml"

    def test_is_seen_to_shrink_by_whoever_reads_all_rounds(self, tmp_path: Path) -> None:
        record, said = practised(tmp_path, "held-by-the-edge", _nothing, routine=self.LONG)
        assert record["results"]["length"]["verdict"] == "undecided"
        assert "length: in truth −0.6 µm, beyond its limits." in said
        assert "nothing wrong was accepted" in said
        moved = re.search(r"Heat of hands moved length by: part (\+\d\.\d\d) µm \((\+\d\.\d\d) µm in its first", said)
        assert moved is not None
        # 22 min, and 35 min of rounds: 0.55 µm · (22/35)·(1 − e^(−35/22)) in the mean
        assert float(moved[1]) == pytest.approx(0.55 * 22.0 / 35.0 * (1.0 - math.exp(-35.0 / 22.0)), abs=0.04)
        assert float(moved[2]) == pytest.approx(0.5, abs=0.05)

    def test_fails_rightly_where_somebody_waits_an_hour_and_a_quarter(self, tmp_path: Path) -> None:
        def notices(run: Run, prompt: Prompt) -> Command | None:
            waited = any(isinstance(event, e.RunContinued) for event in run.events)
            return Pause() if prompt.slot.kind is SlotKind.READ and not waited else None

        record, said = practised(tmp_path, "held-by-the-edge", notices, pause_s=75.0 * 60.0 / HURRY, routine=self.LONG)
        assert record["results"]["length"]["verdict"] == "fail"
        # 0.55 µm · e^(−75/22) are left, and fade while it is read
        assert record["results"]["length"]["value_um"] == pytest.approx(-0.6, abs=0.1)
        assert "It failed, and rightly." in said

    def test_is_accepted_where_three_rounds_are_read_at_once_and_nothing_looks_for_heat(self, tmp_path: Path) -> None:
        text = self.LONG.read_text("utf-8").replace("times = 12", "times = 3")
        hasty = re.sub(r'    \{ do = "soak".*\n', "", text.replace('[checks.heat]\nlimit = "0.02 um"\n', ""))
        assert "3 min" not in hasty
        assert "checks.heat" not in hasty
        (tmp_path / "hasty.toml").write_text(hasty, "utf-8")
        fragment = ROUTINES / "fragments" / "clean-and-soak.toml"
        (tmp_path / "fragments").mkdir()
        (tmp_path / "fragments" / fragment.name).write_text(fragment.read_text("utf-8"), "utf-8")
        record, said = practised(tmp_path / "out", "held-by-the-edge", _nothing, routine=tmp_path / "hasty.toml")
        assert record["verdict"] == "pass"
        assert "It passed, and is bad: that part would have gone out." in said


class TestTheLiveValue:
    def test_of_a_warm_part_fades_while_it_soaks(self, naive: Naive) -> None:
        record, _ = naive("warm-hands")
        seen = [event for event in record["events"] if event["event"] == "soak_observed" and not event["of"]]
        # 3 µm, of which e^(-20/25) is left after the twenty minutes of the soak
        assert seen[0]["value"] == pytest.approx(3.0, abs=0.3)
        assert seen[-1]["value"] == pytest.approx(3.0 * 0.449, abs=0.3)

    def test_comes_with_the_decimals_of_the_comparator(self, naive: Naive) -> None:
        record, _ = naive("nothing-wrong")
        lines = [event["line"] for event in record["events"] if event["event"] == "reading_taken"]
        assert lines
        assert all(line.endswith((".0 um", ".5 um")) for line in lines)


class TestTheDrift:
    def test_of_a_fine_comparator_is_told_only_after_the_tip_stands_still(self, tmp_path: Path) -> None:
        """The tip falls by micrometres in tenths of a second; what is measured goes by hundredths a minute."""
        told: list[float] = []

        class Watching(Person):
            def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
                if prompt.slot.kind is not SlotKind.READ:
                    return super().__call__(prompt, meanwhile)
                for _ in range(60):
                    self.time.now_s += LOOK_S
                    meanwhile.look(prompt)
                    glance = meanwhile.glance
                    if glance is not None and glance.stand is Stand.STILL and glance.outlook is not None:
                        told.append(glance.outlook.rate_per_min)
                return Abandon("seen enough")

        def typed(run: Run, prompt: Prompt) -> Answer | None:
            del run
            return Answer("20 degC") if prompt.asks is Asks.TEMPERATURE else None

        practised(tmp_path, "", typed, routine=ROUTINES / "gauge-pad.toml", who=Watching)
        assert told
        assert max(map(abs, told)) < 1.0

    def test_is_a_creeping_zero_before_anything_is_read(self, tmp_path: Path) -> None:
        told: list[float] = []

        class Watching(Person):
            def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
                if prompt.slot.kind is not SlotKind.ZERO:
                    return super().__call__(prompt, meanwhile)
                for _ in range(400):
                    self.time.now_s += LOOK_S
                    meanwhile.look(prompt)
                glance = meanwhile.glance
                assert glance is not None
                assert glance.outlook is not None
                told.append(glance.outlook.rate_per_min)
                return Abandon("it creeps")

        practised(tmp_path, "wandering-zero", _nothing, who=Watching)
        # 80 µm in the end, fading in ten minutes, six minutes after it began: 8 · e^-0.6, seen in steps of 0.5 µm
        assert told == [pytest.approx(4.4, abs=1.5)]


class TestTheClock:
    def test_hurries_only_while_it_is_told_to(self) -> None:
        machine = [0.0]
        hurried = Hurried(lambda: machine[0])
        machine[0] = 2.0
        assert hurried() == pytest.approx(2.0)
        hurried.rate = lambda: HURRY
        machine[0] = 3.0
        assert hurried() == pytest.approx(2.0 + HURRY)
        hurried.rate = lambda: 1.0
        machine[0] = 4.0
        assert hurried() == pytest.approx(3.0 + HURRY)


def routine_of(part: str) -> Path:
    """The shipped routine of a part."""
    (path,) = (path for path in ROUTINES.glob("*.toml") if load_routine(path).routine.routine.part == part)
    return path


class TestWhatShips:
    @pytest.mark.parametrize("name", SHIPPED)
    def test_says_what_was_hidden_and_fits_the_routine(self, name: str, catalogue: Catalogue) -> None:
        written = load_scenario(ROUTINES / "practice" / f"{name}.toml")
        assert len(written.scenario.hidden.split()) > 20
        loaded = load_routine(routine_of(written.scenario.written_for))
        checks, _ = bind(loaded.routine, catalogue)
        ideal, _ = expect(loaded.document, loaded.digest, checks)
        refuse_misfits(written, begun(loaded.document, loaded.digest), ideal, checks, {})


class TestTheGuide:
    GUIDE = (ROUTINES / "practice" / "README.md").read_text("utf-8")

    def test_has_the_key_tables_of_the_models(self) -> None:
        (tables,) = re.findall(r"<!-- keys: begin -->\n(.*)<!-- keys: end -->", self.GUIDE, flags=re.DOTALL)
        assert tables == scenario_tables()

    def test_names_every_scenario_with_its_title(self) -> None:
        for name in SHIPPED:
            title = load_scenario(ROUTINES / "practice" / f"{name}.toml").scenario.title
            assert f"| `{name}.toml` | {title} |" in self.GUIDE

    def test_has_an_example_that_is_read(self, tmp_path: Path) -> None:
        (example,) = re.findall(r"```toml\n(.*?)```", self.GUIDE, flags=re.DOTALL)
        (tmp_path / "own.toml").write_text(example, "utf-8")
        written = load_scenario(tmp_path / "own.toml")
        assert written.scenario.swing is not None
        assert written.scenario.swing.every == pytest.approx(900.0)

    def test_is_of_no_routine(self) -> None:
        assert [path for path in files_of([ROUTINES], "*.toml") if "practice" in path.parts] == []
