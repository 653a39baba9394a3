"""A key or step that would decide nothing where it stands is refused, at its line, with what it needs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.errors import Fault, FileFaultsError
from holdzero.routine.load import load_routine, routine_from_document

ROUTINE = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
size = "5 mm"
deviation = "0 um"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.t]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

"""
STEPS = """\
[[steps]]
do = "zero"

[[steps]]
do = "read"
at = "a"

[[steps]]
do = "return"
"""

Refused: TypeAlias = Callable[[str], tuple[Fault, ...]]


@pytest.fixture
def refused(tmp_path: Path) -> Refused:
    def go(text: str) -> tuple[Fault, ...]:
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        try:
            load_routine(path)
        except FileFaultsError as error:
            return error.faults
        return ()

    return go


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, part
    return text.count("\n", 0, text.index(part)) + 1


NO_LIMITS = ROUTINE.replace('lower = "-3 um"\nupper = "+3 um"\n', "")


class TestADecision:
    @pytest.mark.parametrize(
        ("keys", "idle"),
        [
            ('rule = "simple"', ""),
            ('rule = "simple"\nguard = 1.0', "guard"),
            ('rule = "simple"\nconformance = 0.9', "conformance"),
            ('rule = "guarded"\nguard = 1.0', ""),
            ('rule = "guarded"\nconformance = 0.9', ""),
            ("conformance = 0.9", ""),
            ("guard = 1.0\nconformance = 0.9", "conformance"),
            ('rule = "probability"\nconformance = 0.9', ""),
            ('rule = "probability"\nguard = 1.0', "guard"),
            ('rule = "ratio"\nguard = 1.0', "guard"),
            ('rule = "ratio"\nconformance = 0.9', "conformance"),
            ('rule = "ratio"\nsettings = { least = 3.0 }', ""),
            ('process = { value = "0 um", standard = "1 um" }', ""),
            ('process = "0 um"', "process"),
            ("coverage_probability = 0.99", ""),
        ],
    )
    def test_goes_by_what_its_rule_goes_by(self, refused: Refused, keys: str, idle: str) -> None:
        text = f"{ROUTINE}[decision]\n{keys}\n{STEPS}"
        faults = refused(text)
        assert [fault.key for fault in faults] == ([f"decision.{idle}"] if idle else [])
        for fault in faults:
            assert not fault.warning
            assert fault.line == line_of(text, f"{idle} =")
            assert fault.found
            assert fault.expected
            assert fault.mend

    @pytest.mark.parametrize(
        "key", ["guard = 1.0", "conformance = 0.9", 'process = { value = "0 um", standard = "1 um" }']
    )
    def test_decides_about_limits(self, refused: Refused, key: str) -> None:
        (fault,) = refused(f"{NO_LIMITS}[decision]\n{key}\n{STEPS}")
        assert fault.found == f"{key.split(maxsplit=1)[0]}, and no characteristic has a limit"
        assert refused(f"{NO_LIMITS}[decision]\ncoverage_probability = 0.99\n{STEPS}") == ()

    def test_says_all_in_one_line_and_how_to_mend_it(self, refused: Refused, tmp_path: Path) -> None:
        text = f'{ROUTINE}[decision]\nrule = "simple"\nguard = 0.5\n{STEPS}'
        (fault,) = refused(text)
        assert str(fault) == (
            f"{tmp_path / 'washer.toml'}:{line_of(text, 'guard')}: error: decision.guard: found guard with rule = "
            '"simple", which does not go by it; expected guard with guarded\n    drop it, or take another rule'
        )


class TestACharacteristic:
    VARIATION = ROUTINE.replace('"size"\nat = "a"\nnominal = "5 mm"\nlower = "-3 um"', '"variation"\nat = ["a", "b"]')
    READS = STEPS.replace('at = "a"\n', 'at = "a"\n\n[[steps]]\ndo = "read"\nat = "b"\n')

    @pytest.mark.parametrize(("line", "key"), [('of = "mean"', "of"), ('lower = "-3 um"', "lower")])
    def test_of_a_variation(self, refused: Refused, line: str, key: str) -> None:
        text = self.VARIATION.replace('upper = "+3 um"', f'upper = "+3 um"\n{line}') + self.READS
        (fault,) = refused(text)
        assert (fault.key, fault.line) == (f"characteristics.t.{key}", line_of(text, line))
        assert refused(self.VARIATION + self.READS) == ()


class TestATerm:
    @pytest.mark.parametrize(
        ("keys", "key"),
        [
            ('value = "0 um"', "terms[1]"),
            ('value = "0 um"\nhalfwidth = "0 um"', "terms[1]"),
            ('value = "0 um"\nhalfwidth = "1 um"', ""),
            ('value = "1 um"', ""),
            ('value = "1 um"\ncharacteristics = []', "terms[1].characteristics"),
            ('value = "1 um"\ncharacteristics = ["t"]', ""),
        ],
    )
    def test_that_adds_nothing_to_anything(self, refused: Refused, keys: str, key: str) -> None:
        faults = refused(f'{ROUTINE}[[terms]]\nname = "stand"\n{keys}\n{STEPS}')
        assert [fault.key for fault in faults] == ([key] if key else [])


class TestAStep:
    def test_whose_words_nobody_is_shown(self, refused: Refused) -> None:
        line = 'say = "Three rounds."'
        repeat = f'[[steps]]\ndo = "repeat"\ntimes = 2\n{line}\nsteps = [ {{ do = "read", at = "a" }} ]\n\n'
        text = ROUTINE + STEPS.replace('[[steps]]\ndo = "return"', f'{repeat}[[steps]]\ndo = "return"')
        (fault,) = refused(text)
        assert (fault.key, fault.line) == ("steps[3].say", line_of(text, line))
        assert fault.found == "say of a repeat, which is shown to nobody"
        assert refused(text.replace(line, 'caution = "Hot plate."')) == ()

    def test_that_is_never_asked_for(self, refused: Refused) -> None:
        compare = '[[steps]]\ndo = "compare"\n'
        text = ROUTINE + compare + STEPS
        (fault,) = refused(text)
        assert (fault.key, fault.line) == ("steps[1]", line_of(text, compare))
        assert refused(ROUTINE + STEPS + compare) == ()

    def test_or_ends_the_run_in_its_first_round(self, refused: Refused) -> None:
        inner = ", ".join(f'{{ do = "{do}" }}' for do in ("zero", "return", "compare"))
        (fault,) = refused(f'{ROUTINE}{STEPS}\n[[steps]]\ndo = "repeat"\ntimes = 2\nsteps = [ {inner} ]\n')
        assert (fault.key, fault.found[:28]) == ("steps[4].steps[3]", "a compare inside a repeat, w")

    def test_that_reads_the_temperature_of_a_block_that_is_not_there(self, refused: Refused) -> None:
        text = ROUTINE.replace('size = "5 mm"\ndeviation = "0 um"', 'place = "a"')
        text = text.replace('"size"\nat = "a"\nnominal = "5 mm"', '"step"\nat = "a"\nfrom = "b"')
        step = '[[steps]]\ndo = "temperature"\nof = "reference"\n'
        (fault,) = refused(text + step + STEPS)
        assert (fault.key, fault.mend) == ("steps[1].of", 'take of = "part", or drop the step')


class TestARecord:
    def test_that_was_made_with_such_a_key_stays_readable(self) -> None:
        import tomllib

        document: dict[str, Any] = tomllib.loads(f'{ROUTINE}[decision]\nrule = "simple"\nguard = 1.0\n{STEPS}')
        assert routine_from_document(document).decision.guard == 1.0
