"""The explanation: every number of the record, in the order in which it came about."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero.errors import RecordError
from holdzero.explain import explain

ROUTINE = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "50 mm", deviation = "-0.2 um", material = "steel" }
part = { material = "steel" }
comparator = { resolution = "0.1 um" }
characteristics.t = { measure = "size", at = "a", nominal = "50 mm", lower = "-3 um", upper = "3 um" }
characteristics.v = { measure = "variation", at = ["a", "b"], upper = "5 um" }
checks.thermal = { part_temperature = "20.4 degC", reference_temperature = "20 degC" }
steps = [
    { do = "zero", times = 2 },
    { do = "repeat", times = 2, steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ] },
    { do = "return" },
]
"""
READ = ["0", "0.1", "1.0", "2.0", "1.1", "2.1", "0"]


@pytest.fixture
def record(measure: Callable[..., Any]) -> dict[str, Any]:
    made: dict[str, Any] = measure(ROUTINE, READ).record
    return made


def text_of(record: dict[str, Any], name: str | None = None) -> str:
    return "\n".join(explain(record, name))


class TestContents:
    def test_the_readings_come_first_with_their_entries(self, record: dict[str, Any]) -> None:
        assert "a: +1 +1.1 µm (entries 4, 6), mean +1.0500 µm" in text_of(record, "t")

    def test_entries_are_a_range_only_where_nothing_stands_between(self, measure: Callable[..., Any]) -> None:
        steps = (
            'steps = [ { do = "zero", times = 3 }, { do = "repeat", times = 3, steps = [ { do = "read", at = "a" }, '
        )
        text = ROUTINE[: ROUTINE.index("steps")] + steps + '{ do = "read", at = "b" } ] }, { do = "return" } ]\n'
        told = text_of(measure(text, ["0", "0", "0", "1", "2", "1", "2", "1", "2", "0"]).record, "t")
        assert "(entries 2 to 4), mean" in told
        assert "(entries 5, 7, 9), mean" in told

    def test_the_terms_add_up_to_the_value(self, record: dict[str, Any]) -> None:
        terms = record["results"]["t"]["terms"]
        total = sum(term["value_um"] for term in terms)
        assert total == pytest.approx(record["results"]["t"]["value_um"], abs=1e-9)
        assert all(f"c{index}" in text_of(record, "t") for index in range(1, len(terms) + 1))

    def test_a_warm_part_reads_long_and_is_corrected_downwards(self, record: dict[str, Any]) -> None:
        text = text_of(record, "t")
        assert "the part is 0.4 K warmer than the reference, so it reads long: subtract" in text
        (term,) = [t for t in record["results"]["t"]["terms"] if t["name"] == "correction to 20 degC"]
        assert term["value_um"] < 0.0

    def test_a_short_reference_makes_a_short_part(self, record: dict[str, Any]) -> None:
        assert "the reference is 0.2 µm shorter than its nominal size, and so is the part" in text_of(record, "t")

    def test_each_term_of_the_core_and_the_built_in_checks_has_words_and_a_source(self, record: dict[str, Any]) -> None:
        for result in record["results"].values():
            for term in result["terms"]:
                assert term["words"], term["name"]
                assert term["source"], term["name"]

    def test_the_decision_stands_with_its_numbers(self, record: dict[str, Any]) -> None:
        text = text_of(record, "t")
        assert "upper limit +3.0000 µm, drawn in by the guard band" in text
        assert record["results"]["t"]["rule"] in text

    def test_no_probability_is_rounded_to_a_certainty(self, measure: Callable[..., Any]) -> None:
        wide = ROUTINE.replace('lower = "-3 um", upper = "3 um"', 'lower = "-30 mm", upper = "30 mm"')
        text = text_of(measure(wide, READ).record, "t")
        assert "limits: > 99.9 %" in text
        assert "wrong: < 0.1 %" in text

    def test_one_characteristic_can_be_asked_for(self, record: dict[str, Any]) -> None:
        assert "V\n  Variation: the largest less the smallest of the means at a, b." in text_of(record, "v")
        assert "Size at a" not in text_of(record, "v")

    def test_an_unknown_one_is_named_with_those_there_are(self, record: dict[str, Any]) -> None:
        with pytest.raises(RecordError, match="no characteristic 'x'; there are: t, v"):
            explain(record, "x")

    def test_a_simulation_is_told(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, READ, trials="20000").record
        assert "20000 Monte Carlo trials give" in text_of(record, "t")

    def test_in_a_narrow_tolerance_the_limits_are_drawn_in_by_what_passes(self, measure: Callable[..., Any]) -> None:
        # Nothing is uncertain but the reference, u = 1 um: T = 4.2 u passes within ±0.39 um (JCGM 106, eq. 11)
        text = ROUTINE.replace('deviation = "-0.2 um"', 'deviation = { value = "0 um", standard = "1 um" }')
        text = text.replace('upper = "3 um" }', 'upper = "2.1 um" }').replace('lower = "-3 um"', 'lower = "-2.1 um"')
        text = text[: text.index("checks.thermal")] + text[text.index("steps") :]
        told = text_of(measure(text, ["0", "0", "0.3", "0", "0.3", "0", "0"]).record, "t")
        assert "upper limit +2.10 µm, drawn in by the guard band +1.71 µm: +0.39 µm; +0.30 µm ≤ +0.39 µm" in told
        nothing = text.replace('"2.1 um"', '"1.9 um"').replace('"-2.1 um"', '"-1.9 um"')
        told = text_of(measure(nothing, ["0", "0", "0.3", "0", "0.3", "0", "0"]).record, "t")
        assert "with this uncertainty no value would pass" in told
        assert "drawn in by" not in told

    def test_a_record_of_before_has_its_limits_drawn_in_by_the_guard_band(self, record: dict[str, Any]) -> None:
        now = text_of(record, "t")
        del record["results"]["t"]["acceptance_um"]
        assert text_of(record, "t") == now

    def test_a_simulation_without_a_standard_deviation_says_why(self, measure: Callable[..., Any]) -> None:
        # two readings, and a zero of one lift: one degree of freedom
        text = ROUTINE.replace('do = "zero", times = 2', 'do = "zero"').replace("characteristics.v", "#")
        text = text.replace(', { do = "read", at = "b" }', "")
        record = measure(text, ["0", "1.0", "1.4", "0"], trials="adaptive").record
        result = record["results"]["t"]
        assert result["monte_carlo"]["standard_uncertainty_um"] is None
        assert result["monte_carlo"]["value_um"] == pytest.approx(result["value_um"], abs=0.002)
        assert result["monte_carlo"]["no_standard_deviation"] == {"repeatability, t": 1.0}
        told = text_of(record, "t")
        assert "1000000 Monte Carlo trials give +0.77 µm (median), no u (see below)" in told
        assert "repeatability, t has 1 degrees of freedom; with 2 or fewer there is no standard deviation" in told
        assert "the simulation has no standard uncertainty, only an interval" in told
        assert "no adaptive number of trials can become stable, and none was tried" in told

    def test_what_was_not_measured_is_said(self, measure: Callable[..., Any]) -> None:
        text = ROUTINE.replace('at = "a"', 'at = "elsewhere"', 1)
        assert "It has no number" in text_of(measure(text, READ).record, "t")


STATED = 'part_temperature = "20.4 degC", reference_temperature = "20 degC"'
MEASURED = ROUTINE.replace(STATED, "").replace(
    "steps = [",
    'thermometer = { name = "T2", error = { halfwidth = "0.1 K", why = "own comparison" } }\n'
    'steps = [\n    { do = "temperature", of = "part" },\n    { do = "temperature", of = "reference" },',
    1,
)


def temperatures_in(record: dict[str, Any], name: str | None = None) -> list[str]:
    lines = explain(record, name)
    return lines[lines.index("TEMPERATURES") + 1 : lines.index("FINDINGS") - 1]


class TestTemperatures:
    def test_each_one_stands_with_its_time_and_thermometer(self, measure: Callable[..., Any]) -> None:
        part, reference, *_ = temperatures_in(measure(MEASURED, ["20.31", "20.12", *READ]).record)
        assert "part 20.31 °C (entry 2), by T2, error halfwidth 0.1 K (own comparison)" in part
        assert "reference 20.12 °C (entry 3), by T2" in reference

    def test_what_they_do_is_the_term_of_the_model(self, measure: Callable[..., Any]) -> None:
        # JCGM 100:2008, H.1.2: l·α·δθ, 50 mm · 11.5e-6/K · 0.19 K = 0.109 µm that a warm part reads long
        (told,) = temperatures_in(measure(MEASURED, ["20.31", "20.12", *READ]).record, "t")[2:]
        assert "part 20.31 °C (measured); reference 20.12 °C (measured)" in told
        assert "the part is 0.19 K warmer than the reference, so it reads long: subtract" in told
        assert "Correction −0.109 µm" in told

    def test_their_part_of_the_uncertainty_is_length_times_expansion_times_spread(
        self, measure: Callable[..., Any]
    ) -> None:
        # JCGM 100:2008, H.1.3.4: u = l·α·u(δθ), 50 mm · 11.5e-6/K · 0.1 K = 0.0575 µm; θ and δθ are 0, so that nothing
        # else of temperatures or expansions counts in the first two digits.
        known = 'part_temperature = "20 degC", difference = { value = "0 K", standard = "0.1 K" }'
        text = ROUTINE.replace(STATED, known)
        record = measure(text, READ).record
        (told,) = temperatures_in(record, "t")[1:]
        wanted = 0.0575 * record["results"]["t"]["coverage_factor"]
        assert f"of U, temperatures and expansions alone are ±{wanted:.2g} µm" in told

    def test_what_nobody_measured_is_said_to_be_stated(self, record: dict[str, Any]) -> None:
        none, told = temperatures_in(record, "t")
        assert none == "  None was read in this run."
        assert "part 20.4 °C (stated by the routine, not measured: exact)" in told

    def test_what_was_struck_out_is_marked(self, measure: Callable[..., Any]) -> None:
        struck = measure(MEASURED, ["20.31", "20.12", *READ]).record
        row = next(row for row in struck["readings"] if row["unit"] == "degC")
        row.update(struck="a slip", counts=False)
        assert "(entry 2, struck out)" in temperatures_in(struck)[0]

    def test_that_do_nothing_are_said_to_do_nothing(self, measure: Callable[..., Any]) -> None:
        text = MEASURED.replace("checks.thermal = {  }\n", "")
        told = temperatures_in(measure(text, ["20.31", "20.12", *READ]).record, "t")[-1]
        assert "the temperatures read do nothing to the number: the routine has no [checks.thermal]" in told

    def test_what_is_not_known_is_not_corrected(self, measure: Callable[..., Any]) -> None:
        text = ROUTINE.replace(STATED, "")
        told = temperatures_in(measure(text, READ).record, "t")[-1]
        assert told == "  t: nothing refers it to 20 °C; the findings say what is not known."

    def test_what_was_seen_when_a_soak_ended_is_told(self, record: dict[str, Any]) -> None:
        def event(kind: str, seq: int, time_s: float, **more: Any) -> dict[str, Any]:
            return {"event": kind, "seq": seq, "wall": "", "time_s": time_s, "slot": "s", **more}

        record["events"] += [
            event("soak_observed", 90, 10.0, of="part", raw="20.50", value=20.5),
            event("soak_observed", 91, 11.0, of="", raw="1", value=1.0),
            event("soak_observed", 92, 50.0, of="part", raw="20.31", value=20.31),
            event("soak_observed", 93, 55.0, of="reference", raw="20.12", value=20.12),
            event("soak_ended", 94, 60.0, reason=None),
        ]
        assert (
            "  At the end of the soak (entry 94): part 20.31 °C (entry 92), reference 20.12 °C (entry 93); "
            "part less reference +0.19 K; the oldest was seen 10 s before."
        ) in temperatures_in(record)
