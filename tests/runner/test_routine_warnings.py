"""What is legal in a routine but unwise: every warning, where it stands, and that wise routines have none."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.errors import Fault
from holdzero.routine.limits import wrong_limits
from holdzero.routine.lint import unwise
from holdzero.routine.load import load_routine

TODAY = dt.date(2026, 7, 1)
HEAD = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = "0 um"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.thickness]
measure = "variation"
at = ["a", "b"]
upper = "3 um"

"""
SIZE = 'measure = "size"\nat = ["a", "b"]\nnominal = "5 mm"\n'
CHECK_STANDARD = '[check_standard]\nsize = "5.01 mm"\ndeviation = "0 um"\nlimit = "0.5 um"\n'
READS = '{ do = "read", at = "a" }, { do = "read", at = "b" }'

Warned: TypeAlias = Callable[..., list[Fault]]


def step(do: str, rest: str = "") -> str:
    return f'[[steps]]\ndo = "{do}"\n{rest}'


ZERO, CHECK, RETURN, COMPARE = step("zero"), step("check"), step("return"), step("compare")
READ_A, READ_B = step("read", 'at = "a"\n'), step("read", 'at = "b"\n')
STEPS = ZERO + READ_A + READ_B + RETURN


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, part
    return text.count("\n", 0, text.index(part)) + 1


@pytest.fixture
def warned(tmp_path: Path) -> Warned:
    def go(text: str) -> list[Fault]:
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path)
        return list(unwise(loaded.routine, loaded.origins, TODAY))

    return go


class TestAWiseRoutine:
    @pytest.mark.parametrize(
        "steps",
        [
            STEPS,
            STEPS + COMPARE,
            ZERO + step("repeat", f"times = 3\nsteps = [ {READS} ]\n") + RETURN,
            step("repeat", f'times = 3\nsteps = [ {{ do = "zero" }}, {READS}, {{ do = "return" }} ]\n'),
            ZERO + step("repeat", f'over = "parts"\nsteps = [ {READS}, {{ do = "return" }} ]\n'),
            ZERO + RETURN + STEPS,
        ],
    )
    def test_has_no_warnings(self, warned: Warned, steps: str) -> None:
        assert warned(HEAD + steps) == []

    @pytest.mark.parametrize("name", ["spacer-ring", "gauge-pad", "long-block", "shim-lacquer", "end-gauge-gum-h1"])
    def test_is_each_that_is_shipped(self, routines: Path, name: str) -> None:
        loaded = load_routine(routines / f"{name}.toml")
        assert unwise(loaded.routine, loaded.origins, TODAY) == ()


class TestAWarning:
    def test_says_where_what_and_what_to_do_and_that_it_is_no_error(self, warned: Warned, tmp_path: Path) -> None:
        text = HEAD + ZERO + READ_A + READ_B
        (fault,) = warned(text)
        assert fault.warning
        first = text.splitlines().index("[[steps]]") + 1
        assert str(fault) == (
            f"{tmp_path / 'washer.toml'}:{first}: warning: steps: found no return to the reference\n"
            "    add a return step after the readings, or all is undecided"
        )

    def test_in_a_fragment_stands_in_the_fragment(self, warned: Warned, tmp_path: Path) -> None:
        (tmp_path / "early.toml").write_text("\n" + READ_A, "utf-8")
        (fault,) = warned(HEAD + '[[steps]]\ninclude = "early.toml"\n' + STEPS)
        assert (fault.file, fault.line, fault.key) == (str(tmp_path / "early.toml"), 2, "steps[1]")
        assert fault.found == "read before any zero"


class TestPlaces:
    def test_that_are_read_for_nothing(self, warned: Warned) -> None:
        text = HEAD + ZERO + READ_A + READ_B + step("read", 'at = "c"\n') + RETURN
        (fault,) = warned(text)
        assert (fault.key, fault.found) == ("steps[4]", "a reading at 'c' that no characteristic uses")
        assert fault.line == line_of(text, '[[steps]]\ndo = "read"\nat = "c"')

    def test_that_no_step_reads(self, warned: Warned) -> None:
        text = HEAD + ZERO + READ_A + RETURN
        (fault,) = warned(text)
        assert (fault.key, fault.found) == ("characteristics.thickness", "place b that no step reads")
        assert fault.line == line_of(text, "[characteristics.thickness]")

    def test_that_were_misspelled_are_found_again(self, warned: Warned) -> None:
        faults = warned(HEAD + ZERO + READ_A + step("read", 'at = "B"\n') + RETURN)
        (fault,) = (fault for fault in faults if fault.key == "characteristics.thickness")
        assert fault.mend.startswith("did you mean B? Or add a read step")

    def test_of_a_step_count_on_both_sides(self, warned: Warned) -> None:
        head = HEAD.replace('"variation"\nat = ["a", "b"]', '"step"\nat = "a"\nfrom = ["b", "c"]')
        (fault,) = warned(head + STEPS)
        assert fault.found == "place c that no step reads"

    def test_that_are_read_at_several_forces(self, warned: Warned) -> None:
        steps = ZERO + READ_A + READ_B + step("read", 'at = "b"\nforce = "1 N"\n') + RETURN
        (fault,) = warned(HEAD + steps)
        assert (fault.key, fault.found) == ("characteristics.thickness", "readings at several forces")
        assert warned(HEAD.replace('upper = "3 um"', 'upper = "3 um"\nforce = "1 N"') + steps) == []


class TestTheOrderOfSteps:
    @pytest.mark.parametrize(("early", "kind"), [(READ_A, "read"), (RETURN, "return"), (CHECK, "check")])
    def test_begins_with_a_zero(self, warned: Warned, early: str, kind: str) -> None:
        head = HEAD + (CHECK_STANDARD if kind == "check" else "")
        found = [(fault.key, fault.found) for fault in warned(head + early + STEPS)]
        assert found[0] == ("steps[1]", f"{kind} before any zero")

    def test_inside_a_repeat_begins_with_a_zero_too(self, warned: Warned) -> None:
        (first, second) = warned(HEAD + step("repeat", f"times = 2\nsteps = [ {READS} ]\n") + ZERO + RETURN)[:2]
        assert (first.key, first.found) == ("steps[1].steps[1]", "read before any zero")
        assert second.key == "steps[1].steps[2]"

    def test_closes_readings_with_a_return(self, warned: Warned) -> None:
        (fault,) = warned(HEAD + STEPS + READ_A)
        assert (fault.key, fault.found) == ("steps", "readings after the last return")

    def test_has_a_return_at_all(self, warned: Warned) -> None:
        (fault,) = warned(HEAD + ZERO + READ_A + READ_B)
        assert (fault.key, fault.found) == ("steps", "no return to the reference")

    def test_does_not_set_the_zero_again_while_readings_are_open(self, warned: Warned) -> None:
        text = HEAD + ZERO + READ_A + step("zero", "times = 2\n") + READ_B + RETURN
        (fault,) = warned(text)
        assert (fault.key, fault.found) == ("steps[3]", "a zero set again before the return")
        assert fault.line == line_of(text, '[[steps]]\ndo = "zero"\ntimes = 2')

    def test_does_not_set_it_again_in_the_next_round_either(self, warned: Warned) -> None:
        repeat = step("repeat", f'times = 2\nsteps = [ {{ do = "zero" }}, {READS} ]\n')
        (fault,) = warned(HEAD + repeat + RETURN)
        assert (fault.key, fault.found) == ("steps[1].steps[1]", "a zero set again before the return")
        assert warned(HEAD + repeat.replace("times = 2", "times = 1") + RETURN) == []

    def test_reads_every_part_of_a_batch(self, warned: Warned) -> None:
        batch = step("repeat", f'over = "parts"\nsteps = [ {READS} ]\n')
        (fault,) = warned(HEAD + ZERO + batch + READ_A + RETURN)
        assert (fault.key, fault.found) == ("steps[3]", "a reading outside the parts loop")

    def test_is_looked_through_quickly_however_deep_the_repeats(self, warned: Warned) -> None:
        inner = '{ do = "read", at = "a" }'
        for _ in range(6):
            inner = f'{{ do = "repeat", times = 4, steps = [ {inner} ] }}'
        faults = warned(HEAD + f'[[steps]]\ndo = "repeat"\ntimes = 2\nsteps = [ {inner} ]\n' + STEPS)
        assert [fault.found for fault in faults] == ["read before any zero"]


class TestACheckStandard:
    def test_is_read_by_a_step(self, warned: Warned) -> None:
        text = HEAD + CHECK_STANDARD + STEPS
        (fault,) = warned(text)
        assert (fault.key, fault.found) == ("check_standard", "a check standard that no step reads")
        assert fault.line == line_of(text, "[check_standard]")
        assert warned(HEAD + CHECK_STANDARD + ZERO + CHECK + READ_A + READ_B + RETURN) == []

    def test_is_there_where_a_step_reads_it(self, warned: Warned) -> None:
        (fault,) = warned(HEAD + ZERO + CHECK + READ_A + READ_B + RETURN)
        assert (fault.key, fault.found) == ("steps[2]", "a check step without a check standard")


class TestADayThatIsPast:
    @pytest.mark.parametrize("role", ["reference", "comparator", "thermometer", "check_standard"])
    def test_is_warned_of_for_every_device(self, warned: Warned, role: str) -> None:
        tables = {"thermometer": '[thermometer]\nerror = { halfwidth = "0.1 K" }\n', "check_standard": CHECK_STANDARD}
        head = HEAD + tables.get(role, "")
        text = head.replace(f"[{role}]\n", f"[{role}]\ndue = 2026-06-30\n") + ZERO + CHECK + READ_A + READ_B + RETURN
        found = {fault.key: fault for fault in warned(text)}
        assert found[f"{role}.due"].found == "due on 2026-06-30, which is past"
        assert found[f"{role}.due"].line == line_of(text, "due =")

    def test_is_not_today(self, warned: Warned) -> None:
        assert warned(HEAD.replace("[reference]\n", "[reference]\ndue = 2026-07-01\n") + STEPS) == []


class TestATolerance:
    def test_finer_than_the_comparator_resolves(self, warned: Warned) -> None:
        text = HEAD.replace('upper = "3 um"', 'upper = "0.09 um"') + STEPS
        (fault,) = warned(text)
        assert fault.key == "characteristics.thickness"
        assert fault.found == "a tolerance of 0.09 um, smaller than the resolution of 0.1 um"

    @pytest.mark.parametrize(
        ("limits", "narrow"),
        [
            ('lower = "-0.04 um"\nupper = "0.05 um"', True),
            ('lower = "2.96 um"\nupper = "3.05 um"', True),
            ('lower = "-0.05 um"\nupper = "0.06 um"', False),
            # One limit has no width: a part may be as far on the other side as it likes.
            ('upper = "0 um"', False),
            ('upper = "-3 um"', False),
            ('lower = "3 um"', False),
        ],
    )
    def test_of_a_size_is_from_limit_to_limit(self, warned: Warned, limits: str, *, narrow: bool) -> None:
        head = HEAD.replace('measure = "variation"\nat = ["a", "b"]\nupper = "3 um"', f"{SIZE}{limits}")
        found = [fault for fault in warned(head + "[checks.thermal]\n" + STEPS) if "tolerance" in fault.found]
        assert len(found) == narrow

    def test_is_not_asked_of_a_comparator_that_is_not_chosen_yet(self, warned: Warned) -> None:
        head = HEAD.replace('resolution = "0.1 um"\ntravel = "50 um"', 'largest_resolution = "10 um"')
        assert warned(head + STEPS) == []


class TestASlipOfTheUnit:
    @staticmethod
    def size(lower: str, upper: str) -> str:
        limits = f'lower = "{lower}"\nupper = "{upper}"'
        return HEAD.replace('measure = "variation"\nat = ["a", "b"]\nupper = "3 um"', SIZE + limits)

    def test_in_a_limit_is_beyond_the_travel(self, warned: Warned) -> None:
        text = self.size("-2 mm", "+2 um") + "[checks.thermal]\n" + STEPS
        (fault,) = warned(text)
        assert (fault.key, fault.line) == ("characteristics.thickness.lower", line_of(text, "lower"))
        assert (fault.found, fault.mend[:21]) == ("-2000 um, beyond the travel of 50 um", "check number and unit")
        assert warned(self.size("-20 um", "+20 um") + "[checks.thermal]\n" + STEPS) == []

    def test_in_a_variation_is_beyond_it_from_one_end_to_the_other(self, warned: Warned) -> None:
        (fault,) = warned(HEAD.replace('upper = "3 um"', 'upper = "0.3 mm"') + "[checks.thermal]\n" + STEPS)
        assert fault.found == "+300 um, beyond the travel of 50 um"
        assert warned(HEAD.replace('upper = "3 um"', 'upper = "99 um"') + STEPS) == []

    @pytest.mark.parametrize("role", ["reference", "check_standard"])
    @pytest.mark.parametrize(
        ("deviation", "found"),
        [
            ('"0.04 mm"', "+40 um, more than a block deviates"),
            ('"-0.0060 mm"', "-6 um, more than a block deviates"),
            ('{ value = "0 um", standard = "0.06 mm" }', "an expanded uncertainty of 120 um, more than a block's"),
            ('{ value = "0 um", expanded = "0.06 mm", coverage = 2 }', "an expanded uncertainty of 60 um"),
            ('{ value = "4 um", expanded = "4 um", coverage = 2 }', ""),
        ],
    )
    def test_in_what_is_certified_of_a_block_is_more_than_a_block_has(
        self, warned: Warned, role: str, deviation: str, found: str
    ) -> None:
        text = (HEAD + CHECK_STANDARD + ZERO + CHECK + READ_A + READ_B + RETURN).split(f"[{role}]")
        text[1] = text[1].replace('deviation = "0 um"', f"deviation = {deviation}", 1)
        faults = warned(f"[{role}]".join(text))
        assert [(fault.key, fault.found[: len(found)]) for fault in faults] == (
            [(f"{role}.deviation", found)] if found else []
        )

    def test_that_gives_a_block_its_size_as_its_deviation_says_what_is_left(self, warned: Warned) -> None:
        (fault,) = warned(HEAD.replace('"0 um"', '"5.00004 mm"') + STEPS)
        assert fault.mend == "take the nominal size off: +0.04 um"


class TestLimitsThatCanNotBeMeant:
    @pytest.fixture
    def wrong(self, tmp_path: Path) -> Callable[[str, str, str], list[Fault]]:
        def go(lower: str, upper: str, units: str = "mm") -> list[Fault]:
            text = TestASlipOfTheUnit.size(lower, upper).replace("[routine]\n", f'[routine]\nunits = "{units}"\n')
            path = tmp_path / "washer.toml"
            path.write_text(text + STEPS, "utf-8")
            loaded = load_routine(path)
            return list(wrong_limits(loaded.routine, loaded.origins))

        return go

    def test_are_sizes_in_place_of_deviations(self, wrong: Callable[..., list[Fault]]) -> None:
        lower, upper = wrong("4.998 mm", "5.002 mm")
        assert not lower.warning
        assert lower.line is not None
        assert (lower.key, lower.mend) == ("characteristics.thickness.lower", "take the nominal off: -2 um")
        assert (upper.key, upper.mend) == ("characteristics.thickness.upper", "take the nominal off: +2 um")

    def test_are_told_in_inches_where_the_routine_is(self, wrong: Callable[..., list[Fault]]) -> None:
        lower, _ = wrong("0.19675 in", "0.19695 in", "in")
        assert lower.mend == "take the nominal off: -100.394 uin"

    def test_are_equal_and_above_zero(self, wrong: Callable[..., list[Fault]]) -> None:
        (fault,) = wrong("2 um", "2 um")
        assert (fault.key, fault.mend) == ("characteristics.thickness.lower", "did you mean -2 um?")

    @pytest.mark.parametrize(("lower", "upper"), [("-2 um", "2 um"), ("1 um", "2 um"), ("-0.4 mm", "0.4 mm")])
    def test_are_no_others(self, wrong: Callable[..., list[Fault]], lower: str, upper: str) -> None:
        assert wrong(lower, upper) == []


class TestASize:
    @staticmethod
    def head(nominal: str) -> str:
        return HEAD.replace('measure = "variation"', f'measure = "size"\nnominal = "{nominal}"') + "[checks.thermal]\n"

    def test_far_from_the_reference_is_beyond_the_travel(self, warned: Warned) -> None:
        text = self.head("5.06 mm") + STEPS
        (fault,) = warned(text)
        assert (fault.key, fault.line) == ("characteristics.thickness.nominal", line_of(text, "nominal"))
        assert fault.found == "60 um away from the reference, beyond the travel"
        assert warned(self.head("5.04 mm") + STEPS) == []

    def test_without_a_temperature_is_that_at_the_bench(self, warned: Warned) -> None:
        (fault,) = warned(self.head("5 mm").replace("[checks.thermal]\n", "") + STEPS)
        assert (fault.key, fault.line, fault.found) == ("checks", None, "no thermal check for a size")


class TestAStep:
    @staticmethod
    def text(upper: str) -> str:
        keys = 'measure = "step"\nat = "b"\nfrom = "a"\nlower = "0 um"'
        return HEAD.replace('measure = "variation"\nat = ["a", "b"]\nupper = "3 um"', f'{keys}\nupper = "{upper}"')

    def test_so_large_that_warmth_shows_in_it_wants_a_temperature(self, warned: Warned) -> None:
        # a thousandth of 150 µm is more than the 0.1 µm that the comparator shows
        found = [fault.found for fault in warned(self.text("150 um") + STEPS)]
        assert "no thermal check for a step of 150 um" in found
        looked_after = warned(self.text("150 um") + "[checks.thermal]\n" + STEPS)
        assert not [fault for fault in looked_after if "thermal" in fault.found]

    def test_of_a_few_micrometres_does_not(self, warned: Warned) -> None:
        assert warned(self.text("9 um") + STEPS) == []


class TestWhatWouldPassTooMuch:
    def test_a_zero_that_may_wander_further_than_the_tolerance(self, warned: Warned) -> None:
        found = [fault.found for fault in warned(HEAD + '[bracket]\nlimit = "200 um"\n' + STEPS)]
        assert any(text.startswith("200 um, more than the tolerance of") for text in found)

    def test_a_temperature_that_no_stated_thermometer_reads(self, warned: Warned) -> None:
        steps = step("temperature", 'of = "part"\n') + STEPS
        assert "a temperature step without a thermometer" in [fault.found for fault in warned(HEAD + steps)]
