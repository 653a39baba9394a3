"""How long nobody was there, by two clocks and what the routine prescribes: the numbers, one by one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.run.absence import absence_at, apart, away_s, earlier, leapt_s, too_long, wall_span_s
from holdzero.run.state import Phase, State
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of

BEGAN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
ZERO = {"do": "zero"}
SOAK = {"do": "soak", "at_least": "50 min"}
HERE_S = 200.0


def wall(at_s: float) -> str:
    return (BEGAN + dt.timedelta(seconds=at_s)).isoformat(timespec="milliseconds")


def waiting(step: dict[str, str] = ZERO, *, longest: str = "30 min", **keys: Any) -> State:
    """A run that waits for its first step; somebody was there 200 s after its beginning, by both clocks."""
    rest = (ZERO, {"do": "read", "at": "a"}, {"do": "return"})
    draft = Draft().with_table("bracket", longest_absence=longest).with_steps(step, *rest)
    state = begun(loaded_of(draft, Catalogue())).state
    moment = {"now_s": HERE_S, "wall": wall(HERE_S), "here_s": HERE_S, "here_wall": wall(HERE_S)}
    return replace(state, **{"paced": True, "seq": 9, "here_seq": 7, **moment, **keys})


def later(counter_s: float, wall_s: float | None = None, kind: type[Any] = e.ReadingTaken, **fields: Any) -> Any:
    """An event so long after somebody was there, by both clocks."""
    own: dict[type[Any], dict[str, Any]] = {
        e.ReadingTaken: {"slot": "1", "raw": "0", "value_um": 0.0},
        e.RunContinued: {"away_s": 0.0},
        e.NoteAdded: {"text": "the fire alarm"},
        e.LineUnused: {"line": "?", "why": "it can't be read"},
        e.QuestionAsked: {"code": "a/b", "text": "?", "act": "look"},
    }
    at = wall(HERE_S + (counter_s if wall_s is None else wall_s))
    return kind(seq=10, wall=at, time_s=HERE_S + counter_s, **{**own[kind], **fields})


class TestTheTimeSinceSomebodyWasThere:
    @pytest.mark.parametrize(
        ("counter_s", "wall_s", "length_s"),
        [
            (0.0, 0.0, 0.0),
            (100.0, 100.0, 100.0),
            # The longer of the two: the machine slept, the counter leapt.
            (0.0, 3600.0, 3600.0),
            (3600.0, 3.0, 3600.0),
            (3600.0, 0.0, 3600.0),
            # The wall clock went back, by what a time server puts right, and by more.
            (4.0, -5.0, 4.0),
            (4.0, -6.0, 4.0),
            (4.0, -6.5, None),
            (3600.0, -60.0, None),
        ],
    )
    def test_is_the_longer_of_both_clocks(self, counter_s: float, wall_s: float, length_s: float | None) -> None:
        assert away_s(waiting(), HERE_S + counter_s, wall(HERE_S + wall_s)) == length_s

    def test_is_the_counter_s_alone_where_that_does_not_go_with_the_wall(self) -> None:
        assert away_s(waiting(paced=False), HERE_S + 5.0, "1999-01-01T00:00:00+00:00") == 5.0


class TestClocks:
    @pytest.mark.parametrize(
        ("counter_s", "wall_s", "are"),
        [(100.0, 100.0, False), (100.0, 90.0, False), (90.0, 100.0, False), (100.0, 89.9, True), (89.9, 100.0, True)],
    )
    def test_are_apart_by_more_than_ten_seconds(self, counter_s: float, wall_s: float, are: bool) -> None:
        assert apart(counter_s, wall_s) is are

    def test_of_other_offsets_tell_the_same_time(self) -> None:
        assert wall_span_s("2026-03-02T08:00:00+01:00", "2026-03-02T08:00:00+00:00") == 3600.0
        assert earlier("2026-03-02T08:00:00+01:00", 1.5) == "2026-03-02T07:59:58.500+01:00"


class TestTooLong:
    @pytest.mark.parametrize(
        ("longest", "length_s", "back", "is_so"),
        [
            ("30 min", 1800.0, True, False),
            ("30 min", 1801.0, True, True),
            ("30 min", 1801.0, False, True),
            # Whoever is busy answers nothing for five minutes; whoever came back was away.
            ("1 min", 61.0, True, True),
            ("1 min", 300.0, False, False),
            ("1 min", 300.5, False, True),
            ("30 min", None, True, True),
        ],
    )
    def test_is_by_the_routine_s_own_time(self, longest: str, length_s: float | None, back: bool, is_so: bool) -> None:
        assert too_long(waiting(longest=longest), length_s, back=back) is is_so

    def test_is_nothing_before_there_is_a_routine(self) -> None:
        assert too_long(State(), 1e6, back=True) is False


def length(before: State, event: Any) -> float | str | None:
    """How long nobody was there; `none` where that is no absence."""
    absence = absence_at(before, event)
    if absence is None:
        return "none"
    assert (absence.seq, absence.after) == (10, 7)
    return absence.length_s


class TestAnAbsence:
    @pytest.mark.parametrize(
        ("kind", "length_s"),
        [
            (e.ReadingTaken, 3600.0),
            (e.RunContinued, 3600.0),
            (e.NoteAdded, 3600.0),
            # What comes by itself shows nobody.
            (e.LineUnused, "none"),
            (e.QuestionAsked, "none"),
        ],
    )
    def test_ends_with_what_shows_somebody(self, kind: type[Any], length_s: float | str) -> None:
        assert length(waiting(), later(3600.0, kind=kind)) == length_s

    def test_is_as_long_as_a_journal_says_that_knows_no_wall_clock(self) -> None:
        before = waiting(paced=False)
        assert length(before, later(0.0, kind=e.RunContinued, away_s=3600.0)) == 3600.0
        assert length(before, later(0.0, kind=e.RunContinued, away_s=None)) is None
        assert length(before, later(3600.0, kind=e.RunContinued, away_s=0.0)) == "none"
        assert length(before, later(3600.0)) == 3600.0

    def test_is_as_long_as_the_clocks_say_where_they_go_together(self) -> None:
        assert length(waiting(), later(3600.0, kind=e.RunContinued, away_s=0.0)) == 3600.0
        assert length(waiting(), later(60.0, kind=e.RunContinued, away_s=3600.0)) == "none"


class TestASoak:
    """It began 100 s after the beginning, and lasts 3000 s at least: 2900 s are left when somebody was there last."""

    BEFORE = waiting(SOAK, soak_from_s=100.0)

    def test_is_no_absence_however_long_somebody_lets_it_go_on(self) -> None:
        assert length(self.BEFORE, later(90_000.0)) == "none"

    def test_is_none_that_the_machine_slept(self) -> None:
        assert length(self.BEFORE, later(0.0, 3600.0)) == 3600.0
        assert length(self.BEFORE, later(60.0, 3660.0)) == 3600.0

    @pytest.mark.parametrize("kind", [e.RunContinued, e.NoteAdded])
    def test_that_somebody_left_counts_for_what_was_left_of_it(self, kind: type[Any]) -> None:
        phase = Phase.RUNNING if kind is e.RunContinued else Phase.PAUSED
        assert length(replace(self.BEFORE, phase=phase), later(5000.0, kind=kind)) == 2100.0

    def test_that_was_over_counts_for_nothing(self) -> None:
        before = replace(self.BEFORE, soak_from_s=HERE_S - 3010.0)
        assert length(before, later(5000.0, kind=e.RunContinued)) == 5000.0

    def test_is_not_left_by_a_note(self) -> None:
        assert length(self.BEFORE, later(5000.0, kind=e.NoteAdded)) == "none"


class TestALeapOfTheCounter:
    @pytest.mark.parametrize(
        ("counter_s", "wall_s", "leap_s"),
        [
            (3600.0, 3.0, 3597.0),
            (3600.0, 0.0, 3600.0),
            # Where the wall clock went back nobody knows how long it was.
            (3600.0, -5.0, 3600.0),
            (20.0, 9.0, 11.0),
            (19.0, 9.0, 0.0),
            (8.0, 3.0, 0.0),
            (5.0, 5.0, 0.0),
            (3.0, 3600.0, 0.0),
        ],
    )
    def test_is_no_soak(self, counter_s: float, wall_s: float, leap_s: float) -> None:
        assert leapt_s(waiting(SOAK), later(counter_s, wall_s)) == leap_s

    @pytest.mark.parametrize("before", [waiting(), waiting(SOAK, paced=False), State(paced=True, wall=wall(0.0))])
    def test_is_nothing_elsewhere(self, before: State) -> None:
        assert leapt_s(before, later(3600.0, 3.0)) == 0.0
