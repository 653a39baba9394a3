"""Drafts: routine texts made piece by piece."""

from __future__ import annotations

import tomllib

from holdzero.testing import PLAIN, Draft, Measure


class TestStart:
    def test_it_is_the_plain_routine(self) -> None:
        assert tomllib.loads(Draft().text) == tomllib.loads(PLAIN)

    def test_it_is_valid(self, measure: Measure) -> None:
        assert measure(Draft()).code == 0

    def test_it_may_be_another_routine(self) -> None:
        other = PLAIN.replace("W-1", "W-2")
        assert tomllib.loads(Draft.of(other).text) == tomllib.loads(other)


class TestPieces:
    def test_keys_go_into_a_table_beside_those_that_are_there(self) -> None:
        tables = tomllib.loads(Draft().with_table("comparator", resolution="1 um").text)
        assert tables["comparator"] == {"resolution": "1 um", "travel": "50 um"}

    def test_a_point_goes_a_table_deeper(self) -> None:
        tables = tomllib.loads(Draft().with_table("comparator.tip", material="steel").text)
        assert tables["comparator"]["tip"] == {"material": "steel"}

    def test_a_check_and_a_characteristic(self) -> None:
        draft = Draft().with_check("house", name="x", limit="1 um").with_characteristic("step", at="b", from_="c")
        tables = tomllib.loads(draft.text)
        assert tables["checks"] == {"house": {"name": "x", "limit": "1 um"}}
        assert tables["characteristics"]["step"] == {"at": "b", "from": "c"}

    def test_a_table_or_a_key_is_dropped(self) -> None:
        tables = tomllib.loads(Draft().without_table("comparator.travel").without_table("reference").text)
        assert tables["comparator"] == {"resolution": "0.1 um"}
        assert "reference" not in tables

    def test_a_step_comes_before_the_first_that_reads_or_where_it_is_told_to(self) -> None:
        draft = Draft().with_step("soak", at_least="1 min").with_step(do="read", at="b", index=2)
        assert [step["do"] for step in draft.tables["steps"]] == ["soak", "zero", "read", "repeat", "return", "compare"]
        assert draft.tables["steps"][2] == {"do": "read", "at": "b"}

    def test_steps_take_the_place_of_all(self) -> None:
        assert Draft().with_steps({"do": "compare"}).tables["steps"] == [{"do": "compare"}]


class TestFrozen:
    def test_no_method_changes_the_draft_that_it_is_called_on(self) -> None:
        draft = Draft()
        draft.with_table("comparator", resolution="1 um")
        draft.with_step("soak", at_least="1 min")
        draft.without_table("reference")
        draft.with_steps()
        draft.with_check("house")
        assert draft == Draft()
