"""What is lawful and hardly ever meant: each number that looks like a slip is told, and no sound one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.errors import Fault, FileFaultsError
from holdzero.routine.load import load_routine
from holdzero.routine.strange import strange

ROUTINE = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
size = "5 mm"
deviation = { value = "+0.04 um", expanded = "0.06 um", coverage = 2 }

[comparator]
resolution = "0.1 um"
travel = "50 um"
force = "0.5 N"
error = { halfwidth = "0.1 um" }

[characteristics.t]
measure = "size"
at = ["a", "b"]
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[characteristics.v]
measure = "variation"
at = ["a", "b"]
upper = "2 um"

"""
STEPS = """\
[[steps]]
do = "soak"
at_least = "20 min"

[[steps]]
do = "zero"

[[steps]]
do = "read"
at = "a"

[[steps]]
do = "read"
at = "b"

[[steps]]
do = "return"
"""
DEVIATION = '{ value = "+0.04 um", expanded = "0.06 um", coverage = 2 }'
TERM = '[[terms]]\nname = "stand"\n'
CHECK_STANDARD = f'[check_standard]\nsize = "5.02 mm"\ndeviation = {DEVIATION}\nlimit = "1 um"\n\n'

Warned: TypeAlias = Callable[[str], tuple[Fault, ...]]


@pytest.fixture
def warned(tmp_path: Path) -> Warned:
    def go(text: str) -> tuple[Fault, ...]:
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path)
        return strange(loaded.routine, loaded.document, loaded.origins)

    return go


def changed(old: str, new: str) -> str:
    text = ROUTINE + STEPS
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


def with_table(table: str) -> str:
    return ROUTINE + table + STEPS


class TestASoundRoutine:
    def test_is_told_nothing(self, warned: Warned) -> None:
        assert warned(ROUTINE + STEPS) == ()

    @pytest.mark.parametrize(
        "path", sorted((Path(__file__).parents[2] / "routines").glob("*.toml")), ids=lambda path: path.stem
    )
    def test_is_each_that_is_shipped(self, path: Path) -> None:
        from holdzero.catalogue import load_catalogue
        from holdzero.expansion import kinds_of

        loaded = load_routine(path, None, kinds_of(load_catalogue()))
        assert strange(loaded.routine, loaded.document, loaded.origins) == ()


class TestACoverageFactor:
    # From 1.96 (95 % of a normal value) to 3: JCGM 100:2008, Table G.1 and 6.3.1 (from memory).
    @pytest.mark.parametrize("factor", ["1.96", "2", "2.0", "2.57", "3"])
    def test_of_a_certificate_is_from_1_96_to_3(self, warned: Warned, factor: str) -> None:
        assert warned(changed("coverage = 2", f"coverage = {factor}")) == ()

    @pytest.mark.parametrize(
        ("factor", "probability"), [("1", False), ("1.65", False), ("3.5", False), ("95", True), ("99.7", True)]
    )
    def test_that_is_another_is_told(self, warned: Warned, factor: str, *, probability: bool) -> None:
        text = changed("coverage = 2", f"coverage = {factor}")
        # divided by 95 the uncertainty is one that no block has, which is told beside it
        fault, *_ = warned(text)
        assert (fault.key, fault.warning) == ("reference.deviation.coverage", True)
        assert fault.line == text.splitlines().index(f"deviation = {DEVIATION}".replace("= 2", f"= {factor}")) + 1
        assert ("looks like a probability" in fault.mend) == probability

    def test_below_one_is_refused_as_the_probability_that_it_is(self, warned: Warned) -> None:
        with pytest.raises(FileFaultsError) as caught:
            warned(changed("coverage = 2", "coverage = 0.95"))
        (fault,) = caught.value.faults
        assert (fault.found, fault.expected) == ("coverage = 0.95", "a number from 1: the coverage factor k")
        assert fault.mend == "a probability? Write the factor that goes with it: 2 for 95 %"

    def test_is_looked_at_in_the_tables_of_checks_and_in_lists_too(self, warned: Warned) -> None:
        odd = '{ value = "0 K", expanded = "0.1 K", coverage = 95 }'
        text = with_table(f"[checks.thermal]\ndifference = [ {odd} ]\n\n")
        assert [fault.key for fault in warned(text)] == ["checks.thermal.difference[1].coverage"]
        text = with_table(TERM + 'value = "0 um"\nexpanded = "1 um"\ncoverage = 95\ncharacteristics = ["t"]\n\n')
        assert [fault.key for fault in warned(text)] == ["terms[1].coverage"]


class TestAnEstimate:
    @pytest.mark.parametrize(
        ("written", "key"),
        [
            ('{ value = "0 um", halfwidth = "0 um" }', "halfwidth"),
            ('{ value = "0 um", standard = "0.00 um" }', "standard"),
            ('{ value = "0 um", expanded = "0 um", coverage = 2 }', "expanded"),
        ],
    )
    def test_of_no_width_is_exact_and_told(self, warned: Warned, written: str, key: str) -> None:
        text = with_table(f"[checks.thermal]\npart_temperature = {written}\n\n")
        assert [fault.key for fault in warned(text)] == [f"checks.thermal.part_temperature.{key}"]

    @pytest.mark.parametrize(
        ("written", "told"),
        [
            ('{ value = "+2 uin", expanded = "0.06 um", coverage = 2 }', True),
            ('{ value = "+0.04 um", expanded = "3 uin", coverage = 2 }', True),
            ('{ value = "0 in", expanded = "0.06 um", coverage = 2 }', False),
            ('{ value = "40 nm", expanded = "0.00006 mm", coverage = 2 }', False),
        ],
    )
    def test_is_written_in_one_system(self, warned: Warned, written: str, *, told: bool) -> None:
        faults = warned(changed(DEVIATION, written))
        assert [fault.key for fault in faults] == (["reference.deviation"] if told else [])

    @pytest.mark.parametrize(
        ("written", "told"),
        [
            ('{ value = "20.3 degC", halfwidth = "0.5 degF" }', True),
            ('{ value = "68 degF", halfwidth = "0.5 degC" }', True),
            ('{ value = "68 degF", halfwidth = "0.5 K" }', False),
            ('{ value = "68 degF", halfwidth = "1 degF" }', False),
            ('{ value = "20 degC", halfwidth = "0.2 degC" }', False),
        ],
    )
    def test_of_a_temperature_too(self, warned: Warned, written: str, *, told: bool) -> None:
        faults = warned(with_table(f"[checks.thermal]\npart_temperature = {written}\n\n"))
        assert bool(faults) == told


class TestUnits:
    @pytest.mark.parametrize(
        ("size", "nominal", "told"),
        [("0.2 in", "5 mm", True), ("5 mm", "0.2 in", True), ('5"', "5 mm", True), ("5000 um", "5 mm", False)],
    )
    def test_of_block_and_part_are_of_one_system(self, warned: Warned, size: str, nominal: str, *, told: bool) -> None:
        quoted = size.replace('"', '\\"')
        text = changed('size = "5 mm"', f'size = "{quoted}"').replace('nominal = "5 mm"', f'nominal = "{nominal}"')
        faults = [fault for fault in warned(text) if fault.key == "reference.size"]
        assert bool(faults) == told
        for fault in faults:
            assert fault.found == f"{size}: {fault.found.split(': ')[1].split(',')[0]}, and t is {nominal}"
            assert {"inches", "millimetres"} & {fault.found.split(": ")[1].split(",")[0]}

    def test_of_a_comparator_are_those_that_the_routine_shows(self, warned: Warned) -> None:
        text = changed('resolution = "0.1 um"', 'resolution = "0.000005 in"')
        assert [fault.key for fault in warned(text)] == ["comparator.resolution"]
        assert warned(text.replace('resolution = "0', 'unit = "um"\nresolution = "0')) == ()
        assert warned(text.replace('part = "W-1"', 'part = "W-1"\nunits = "in"')) == ()


class TestADevice:
    @pytest.mark.parametrize(
        ("old", "new", "key"),
        [
            ('expanded = "0.06 um"', 'expanded = "0.06 nm"', "reference.deviation"),
            (DEVIATION, '"+0.04 um"', "reference.deviation"),
            ('travel = "50 um"', 'travel = "0.05 um"', "comparator.travel"),
            ('force = "0.5 N"', 'force = "65 N"', "comparator.force"),
            ('force = "0.5 N"', 'force = "0.5 mN"', "comparator.force"),
            ('halfwidth = "0.1 um"', 'halfwidth = "0.1 nm"', "comparator.error"),
        ],
    )
    def test_with_a_number_that_none_has(self, warned: Warned, old: str, new: str, key: str) -> None:
        text = changed(old, new)
        (fault,) = warned(text)
        assert fault.key == key
        assert fault.line == next(n for n, line in enumerate(text.splitlines(), 1) if new in line)

    @pytest.mark.parametrize(
        ("radius", "mend"),
        [
            ("1.5 um", "check number and unit: did you mean 1.5 mm?"),
            ("1500 mm", "check number and unit: did you mean 1500 um?"),
            ("0.049 mm", "check number and unit: did you mean 49 mm?"),
            ("0.04 um", "check number and unit"),
        ],
    )
    def test_with_a_tip_that_none_has(self, warned: Warned, radius: str, mend: str) -> None:
        (fault,) = warned(changed('force = "0.5 N"', f'force = "0.5 N"\ntip = {{ radius = "{radius}" }}'))
        assert (fault.key, fault.mend) == ("comparator.tip.radius", mend)

    @pytest.mark.parametrize("radius", ["0.05 mm", "1.5 mm", "500 mm"])
    def test_with_a_tip_as_there_are(self, warned: Warned, radius: str) -> None:
        assert warned(changed('force = "0.5 N"', f'force = "0.5 N"\ntip = {{ radius = "{radius}" }}')) == ()

    @pytest.mark.parametrize(
        ("table", "key"),
        [
            ('[bracket]\nlimit = "0.05 um"\n\n', "bracket.limit"),
            ('[bracket]\nzero_within = "0.05 um"\n\n', "bracket.zero_within"),
            (CHECK_STANDARD, ""),
            (CHECK_STANDARD.replace('"1 um"', '"0.05 um"'), "check_standard.limit"),
            (CHECK_STANDARD.replace("5.02", "5"), "check_standard.size"),
            ('[thermometer]\nerror = { halfwidth = "0.1 K" }\n\n', "thermometer"),
        ],
    )
    def test_or_its_limit(self, warned: Warned, table: str, key: str) -> None:
        assert [fault.key for fault in warned(with_table(table))] == ([key] if key else [])

    def test_that_a_step_reads_is_no_idle_thermometer(self, warned: Warned) -> None:
        table = '[thermometer]\nerror = { halfwidth = "0.1 K" }\n\n[[steps]]\ndo = "temperature"\nof = "part"\n\n'
        assert warned(with_table(table)) == ()
        within = STEPS.replace('at_least = "20 min"', 'at_least = "20 min"\nwithin_temperature = "0.05 K"')
        assert warned(ROUTINE + '[thermometer]\nerror = { halfwidth = "0.1 K" }\n\n' + within) == ()


class TestADecision:
    @pytest.mark.parametrize(
        ("keys", "key"),
        [
            ("coverage_probability = 0.68", "coverage_probability"),
            ("guard = 0.0", "guard"),
            ("guard = 1.0", ""),
            ("coverage_probability = 0.99", ""),
        ],
    )
    def test_that_is_another_than_it_says(self, warned: Warned, keys: str, key: str) -> None:
        faults = warned(with_table(f"[decision]\n{keys}\n\n"))
        assert [fault.key for fault in faults] == ([f"decision.{key}"] if key else [])

    def test_about_no_limits(self, warned: Warned) -> None:
        text = with_table('[decision]\nrule = "simple"\n\n')
        assert warned(text) == ()
        for limit in ('lower = "-3 um"\n', 'upper = "+3 um"\n', 'upper = "2 um"\n'):
            text = text.replace(limit, "")
        assert [fault.key for fault in warned(text)] == ["decision.rule"]


class TestAConstant:
    @pytest.mark.parametrize(
        ("keys", "told"),
        [
            ('value = "1 um"', True),
            ('value = "-0.1 um"\nhalfwidth = "0.1 um"', True),
            ('value = "1 um"\ncharacteristics = ["v", "t"]', True),
            ('value = "1 um"\ncharacteristics = ["t"]', False),
            ('value = "0 um"\nhalfwidth = "0.1 um"', False),
        ],
    )
    def test_that_shifts_a_variation_is_told(self, warned: Warned, keys: str, *, told: bool) -> None:
        faults = warned(with_table(f"{TERM}{keys}\n\n"))
        assert [fault.key for fault in faults] == (["terms[1].value"] if told else [])

    def test_that_shifts_a_plugins_measure_too(self, warned: Warned) -> None:
        text = with_table(f'{TERM}value = "1 um"\n\n').replace('"variation"', '"taper"')
        assert [fault.key for fault in warned(text)] == ["terms[1].value"]

    def test_of_the_comparator_too(self, warned: Warned) -> None:
        text = changed('{ halfwidth = "0.1 um" }', '{ value = "+0.2 um", halfwidth = "0.1 um" }')
        assert [fault.key for fault in warned(text)] == ["comparator.error"]


class TestACharacteristic:
    def test_that_picks_among_one_place(self, warned: Warned) -> None:
        text = changed('at = ["a", "b"]\nnominal', 'at = "a"\nof = "largest"\nnominal')
        assert [fault.key for fault in warned(text)] == ["characteristics.t.of"]

    def test_that_lets_no_even_part_pass(self, warned: Warned) -> None:
        text = changed('upper = "2 um"', 'lower = "0 um"\nupper = "2 um"')
        assert [fault.key for fault in warned(text)] == ["characteristics.v.lower"]


class TestATime:
    @pytest.mark.parametrize(("time", "told"), [("8 h", False), ("9 h", True), ("30 d", True), ("30 min", False)])
    def test_away_from_the_bench(self, warned: Warned, time: str, *, told: bool) -> None:
        faults = warned(with_table(f'[bracket]\nlongest_absence = "{time}"\n\n'))
        assert [fault.key for fault in faults] == (["bracket.longest_absence"] if told else [])

    @pytest.mark.parametrize(
        ("keys", "key"),
        [
            ('at_least = "20 d"', "at_least"),
            ('at_least = "20 min"\nwithin = "2 um"', "within"),
            ('at_least = "20 min"\nwithin = "0.2 um"', ""),
        ],
    )
    def test_of_a_soak(self, warned: Warned, keys: str, key: str) -> None:
        faults = warned(changed('at_least = "20 min"', keys))
        assert [fault.key for fault in faults] == ([f"steps[1].{key}"] if key else [])
