"""The block check: five points of a gauge block in words, and the grade that was asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero.views import view_of
from holdzero_plugins.checks import block

Measure = Callable[..., Any]

PLACES = ("centre", "left front", "right front", "left back", "right back")


def routine(settings: str = "", *, size: str = "10 mm", places: tuple[str, ...] = PLACES, units: str = "mm") -> str:
    reads = "".join(f'  {{ do = "read", at = "{place}" }},\n' for place in places)
    return (
        "format = 1\n"
        f'routine = {{ title = "Block", part = "B-1", units = "{units}" }}\n'
        f'reference = {{ name = "Block", size = "{size}", deviation = "0 um" }}\n'
        'comparator = { resolution = "0.01 um" }\n'
        'characteristics.v = { measure = "variation", at = ["centre", "left front"] }\n'
        f"checks.block = {{ {settings} }}\n"
        f'steps = [\n  {{ do = "zero" }},\n{reads}  {{ do = "return" }}\n]\n'
    )


def shown(*deviations: str) -> list[str]:
    return ["0", *deviations, "0"]


def codes(outcome: Any, level: str) -> list[str]:
    return [code for code in outcome.codes(level) if code.startswith("block")]


class TestInWords:
    def test_the_variation_is_defined_on_screen(self, measure: Measure) -> None:
        outcome = measure(routine(), shown("0.02", "0.05", "0", "0.01", "0.02"))
        (text,) = [f["text"] for f in outcome.record["findings"] if f["code"] == "block/variation"]
        assert "the longest less the shortest of the five points: v = 0.05 µm" in text
        assert "f_o = 0.03 µm above the centre" in text
        assert "f_u = 0.02 µm below it" in text
        assert "neither" in text

    def test_a_centre_at_the_end_gives_a_part_of_zero(self, measure: Measure) -> None:
        outcome = measure(routine(), shown("0.05", "0.01", "0.02", "0.03", "0.02"))
        (data,) = [f["data"] for f in outcome.record["findings"] if f["code"] == "block/variation"]
        assert data["f_o_um"] == 0.0
        assert data["f_u_um"] == data["v_um"] == pytest.approx(0.04)

    def test_a_block_of_another_material_is_referred_to_20_degrees(self, measure: Measure) -> None:
        # 25 mm at 24 °C: ceramic grows by 25 000 · 4 · 2.3e-6 = 0.23 µm less than the steel that it is compared with
        thermal = (
            'checks.thermal = { part_temperature = "24 degC", difference = "0 K", part_expansion = "9.2e-6 1/K", '
            'reference_expansion = "11.5e-6 1/K" }\n'
        )
        warm = routine(size="25 mm").replace("checks.block", thermal + "checks.block")
        found = {f["code"]: f for f in measure(warm, shown(*["-0.23"] * 5)).record["findings"]}
        assert found["block/deviation"]["data"]["largest_deviation_um"] == pytest.approx(0.0, abs=1e-4)
        assert "as read, and referred to 20 °C, before corrections other than that" in found["block/deviation"]["text"]
        assert "block/best/ISO 3650/K" in found

    def test_a_nominal_of_its_own_shifts_the_deviation_and_not_the_variation(self, measure: Measure) -> None:
        outcome = measure(routine('nominal = "10.0001 mm"'), shown("0.1", "0.1", "0.1", "0.1", "0.12"))
        data = {f["code"]: f["data"] for f in outcome.record["findings"] if f["code"].startswith("block")}
        assert data["block/deviation"]["largest_deviation_um"] == pytest.approx(0.02, abs=1e-9)
        assert data["block/variation"]["v_um"] == pytest.approx(0.02)


class TestBestGrade:
    @pytest.mark.parametrize(
        ("deviations", "grade"),
        [
            # 10 mm: K 0.20/0.05, 0 0.12/0.10, 1 0.20/0.16, 2 0.45/0.30
            (("0.18", "0.20", "0.17", "0.16", "0.15"), "K"),
            (("0.05", "0.12", "0.02", "0.05", "0.05"), "0"),
            (("-0.05", "-0.20", "-0.04", "-0.05", "-0.05"), "1"),
            (("0.20", "0.45", "0.15", "0.20", "0.20"), "2"),
            (("0.20", "0.46", "0.20", "0.20", "0.20"), "none"),
            (("0.00", "0.31", "0.00", "0.00", "0.00"), "none"),
        ],
    )
    def test_it_is_the_first_whose_limits_are_kept(
        self, measure: Measure, deviations: tuple[str, ...], grade: str
    ) -> None:
        outcome = measure(routine(), shown(*deviations))
        best = [code for code in outcome.codes("note") if code.startswith("block/best/ISO")]
        assert best == [f"block/best/ISO 3650/{grade}"]

    def test_a_size_beyond_the_standard_has_none(self, measure: Measure) -> None:
        outcome = measure(routine(size="0.3 mm"), shown(*["0"] * 5))
        assert "block/best/none" in outcome.codes("note")


class TestRequiredGrade:
    def test_one_that_is_kept_says_nothing(self, measure: Measure) -> None:
        assert codes(measure(routine('grade = "0"'), shown("0.12", "0.02", "0.1", "0.1", "0.1")), "doubt") == []

    @pytest.mark.parametrize(
        ("deviations", "limit"),
        [(("0.10", "0.13", "0.08", "0.10", "0.10"), "te"), (("0.00", "0.06", "-0.05", "0.00", "0.00"), "tv")],
    )
    def test_one_that_is_missed_is_a_doubt_that_names_the_limit(
        self, measure: Measure, deviations: tuple[str, ...], limit: str
    ) -> None:
        outcome = measure(routine('grade = "0"'), shown(*deviations))
        assert codes(outcome, "doubt") == [f"block/grade/{limit}"]
        (text,) = [f["text"] for f in outcome.record["findings"] if f["code"] == f"block/grade/{limit}"]
        assert f"grade 0 of ISO 3650 allows {limit} = " in text
        assert "This is no verdict" in text

    def test_it_decides_nothing(self, measure: Measure) -> None:
        outcome = measure(routine('grade = "K"'), shown("0", "9", "0", "0", "0"))
        assert (outcome.code, outcome.record["verdict"]) == (0, "reported")

    def test_another_standard_has_its_own_names(self, measure: Measure) -> None:
        outcome = measure(
            routine('standard = "ASME B89.1.9", grade = "AS-1"', units="in"), shown("0", "0.17", "0", "0", "0")
        )
        assert codes(outcome, "doubt") == ["block/grade/tv"]

    def test_beyond_the_standard_it_can_not_be_looked_at(self, measure: Measure) -> None:
        outcome = measure(routine('grade = "0"', size="0.3 mm"), shown(*["0"] * 5))
        assert codes(outcome, "doubt") == ["block/grade/none"]

    @pytest.mark.parametrize(
        "settings",
        ['grade = "00"', 'standard = "Shop"', 'corners = ["a", "b", "c"]', 'corners = ["a", "b", "c", "centre"]'],
    )
    def test_settings_that_can_not_be_are_a_fault_of_the_routine(self, measure: Measure, settings: str) -> None:
        assert measure(routine(settings), shown(*["0"] * 5)).code == 2


class TestInchBlocks:
    # Sizes of usual sets: common practice, no source
    @pytest.mark.parametrize(
        "size", ["0.05 in", "0.0625 in", "0.1 in", "0.1001 in", "0.149 in", "0.5 in", "1 in", "2 in", "5 in", "20 in"]
    )
    @pytest.mark.parametrize("units", ["mm", "in"])
    def test_are_told_from_metric_ones(self, measure: Measure, size: str, units: str) -> None:
        outcome = measure(routine(size=size, units=units), shown(*["0"] * 5))
        told = [f for f in outcome.record["findings"] if f["code"] == "block/inch"]
        # 0.05 in is 1.27 mm, which metric sets have, too: there the units of the routine say what it is
        assert len(told) == (size != "0.05 in" or units == "in")
        assert all(f["level"] == "note" and f["text"].startswith(f"{size} is an inch size.") for f in told)

    @pytest.mark.parametrize(
        "size",
        ["0.5 mm", "1.0005 mm", "1.005 mm", "1.37 mm", "1.6 mm", "2.5 mm", "12.5 mm", "25 mm", "30 mm", "500 mm"],
    )
    @pytest.mark.parametrize("units", ["mm", "in"])
    def test_are_none_of_metric_sizes(self, measure: Measure, size: str, units: str) -> None:
        assert "block/inch" not in measure(routine(size=size, units=units), shown(*["0"] * 5)).codes("note")

    @pytest.mark.parametrize(
        ("size", "length", "class_"),
        [
            ("0.1 in", "2.54 mm", "over 0.5 mm up to 10 mm"),
            ("1 in", "25.4 mm", "over 25 mm up to 50 mm"),
            ("4 in", "101.6 mm", "over 100 mm up to 150 mm"),
        ],
    )
    def test_are_told_their_class_of_the_metric_table(
        self, measure: Measure, size: str, length: str, class_: str
    ) -> None:
        outcome = measure(routine('grade = "0"', size=size), shown(*["0"] * 5))
        (text,) = [f["text"] for f in outcome.record["findings"] if f["code"] == "block/inch"]
        assert f"judged by the metric table, as a length of {length} in the class {class_}." in text
        assert "ASME B89.1.9 has limits of its own for inch blocks; they are not known here" in text
        assert codes(outcome, "doubt") == []

    def test_say_so_beside_each_grade(self, measure: Measure) -> None:
        for size, beside in (("1 in", True), ("25 mm", False)):
            outcome = measure(routine('grade = "0"', size=size), shown("9", "0", "0", "0", "0"))
            graded = [
                f["text"] for f in outcome.record["findings"] if f["code"].startswith(("block/best", "block/grade"))
            ]
            assert len(graded) == 4
            assert all(("(metric table)" in text) is beside for text in graded)

    def test_of_a_grade_of_a_standard_with_inch_limits_are_a_doubt(self, measure: Measure) -> None:
        asked = 'standard = "ASME B89.1.9", grade = "AS-1"'
        assert codes(measure(routine(asked, size="1 in"), shown(*["0"] * 5)), "doubt") == ["block/inch"]
        assert codes(measure(routine(asked, size="25 mm"), shown(*["0"] * 5)), "doubt") == []

    def test_take_a_nominal_of_their_own(self, measure: Measure) -> None:
        outcome = measure(routine('nominal = "10 mm"', size="0.3937 in"), shown(*["0"] * 5))
        assert "block/inch" not in outcome.codes("note")

    def test_shorter_than_the_table_have_no_class(self, measure: Measure) -> None:
        outcome = measure(routine(size="0.01 in"), shown(*["0"] * 5))
        assert {"block/best/none"} == {
            code for code in outcome.codes("note") if code in ("block/inch", "block/best/none")
        }


class TestMissing:
    def test_a_point_that_was_not_read_is_named(self, measure: Measure) -> None:
        outcome = measure(routine(places=PLACES[:-1]), shown(*["0"] * 4))
        assert codes(outcome, "doubt") == ["block/missing"]

    def test_several_forces_are_not_put_together(self, measure: Measure) -> None:
        text = routine().replace('at = "right back" }', 'at = "right back", force = "1 N" }')
        assert codes(measure(text, shown(*["0"] * 5)), "doubt") == ["block/forces"]


class TestRehearsal:
    """A number may be an array whose leading axis is the runs: it goes the same way as a float."""

    def test_an_array_gives_what_its_runs_give(self, start: Any) -> None:
        settings = block.BlockSettings(grade="0")
        bench = start(routine())
        bench.answer(*shown("0.02", "0.05", "0", "0.01", "0.02"), "")
        view = view_of(bench.run.state, "1")
        noise = np.random.default_rng(3).normal(0.0, 0.08, (20, len(view.readings)))

        def judged(index: int | slice) -> list[Any]:
            changed = tuple(replace(r, value_um=r.value_um + noise[index, k]) for k, r in enumerate(view.readings))
            return list(block.judge(settings, replace(view, readings=changed), ()))

        together = judged(slice(None))
        for index in range(20):
            held = {f.code for f in judged(index) if f.holds}
            assert {f.code for f in together if np.broadcast_to(f.holds, 20)[index]} == held
