"""House rule two_readers: two people read what is critical, each place of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.catalogue import Catalogue
from holdzero.testing import Draft, Measure, catalogue_of
from holdzero.verify import verify

Sit: TypeAlias = Callable[..., Any]  # see conftest
Step: TypeAlias = dict[str, Any]

ZERO: Step = {"do": "zero", "times": 2}
READER: Step = {"do": "reader"}
A: Step = {"do": "read", "at": "a"}
B: Step = {"do": "read", "at": "b"}
RETURN: Step = {"do": "return"}
COMPARE: Step = {"do": "compare"}


def of_steps(*steps: Step, critical: tuple[str, ...] = ("thickness",), **settings: Any) -> Draft:
    draft = Draft().with_steps(ZERO, *steps, RETURN, COMPARE)
    return draft.with_check("two_readers", critical=list(critical), **settings)


ROUTINE = of_steps(A, A, READER, A, A)


@pytest.fixture
def read(house: Path, measure: Measure) -> Callable[..., Any]:
    """Measure with the rule; the operator is T. Ester."""

    def go(draft: Draft, *answers: str, serials: tuple[str, ...] = ("1",)) -> Any:
        return measure(draft, answers, plugins=[house / "two_readers.py"], serials=serials)

    return go


def stops(record: dict[str, Any]) -> list[tuple[str, str | None]]:
    return [(f["code"], f["characteristic"]) for f in record["findings"] if f["level"] == "stop"]


class TestTheStep:
    def test_asks_who_reads(self, read: Callable[..., Any]) -> None:
        record = read(ROUTINE, "0", "0", "1", "1", "C. Reeve", "1", "1", "0").record
        (step,) = (step for step in record["steps"] if step["kind"] == "ask")
        assert (step["of"], step["say"]) == ("reader", "Who reads from here on? Type the name as it is always typed.")

    def test_takes_none_but_the_names_that_the_routine_has(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, {"do": "reader", "names": ["C. Reeve", "A. Ivers"]}, A)
        assert read(draft, "0", "0", "1", "c. reeve", "1", "0").record["verdict"] == "pass"
        refused = read(draft, "0", "0", "1", "B. Quick", "1", "0")
        assert refused.code == 2
        assert "is not one of: C. Reeve, A. Ivers" in refused.said


class TestTwoPeople:
    def test_the_operator_and_another_pass_and_the_record_verifies(self, read: Callable[..., Any], house: Path) -> None:
        record = read(ROUTINE, "0", "0", "1.0", "1.1", "C. Reeve", "1.0", "0.9", "0").record
        assert record["verdict"] == "pass"
        assert stops(record) == []
        assert verify(record, catalogue_of(house / "two_readers.py")) == []

    @pytest.mark.parametrize("name", ["T. Ester", "  t. ESTER ", "T.  Ester"])
    def test_one_name_written_otherwise_is_one_person(self, read: Callable[..., Any], name: str) -> None:
        record = read(ROUTINE, "0", "0", "1", "1", name, "1", "1", "0").record
        assert record["verdict"] == "undecided"
        assert stops(record) == [("two_readers/alone", "thickness")]
        assert "place a was read by T. Ester alone; two people must read it" in record["findings"][0]["text"]

    def test_nobody_else_was_asked_for(self, read: Callable[..., Any]) -> None:
        assert stops(read(of_steps(A, A), "0", "0", "1", "1", "0").record) == [("two_readers/alone", "thickness")]

    def test_each_place_needs_both(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, B, READER, A).with_characteristic("thickness", at=["a", "b"])
        record = read(draft, "0", "0", "1", "1", "C. Reeve", "1", "0").record
        assert stops(record) == [("two_readers/alone", "thickness")]
        assert "place b was read by T. Ester alone" in record["findings"][0]["text"]

    def test_what_is_not_critical_needs_one(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, B, READER, A).with_characteristic("step", measure="step", at="b", from_="a")
        record = read(draft, "0", "0", "1", "1", "C. Reeve", "1", "0").record
        assert stops(record) == []
        record = read(
            draft.with_check("two_readers", critical=["step"]), "0", "0", "1", "1", "C. Reeve", "1", "0"
        ).record
        assert stops(record) == [("two_readers/alone", "step")]
        assert record["results"]["thickness"]["verdict"] == "pass"

    def test_a_run_without_an_operator_has_no_first_reader(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", ROUTINE, operator=None).at(
            0.0, "0", "0", "1", "1", "C. Reeve", "1", "1", "0", ""
        )
        record = desk.ended()
        assert stops(record) == [("two_readers/alone", "thickness")]
        assert "read by C. Reeve alone" in record["findings"][0]["text"]

    def test_nobody_named_at_all_is_said(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", of_steps(A, A), operator=None).at(0.0, "0", "0", "1", "1", "0", "")
        assert "read by nobody who is named" in desk.ended()["findings"][0]["text"]


class TestAnswersThatWereStruckOut:
    def test_the_name_that_stands_in_the_end_holds_since_it_was_first_asked_for(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", ROUTINE).at(0.0, "0", "0", "1", "1", "C. Reve", "1", "1")
        desk.strike(1.0, 6).at(2.0, "C. Reeve", "0", "")
        assert stops(desk.ended()) == []

    def test_no_second_person_is_made_by_it(self, sit_down: Sit) -> None:
        # The operator reads nothing: all four readings are C. Reeve's, as is said in the end.
        draft = of_steps(READER, A, A, READER, A, A)
        desk = sit_down("two_readers", draft).at(0.0, "0", "0", "A. Ivers", "1", "1", "C. Reeve", "1", "1")
        desk.strike(1.0, 4).at(2.0, "C. Reeve", "0", "")
        assert stops(desk.ended()) == [("two_readers/alone", "thickness")]

    def test_a_reading_that_was_struck_out_was_read_by_nobody(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", of_steps(A, READER, A)).at(0.0, "0", "0", "1", "C. Reeve", "1")
        desk.strike(1.0, 4).at(2.0, "1", "0", "")
        assert stops(desk.ended()) == [("two_readers/alone", "thickness")]


class TestHowFarTheyDiffer:
    @pytest.mark.parametrize(
        ("second", "expected"),
        [
            ("1.3", []),
            ("0.7", []),
            ("1.31", [("two_readers/apart", "thickness")]),
            ("0.6", [("two_readers/apart", "thickness")]),
        ],
    )
    def test_exactly_the_limit_is_within_it(
        self, read: Callable[..., Any], second: str, expected: list[tuple[str, str]]
    ) -> None:
        draft = of_steps(A, READER, A, limit="0.3 um")
        assert stops(read(draft, "0", "0", "1.0", "C. Reeve", second, "0").record) == expected

    def test_means_are_compared_and_not_single_readings(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, A, READER, A, A, limit="0.3 um")
        record = read(draft, "0", "0", "0.8", "1.2", "C. Reeve", "1.2", "0.8", "0").record
        assert "two_readers/apart" not in [code for code, _ in stops(record)]

    def test_says_by_how_much_and_what_is_allowed(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, READER, A, limit="0.3 um")
        record = read(draft, "0", "0", "1.0", "C. Reeve", "2.0", "0").record
        (found,) = (f for f in record["findings"] if f["code"] == "two_readers/apart")
        assert "at place a two readers differ by 1 µm; at most 0.3 µm is allowed" in found["text"]
        assert found["data"] == {"apart_um": 1.0, "limit_um": 0.3}

    def test_is_not_looked_at_without_a_limit(self, read: Callable[..., Any]) -> None:
        assert stops(read(of_steps(A, READER, A), "0", "0", "0", "C. Reeve", "2", "0").record) == []


class TestTheSettings:
    def test_a_name_that_is_no_characteristic_stops_the_part(self, read: Callable[..., Any]) -> None:
        draft = of_steps(A, READER, A, critical=("thickness", "thikness"))
        record = read(draft, "0", "0", "1", "C. Reeve", "1", "0").record
        assert record["verdict"] == "undecided"
        assert stops(record) == [("two_readers/unknown", None)]
        assert "critical names thikness" in record["findings"][0]["text"]

    def test_nothing_critical_is_refused(self, read: Callable[..., Any]) -> None:
        refused = read(of_steps(A, critical=()), "0", "0", "1", "0")
        assert refused.code == 2
        assert "checks.two_readers.critical" in refused.said


class TestABatch:
    @staticmethod
    def draft(*loop: Step, before: tuple[Step, ...] = ()) -> Draft:
        parts = {"do": "repeat", "over": "parts", "steps": list(loop)}
        return of_steps(*before, parts)

    def test_a_reader_asked_for_between_two_rounds_reads_all_parts(self, sit_down: Sit) -> None:
        round_ = {"do": "repeat", "over": "parts", "steps": [A]}
        desk = sit_down("two_readers", of_steps(round_, READER, round_), serials=("1", "2"))
        desk.at(0.0, "0", "0", "1", "1", "C. Reeve", "1", "1", "0", "")
        assert [stops(desk.ended(serial)) for serial in ("1", "2")] == [[], []]

    def test_readers_of_each_part_are_its_own(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", self.draft(READER, A, READER, A), serials=("1", "2"))
        desk.at(0.0, "0", "0", "T. Ester", "1", "C. Reeve", "1", "C. Reeve", "1", "C. Reeve", "1", "0", "")
        assert stops(desk.ended("1")) == []
        assert stops(desk.ended("2")) == [("two_readers/alone", "thickness")]

    def test_who_read_a_part_before_its_first_answer_is_not_known(self, sit_down: Sit) -> None:
        # C. Reeve stays at the bench for the second part, and the routine does not ask.
        desk = sit_down("two_readers", self.draft(A, READER, A), serials=("1", "2"))
        desk.at(0.0, "0", "0", "1", "C. Reeve", "1", "1", "C. Reeve", "1", "0", "")
        assert stops(desk.ended("2")) == [("two_readers/alone", "thickness")]

    def test_an_answer_before_the_loop_does_not_hold_where_parts_have_their_own(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", self.draft(A, READER, A, before=(READER,)), serials=("1", "2"))
        desk.at(0.0, "0", "0", "A. Ivers", "1", "C. Reeve", "1", "1", "C. Reeve", "1", "0", "")
        assert stops(desk.ended("2")) == [("two_readers/alone", "thickness")]


class TestAtTheBench:
    def test_the_same_name_once_more_is_asked_about(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", ROUTINE).at(0.0, "0", "0", "1", "1")
        assert desk.codes(1.0) == []
        (found,) = desk.at(1.0, "t. ester").asked(2.0)
        assert found.code == "two_readers/same"
        assert "Is it another person now?" in found.text
        assert desk.strike(3.0, 6).at(4.0, "C. Reeve").codes(5.0) == []

    def test_the_operator_may_be_named_first(self, sit_down: Sit) -> None:
        desk = sit_down("two_readers", of_steps(READER, A, READER, A)).at(0.0, "0", "0", "T. Ester")
        assert desk.codes(1.0) == []


class TestWithoutTheShop:
    def test_verify_says_that_the_rule_is_missing(self, read: Callable[..., Any], catalogue: Catalogue) -> None:
        record = read(ROUTINE, "0", "0", "1", "1", "C. Reeve", "1", "1", "0").record
        assert any("two_readers/failed" in line for line in verify(record, catalogue))
