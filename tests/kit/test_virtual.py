"""Virtual readings: a truth that is known comes back out of the record."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdzero.testing import Draft, Measure, Truth, virtual_answers

ROUTINE = (
    Draft()
    .with_table("comparator", resolution="0.01 um")
    .with_characteristic("parallelism", measure="variation", at=["a", "b"])
    .with_step("read", at="b", index=1)
)


def value(measure: Measure, routine: Draft, truth: Truth, name: str = "thickness") -> float:
    outcome = measure(routine, virtual_answers(routine, truth))
    return float(outcome.record["results"][name]["value_um"])


class TestTheValueIsTheTruth:
    def test_of_a_size_counted_from_its_nominal(self, measure: Measure) -> None:
        truth = Truth(deviations_um={"a": 1.25, "b": 0.5})
        assert value(measure, ROUTINE, truth) == pytest.approx(1.25)
        assert value(measure, ROUTINE, truth, "parallelism") == pytest.approx(0.75)

    def test_where_the_nominal_is_not_the_reference_s_size(self, measure: Measure) -> None:
        routine = ROUTINE.with_characteristic("thickness", nominal="5.01 mm")
        assert value(measure, routine, Truth(deviations_um={"a": 1.25, "b": 0.0})) == pytest.approx(1.25)
        counted = Truth(deviations_um={"a": 11.25, "b": 0.0}, counted_from="reference")
        assert value(measure, routine, counted) == pytest.approx(1.25)

    def test_less_what_the_certificate_gets_wrong(self, measure: Measure) -> None:
        routine = ROUTINE.with_table("reference", deviation="0.2 um")
        assert value(measure, routine, Truth(deviations_um={"a": 1.0, "b": 0.0})) == pytest.approx(1.0)
        wrong = Truth(deviations_um={"a": 1.0, "b": 0.0}, reference_um=0.5)
        assert value(measure, routine, wrong) == pytest.approx(0.7)

    def test_of_one_part_of_a_batch(self, measure: Measure) -> None:
        routine = Draft().with_steps(
            {"do": "zero"},
            {"do": "repeat", "over": "parts", "steps": [{"do": "read", "at": "a"}]},
            {"do": "return"},
            {"do": "compare"},
        )
        truth = Truth(deviations_um={"a": 1.0, "7/a": 2.0})
        outcome = measure(routine, virtual_answers(routine, truth, serials=("6", "7")), serials=("6", "7"))
        assert [record["results"]["thickness"]["value_um"] for record in outcome.records] == [1.0, 2.0]


class TestWhatTheBenchAdds:
    def test_readings_are_rounded_to_the_resolution(self) -> None:
        answers = virtual_answers(Draft(), Truth(deviations_um={"a": 0.33}))
        assert [text for _, text in answers] == ["0 um"] * 3 + ["0.3 um"] * 3 + ["0 um"]

    def test_scatter_is_normal_with_its_standard_deviation_and_the_same_for_the_same_seed(self) -> None:
        routine = Draft().with_steps({"do": "zero"}, {"do": "read", "at": "a", "times": 250}, {"do": "compare"})
        truth = Truth(deviations_um={"a": 1.0}, scatter_um=0.2, rounded=False)
        first, again = virtual_answers(routine, truth, seed=3), virtual_answers(routine, truth, seed=3)
        other = virtual_answers(routine, truth, seed=4)
        assert first == again != other
        shown = [float(text.removesuffix(" um")) for _, text in first[1:]]
        mean = sum(shown) / len(shown)
        deviation = (sum((item - mean) ** 2 for item in shown) / (len(shown) - 1)) ** 0.5
        # Four standard deviations of a mean and of a standard deviation of 250 readings.
        assert mean == pytest.approx(1.0, abs=4 * 0.2 / 250**0.5)
        assert deviation == pytest.approx(0.2, rel=4 / (2 * 250) ** 0.5)

    def test_the_dial_drifts_from_the_moment_of_the_zero(self) -> None:
        truth = Truth(deviations_um={"a": 0.0}, drift_um_per_h=36.0, every_s=10.0)
        shown = [float(text.removesuffix(" um")) for _, text in virtual_answers(Draft(), truth)]
        assert shown == pytest.approx([0.1 * count for count in range(7)])

    def test_a_warm_part_is_longer_by_its_expansion(self, measure: Measure) -> None:
        routine = ROUTINE.without_table("characteristics.parallelism")
        warm = Truth(
            deviations_um={"a": 0.0, "b": 0.0},
            temperatures_degC={"part": 22.0},
            expansions_per_K={"part": 11.5e-6},
        )
        # 5000 um times 11.5e-6 /K times 2 K = 0.115 um; read to 0.01 um, ties to even.
        assert value(measure, routine, warm) == pytest.approx(0.115, abs=0.0051)

    def test_a_check_standard_is_as_the_reference_unless_something_else_is_said(self) -> None:
        routine = (
            Draft()
            .with_table("comparator", travel="20 mm", resolution="0.0001 um")
            .with_table("check_standard", size="9 mm", deviation="0 um", limit="1 um")
            .with_steps({"do": "zero"}, {"do": "check"}, {"do": "read", "at": "a"}, {"do": "return"})
        )
        warm = {"reference": 25.0, "part": 25.0}
        for own, expansion, temperature in (({}, 11.5e-6, 25.0), ({"check standard": 4.5e-6}, 4.5e-6, 24.0)):
            truth = Truth(
                deviations_um={"a": 0.0},
                temperatures_degC={**warm, **({"check standard": temperature} if own else {})},
                expansions_per_K={"reference": 11.5e-6, **own},
            )
            shown = float(virtual_answers(routine, truth)[1][1].removesuffix(" um"))
            # 9 mm less 5 mm, each with what it has grown (linear expansion, ISO 1)
            wanted = 9000.0 * (1.0 + expansion * (temperature - 20.0)) - 5000.0 * (1.0 + 11.5e-6 * 5.0)
            assert shown == pytest.approx(wanted, abs=6e-5)

    def test_answers_bring_their_time_and_a_soak_is_waited_for(self) -> None:
        routine = Draft().with_step("soak", at_least="10 min")
        answers = virtual_answers(routine, Truth(deviations_um={"a": 0.0}, every_s=5.0))
        assert [time_s for time_s, _ in answers] == [605.0 + 5.0 * count for count in range(7)]


class TestWhatIsAsked:
    def test_questions_are_answered_by_their_name(self, measure: Measure) -> None:
        routine = (
            Draft()
            .with_step(do="ask", name="humidity", answer="number", unit="%")
            .with_step(do="ask", name="finish", choices=["ground", "lapped"])
            .with_step("temperature", of="air")
        )
        truth = Truth(deviations_um={"a": 0.0}, answers={"humidity": "45"}, temperatures_degC={"air": 20.25})
        answers = virtual_answers(routine, truth)
        assert [text for _, text in answers[:3]] == ["45", "ground", "20.2500 degC"]
        assert measure(routine, answers).code == 0

    def test_what_the_truth_does_not_say_is_named(self) -> None:
        with pytest.raises(ValueError, match="no answer to 'humidity'"):
            virtual_answers(Draft().with_step("ask", name="humidity"), Truth(deviations_um={"a": 0.0}))
        with pytest.raises(ValueError, match="nothing of place a; it has: b"):
            virtual_answers(Draft(), Truth(deviations_um={"b": 0.0}))

    def test_a_device_is_named_from_the_register(self, measure: Measure, tmp_path: Path) -> None:
        shop = tmp_path / "shop.toml"
        shop.write_text(
            '[comparator.C1]\nname = "Comparator 1"\nresolution = "0.5 um"\ntravel = "50 um"\n', encoding="utf-8"
        )
        routine = Draft().without_table("comparator").with_table("comparator", largest_resolution="1 um")
        truth = Truth(deviations_um={"a": 0.9}, answers={"comparator": "C1"})
        answers = virtual_answers(routine, truth, shop=shop)
        assert "C1" in [text for _, text in answers]
        assert measure(routine, answers, shop=shop).record["results"]["thickness"]["value_um"] == pytest.approx(1.0)
        chosen = virtual_answers(routine, truth, shop=shop, choices={"comparator": "C1"})
        assert "C1" not in [text for _, text in chosen]
        outcome = measure(routine, chosen, shop=shop, choices={"comparator": "C1"})
        assert outcome.record["results"]["thickness"]["value_um"] == pytest.approx(1.0)
