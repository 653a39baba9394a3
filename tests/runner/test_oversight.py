"""What the engine itself looks after, case by case: scatter that is picked, brackets, and how the run went."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero import events as e
from holdzero.decide import Decision
from holdzero.hooks import CharacteristicView, Finding, Level, Measure, RunView
from holdzero.outlook import Hidden, Outlook
from holdzero.oversight import bracket_findings, run_findings, selection_findings, told_once
from holdzero.routine.schema import Selection
from holdzero.run.kept import Absence, Note, Reopened, SoakTaken
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State
from holdzero.statistics import expected_range
from holdzero.testing import Draft
from holdzero.views import view_of

Start = Callable[..., Any]

ZERO, RETURN = {"do": "zero"}, {"do": "return"}
A, B = {"do": "read", "at": "a"}, {"do": "read", "at": "b"}
PLACES = Draft().with_characteristic("thickness", at=["a", "b"])


def of(state: State, code: str) -> list[Finding]:
    return [finding for finding in run_findings(state) if finding.code == code]


class TestPickedScatter:
    """Two places, read once each, 0 and so much; limits −3 um and +3 um."""

    @pytest.fixture
    def view(self, start: Start) -> RunView:
        return view_of(start(PLACES.with_steps(ZERO, A, B, RETURN).text).answer("0", "0", "0", "0").run.state, "1")

    def told(
        self,
        view: RunView,
        by_um: float,
        *,
        s_um: float = 1.0,
        dof: float = 4.0,
        value_um: float = 0.0,
        decision: Decision | None = None,
        **spec: Any,
    ) -> list[tuple[Level, str]]:
        """Level and end of each finding that holds."""
        first, second = view.of_kind(SlotKind.READ)
        seen = CharacteristicView(
            name="t",
            spec=view.routine.characteristics["thickness"].model_copy(update={"of": Selection.LARGEST, **spec}),
            readings=(first, replace(second, value_um=by_um)),
            weights=(0.5, 0.5),
            scatter=(s_um, dof),
        )
        found = list(
            selection_findings(replace(view, readings=(*view.readings, *seen.readings)), seen, value_um, decision)
        )
        assert {finding.code for finding in found} <= {"selection/scatter"}
        return [(finding.level, finding.text.rpartition(" scatter")[2]) for finding in found if finding.holds]

    @staticmethod
    def stands(expanded_um: float = 2.0, *, passes: bool = True, fails: bool = False, limits: bool = True) -> Decision:
        return Decision(
            coverage_factor=2.0,
            expanded_uncertainty_um=expanded_um,
            guard_band_um=0.0,
            chance=(lambda: 1.0) if limits else None,
            passes=passes,
            fails=fails,
            sentence="",
        )

    # d₂ = 1.128 for two (ISO 7870-2; from memory): twice that is 2.257.
    @pytest.mark.parametrize(
        ("by_um", "dof", "is_told"),
        [
            (2.25, 4.0, True),
            (2.26, 4.0, False),
            (2.0 * expected_range(2), 4.0, False),
            (2.0, 1.0, True),
            (2.0, 0.0, False),
        ],
    )
    def test_is_told_from_less_than_twice_what_scatter_makes(
        self, view: RunView, by_um: float, dof: float, is_told: bool
    ) -> None:
        assert bool(self.told(view, by_um, dof=dof)) is is_told

    def test_is_less_of_places_that_were_read_often(self, start: Start) -> None:
        twice = [{**A, "times": 2}, {**B, "times": 2}]
        bench = start(PLACES.with_steps(ZERO, *twice, RETURN).text).answer("0", "0", "0", "1", "1", "0")
        again = view_of(bench.run.state, "1")
        # Scatter of 0.64 um: 1.02 um of means of two, 1.44 um of single readings; 1 um is found.
        for limit, s_um in ((False, 0.62), (True, 0.64)):
            seen = CharacteristicView(
                name="t",
                spec=again.routine.characteristics["thickness"].model_copy(update={"of": Selection.LARGEST}),
                readings=again.of_kind(SlotKind.READ),
                weights=(0.25,) * 4,
                scatter=(s_um, 4.0),
            )
            assert any(np.any(found.holds) for found in selection_findings(again, seen, 0.0, None)) is limit

    def test_is_of_the_means_of_the_places(self, start: Start) -> None:
        places = ("a", "b", "c")
        reads = [{"do": "read", "at": place} for place in places]
        draft = Draft().with_characteristic("thickness", at=list(places), of="largest").with_steps(ZERO, *reads, RETURN)
        view = view_of(start(draft.text).answer("0.5", "1", "1", "2", "0").run.state, "1")
        seen = CharacteristicView(
            name="t",
            spec=view.routine.characteristics["thickness"],
            readings=view.of_kind(SlotKind.READ),
            weights=(1.0 / 3.0,) * 3,
            scatter=(1.0, 4.0),
        )
        # d₂ = 1.693 for three (ISO 7870-2; from memory)
        (found, *_) = selection_findings(view, seen, 0.0, None)
        assert found.data == {"found_um": 1.0, "scatter_alone_um": pytest.approx(1.693, abs=5e-4)}

    @pytest.mark.parametrize(
        ("spec", "picks"),
        [
            ({"of": Selection.LARGEST}, True),
            ({"of": Selection.SMALLEST}, True),
            ({"of": Selection.MEAN}, False),
            ({"of": Selection.MEAN, "measure": Measure.VARIATION}, True),
            ({"of": Selection.LARGEST, "at": ("a",)}, False),
        ],
    )
    def test_is_where_places_are_picked(self, view: RunView, spec: dict[str, Any], picks: bool) -> None:
        assert bool(self.told(view, 1.0, **spec)) is picks

    LITTLE, STANDS = "little beside U", "the pass stands."

    @pytest.mark.parametrize(
        ("spec", "by_um", "expanded_um", "level"),
        [
            # Half of 1.128 um for the largest, all of it for a variation; and no more than is found.
            ({}, 2.0, 5.65, Level.NOTE),
            ({}, 2.0, 5.63, Level.DOUBT),
            ({"of": Selection.MEAN, "measure": Measure.VARIATION}, 2.0, 11.3, Level.NOTE),
            ({"of": Selection.MEAN, "measure": Measure.VARIATION}, 2.0, 11.2, Level.DOUBT),
            ({}, 0.25, 2.5, Level.NOTE),
            ({}, 0.25, 2.49, Level.DOUBT),
        ],
    )
    def test_is_a_note_where_it_is_no_more_than_a_tenth_of_u(
        self, view: RunView, spec: dict[str, Any], by_um: float, expanded_um: float, level: Level
    ) -> None:
        ((told, text),) = self.told(view, by_um, decision=self.stands(expanded_um, passes=False), **spec)
        assert (told, self.LITTLE in text) == (level, level is Level.NOTE)

    def test_is_a_doubt_where_there_is_no_number(self, view: RunView) -> None:
        ((level, _),) = self.told(view, 0.0625)
        assert level is Level.DOUBT

    # 0.5 um are picked, U = 2 um: nearer by 2.5 um.
    @pytest.mark.parametrize(
        ("spec", "value_um", "passes"),
        [
            ({"of": Selection.LARGEST}, -0.5, True),
            ({"of": Selection.LARGEST}, -0.625, False),
            ({"of": Selection.LARGEST}, 2.9, True),
            ({"of": Selection.LARGEST, "lower": None}, -2.9, True),
            ({"of": Selection.SMALLEST}, 0.5, True),
            ({"of": Selection.SMALLEST}, 0.625, False),
            ({"of": Selection.SMALLEST}, -2.9, True),
            ({"of": Selection.SMALLEST, "upper": None}, 2.9, True),
            ({"of": Selection.MEAN, "measure": Measure.VARIATION, "lower": None}, 2.9, True),
        ],
    )
    def test_is_a_note_where_a_pass_would_stand_without_it(
        self, view: RunView, spec: dict[str, Any], value_um: float, passes: bool
    ) -> None:
        ((level, text),) = self.told(view, 0.5, s_um=10.0, value_um=value_um, decision=self.stands(), **spec)
        assert (level, self.STANDS in text) == (Level.NOTE if passes else Level.DOUBT, passes)
        assert not passes or ("larger" in text) is (spec["of"] is Selection.SMALLEST)

    @pytest.mark.parametrize("decision", [{"passes": False}, {"fails": True}, {"limits": False}])
    def test_is_a_doubt_where_nothing_passes(self, view: RunView, decision: dict[str, bool]) -> None:
        ((level, _),) = self.told(view, 0.5, s_um=10.0, decision=self.stands(**decision))
        assert level is Level.DOUBT


class TestABracket:
    def codes(self, start: Start, texts: tuple[str, ...], of: slice = slice(2)) -> list[tuple[str, float]]:
        """Which findings hold for these readings, and by how much the returns are off."""
        draft = PLACES.with_table("bracket", limit="0.5 um").with_steps(ZERO, A, {**RETURN, "times": 2}, B, RETURN)
        view = view_of(start(draft.text).answer(*texts).run.state, "1")
        reads = view.of_kind(SlotKind.READ)[of]
        spec = view.routine.characteristics["thickness"]
        seen = CharacteristicView(name="t", spec=spec, readings=reads, weights=(1.0,) * len(reads))
        found = bracket_findings(view, seen)
        return [(item.code, round(item.data.get("closure_um", 0.0), 6)) for item in found if item.holds]

    @pytest.mark.parametrize(
        ("texts", "found"),
        [
            (("1", "2", "1", "1", "2", "1"), []),
            (("1", "2", "1.5", "1.5", "2", "0.5"), []),
            (("1", "2", "1.7", "1.5", "2", "1"), [("bracket/limit", 0.6)]),
            (("1", "2", "1", "1", "2", "0.4"), [("bracket/limit", -0.6)]),
            (("1", "2", "1", "1", "2"), [("bracket/open", 0.0)]),
            # Of a visit the mean counts.
            (("1", "2", "1.9", "0.5", "2", "1"), []),
        ],
    )
    def test_is_closed_by_returns_within_the_limit(
        self, start: Start, texts: tuple[str, ...], found: list[tuple[str, float]]
    ) -> None:
        assert self.codes(start, texts) == found

    def test_of_one_reading_are_the_returns_next_to_it(self, start: Start) -> None:
        first, second = slice(1), slice(1, 2)
        assert self.codes(start, ("1", "2", "1", "1", "2", "9"), first) == []
        assert self.codes(start, ("1", "2", "9", "9", "2", "1"), first) == [("bracket/limit", 8.0)]
        assert self.codes(start, ("1", "2", "9", "9", "2", "1"), second) == [("bracket/limit", 8.0)]
        assert self.codes(start, ("1", "2", "1", "1", "2", "9"), second) == [("bracket/limit", 8.0)]


class TestAnAbsence:
    """Entries: 2 to 4 the zero, 5 place a, 6 and 7 returns of a visit each, 8 place b, 9 its return."""

    @pytest.fixture
    def state(self, start: Start) -> State:
        draft = PLACES.with_steps({**ZERO, "times": 3}, A, RETURN, RETURN, B, RETURN)
        state: State = start(draft.text).answer("0", "0", "0", "1", "0", "0", "1", "0").run.state
        return state

    @pytest.mark.parametrize(
        ("seq", "is_open"),
        # Whoever sets the zero comes back to nothing; whoever takes the return closes what was open over it.
        [(2, False), (3, True), (5, True), (6, True), (7, True), (8, True), (9, True), (10, False)],
    )
    def test_is_a_doubt_where_a_zero_stood_before_it_and_the_return_after(
        self, state: State, seq: int, is_open: bool
    ) -> None:
        away = replace(state, absences=(Absence(seq=seq, after=seq - 1, length_s=3600.0),))
        found = of(away, "run/absence")
        assert [item.data for item in found] == ([{"away_s": 3600.0, "limit_s": 1800.0}] if is_open else [])

    def test_between_two_returns_that_nothing_was_read_between_is_none(self, start: Start) -> None:
        bench = start(PLACES.with_steps(ZERO, A, B, RETURN, RETURN).text).answer("0", "1", "1", "0", "0")
        for seq, is_open in ((5, True), (6, False)):
            away = replace(bench.run.state, absences=(Absence(seq=seq, after=seq - 1, length_s=None),))
            assert [item.data for item in of(away, "run/absence")] == ([{"limit_s": 1800.0}] if is_open else [])

    def test_over_a_reading_with_no_return_yet_is_one(self, start: Start) -> None:
        state = start(PLACES.with_steps(ZERO, A, B, RETURN).text).answer("0", "1").run.state
        assert of(replace(state, absences=(Absence(seq=4, after=3, length_s=3600.0),)), "run/absence")

    def test_over_zeros_alone_is_none(self, start: Start) -> None:
        state = start(PLACES.with_steps({**ZERO, "times": 3}, A, B, RETURN).text).answer("0", "0").run.state
        assert not of(replace(state, absences=(Absence(seq=3, after=2, length_s=3600.0),)), "run/absence")


class TestARunThatWent:
    @pytest.fixture
    def state(self, start: Start) -> State:
        state: State = start(PLACES.with_steps(ZERO, A, B, RETURN).text).answer("0", "1", "1", "0", "").run.state
        return state

    def told(self, state: State) -> list[tuple[Level, str]]:
        return [(finding.level, finding.code) for finding in run_findings(state)]

    def test_to_its_end_and_as_it_should_says_nothing(self, state: State) -> None:
        assert self.told(state) == []

    def test_nowhere_yet_is_unfinished(self, start: Start) -> None:
        bench = start(PLACES.with_steps(ZERO, A, B, RETURN).text)
        assert self.told(bench.run.state) == [(Level.STOP, "run/unfinished")]
        assert self.told(bench.take(e.RunAbandoned, reason="x").run.state) == [(Level.STOP, "run/abandoned")]

    @pytest.mark.parametrize(
        ("changes", "told"),
        [
            ({"trial": True}, (Level.DOUBT, "run/trial")),
            ({"notes": (Note(seq=9, text="x"),)}, (Level.NOTE, "run/note")),
            ({"notes": (Note(seq=9, text="x", plugin="p"),)}, (Level.STOP, "p/failed")),
            ({"notes": (Note(seq=9, text="x", plugin="p", slow=True),)}, (Level.DOUBT, "p/slow")),
            ({"losses": ((9, "comparator", "unplugged"),)}, (Level.DOUBT, "line/lost")),
            ({"losses": ((9, "thermometers", "unplugged"),)}, (Level.NOTE, "line/lost")),
            ({"unused": ((9, "?", "no number"),)}, (Level.NOTE, "line/unused")),
            *(
                ({"reopened": (Reopened(seq=9, away_s=3.0, journal=journal, missing=0),)}, (level, code))
                for journal, level, code in (
                    ("whole", Level.NOTE, "run/continued"),
                    ("no mark", Level.DOUBT, "run/continued"),
                    ("cut", Level.STOP, "run/journal_cut"),
                    ("other", Level.STOP, "run/journal_cut"),
                )
            ),
        ],
    )
    def test_otherwise_says_how(self, state: State, changes: dict[str, Any], told: tuple[Level, str]) -> None:
        assert self.told(replace(state, **changes)) == [told]

    def test_on_after_a_break_says_how_long_that_was_or_that_nobody_knows(self, state: State) -> None:
        for away_s, words, data in ((90.0, "1:30", {"away_s": 90.0}), (None, "the clock was set back", {})):
            (found,) = run_findings(
                replace(state, reopened=(Reopened(seq=9, away_s=away_s, journal="whole", missing=0),))
            )
            assert words in found.text
            assert found.data == data

    def test_with_lines_that_answered_nothing_shows_the_first(self, state: State) -> None:
        (found,) = run_findings(replace(state, unused=((8, "first", "x"), (9, "second", "y"), (9, "third", "y"))))
        assert "'first'" in found.text
        assert "and 2 more" in found.text

    def test_with_a_reading_struck_out_notes_what_and_why(self, start: Start) -> None:
        bench = start(PLACES.with_steps(ZERO, A, B, RETURN).text).answer("0", "1").strike(3, "dirt")
        (found,) = of(bench.run.state, "run/struck")
        assert (found.level, found.text) == (Level.NOTE, "Entry 3 (1) was struck out: dirt.")

    def test_with_a_device_that_was_overruled_is_a_doubt(self, state: State) -> None:
        chosen = replace(state.devices["reference"], overruled="overdue. It is all we have")
        assert self.told(replace(state, devices={**state.devices, "reference": chosen})) == [
            (Level.DOUBT, "reference/overruled")
        ]


def outlook(**keys: Any) -> Outlook:
    given: dict[str, Any] = {"of": "", "unit": "um", "at_s": 600.0, "now": 0.0, "rate_per_min": 0.0, "rate_u": 0.1}
    more = {"to_come": 0.1, "bound": 0.2, "within": 0.5, "left_s": 60.0, "points": 60, "seen": (), "curve": ()}
    return Outlook(**{**given, **more, **keys})


class TestASoak:
    HIDING = outlook(enough=False, hidden=Hidden(5000.0, 1600.0))

    @pytest.mark.parametrize(
        ("keys", "limits", "told"),
        [
            ({}, {}, []),
            ({"reason": "no time"}, {}, [(Level.DOUBT, "soak/short")]),
            ({"outlooks": (outlook(),)}, {"within_um": 0.5}, [(Level.NOTE, "soak/at_rest")]),
            ({"outlooks": (HIDING,)}, {"within_um": 0.5}, [(Level.NOTE, "soak/by_time")]),
            ({}, {"within_um": 0.5}, [(Level.DOUBT, "soak/unwatched")]),
            ({}, {"within_K": 0.1}, [(Level.DOUBT, "soak/unwatched")]),
            ({"recorded": False}, {}, [(Level.NOTE, "soak/unrecorded")]),
        ],
    )
    def test_says_how_it_ended(
        self, keys: dict[str, Any], limits: dict[str, Any], told: list[tuple[Level, str]]
    ) -> None:
        slot = Slot(id="1", group="1", kind=SlotKind.SOAK, at_least_s=600.0, **limits)
        soak = SoakTaken(**{"seq": 2, "slot": slot, "time_s": 600.0, "elapsed_s": 600.0, "reason": None, **keys})
        found = [finding for finding in run_findings(State(soaks=(soak,))) if finding.code.startswith("soak/")]
        assert [(finding.level, finding.code) for finding in found] == told

    def test_that_hides_something_does_not_ask_for_more_when_it_is_over(self) -> None:
        slot = Slot(id="1", group="1", kind=SlotKind.SOAK, at_least_s=600.0, within_um=0.5)
        soak = SoakTaken(seq=2, slot=slot, time_s=600.0, elapsed_s=600.0, reason=None, outlooks=(self.HIDING,))
        (found,) = (item for item in run_findings(State(soaks=(soak,))) if item.code == "soak/by_time")
        assert found.text.endswith("may have a fade of 27 min, which nothing shows.")

    def test_that_a_check_tells_of_is_not_told_twice(self) -> None:
        def about(code: str, entry: int, *, holds: bool = True) -> Finding:
            return Finding(level=Level.DOUBT, code=code, text="", data={"soak_entry": entry}, holds=holds)

        engine = [about("soak/short", 2), about("soak/short", 5), about("soak/short", 7), about("run/note", 2)]
        judged = [about("heat/hand", 2), about("heat/hand", 5, holds=False)]
        kept = [(finding.code, finding.data["soak_entry"]) for finding in told_once(engine, judged)]
        assert kept == [("soak/short", 5), ("soak/short", 7), ("run/note", 2)]
