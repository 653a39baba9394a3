"""What the built-in checks say of their tables before any run: what could have no effect is refused, at its line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.catalogue import Catalogue, House, load_catalogue
from holdzero.checks import bind
from holdzero.errors import Fault
from holdzero.remarks import remarks_of
from holdzero.routine.load import load_routine

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { size = "5 mm", deviation = "0 um", material = "steel" }
part = { material = "aluminium" }
comparator = { resolution = "0.1 um", travel = "50 um", force = "0.5 N", tip = { material = "steel", radius = "2 mm" } }
thermometer = { error = { halfwidth = "0.1 K" } }
"""
SIZE = 't = { measure = "size", at = "a", nominal = "5 mm", lower = "-3 um", upper = "+3 um" }\n'
STEP = 't = { measure = "step", at = "a", from = "b", lower = "4 um", upper = "6 um", force = "0.5 N" }\n'
NO_FORCE = STEP.replace('"0.5 N"', '"0 N"')
COMPARED = 't = { measure = "size", at = "a", from = "b", nominal = "5 mm", lower = "-3 um", upper = "+3 um" }\n'

Remarks: TypeAlias = Callable[..., tuple[Fault, ...]]


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


def read(at: str, times: int = 1, more: str = "") -> str:
    return f'do = "read", at = "{at}", times = {times}{more}'


ZERO, RETURN = 'do = "zero"', 'do = "return"'
ONCE = steps(ZERO, read("a"), RETURN)
BOTH = steps(ZERO, read("a"), read("b"), RETURN)
FORCES = steps(ZERO, *(read(at, 1, more) for more in ("", ', force = "1 N"') for at in ("a", "b")), RETURN)
THREE_FORCES = steps(
    ZERO, *(read(at, 1, more) for more in ("", ', force = "1 N"', ', force = "2 N"') for at in ("a", "b")), RETURN
)
MEASURED = steps(
    *(f'do = "temperature", of = "{of}"' for of in ("part", "reference")),
    *(ZERO, read("a"), RETURN),
)
SOAKED = steps('do = "soak", at_least = "20 min"', ZERO, read("a"), RETURN)
SOAKED_AND_MEASURED = steps(
    'do = "soak", at_least = "20 min"',
    *(f'do = "temperature", of = "{of}"' for of in ("part", "reference")),
    *(ZERO, read("a"), RETURN),
)
PART_MEASURED = steps('do = "temperature", of = "part"', ZERO, read("a"), RETURN)
FADE = steps(ZERO, read("a", 4), RETURN)
# So many that heat of a tenth of the tolerance would show where readings scatter by rounding alone, and by a step.
PASSES, LONGER = (steps(ZERO, read("a", times), RETURN) for times in (22, 40))

WARM = 'part_temperature = "20.3 degC"'
LEFT = 'brought_from = "2 K", time_constant = "4 min"'
APART = 'difference = { value = "0 K", halfwidth = "0.05 K" }'

CASES: list[tuple[str, str, str, str, str]] = [
    # check, its keys, characteristics, steps, what is said: "!key" refused, "?key" warned of
    ("thermal", f"{WARM}, {APART}", SIZE, ONCE, ""),
    ("thermal", "", SIZE, MEASURED, ""),
    ("thermal", WARM, SIZE, MEASURED, "!part_temperature"),
    ("thermal", f"{WARM}, {APART}", SIZE, PART_MEASURED, "!part_temperature"),
    ("thermal", 'reference_temperature = "20.3 degC"', SIZE, MEASURED, "!reference_temperature"),
    ("thermal", 'reference_temperature = "20.3 degC"', SIZE, PART_MEASURED, ""),
    ("thermal", APART, SIZE, MEASURED, ""),
    ("thermal", APART.replace('"0 K"', '"0.2 K"'), SIZE, MEASURED, "!difference"),
    ("thermal", 'difference = "0 K"', SIZE, MEASURED, "!difference"),
    ("thermal", APART.replace('"0 K"', '"0.2 K"'), SIZE, PART_MEASURED, ""),
    ("thermal", f'{WARM}, reference_temperature = "20.1 degC", {APART}', SIZE, ONCE, ""),
    (
        "thermal",
        f'{WARM}, reference_temperature = "20.1 degC", {APART.replace("0 K", "0.2 K", 1)}',
        SIZE,
        ONCE,
        "",
    ),
    (
        "thermal",
        f'{WARM}, reference_temperature = "20.1 degC", {APART.replace("0 K", "0.3 K", 1)}',
        SIZE,
        ONCE,
        "!difference",
    ),
    ("thermal", f"{WARM}, {APART}, {LEFT}", SIZE, SOAKED, ""),
    # Aluminium of 5 mm against steel: 25 min, so that 2 K · exp(−20/25) are 0.9 K.
    ("thermal", f'{WARM}, {APART}, brought_from = "2 K"', SIZE, SOAKED, "?brought_from"),
    ("thermal", f'{WARM}, {APART}, brought_from = "0.1 K"', SIZE, SOAKED, ""),
    ("thermal", f'{WARM}, {APART}, brought_from = "0.1 K"', SIZE, ONCE, "!brought_from"),
    ("thermal", f'{WARM}, {APART}, time_constant = "4 min"', SIZE, SOAKED, "!time_constant"),
    ("thermal", f"{WARM}, {APART}, {LEFT}", SIZE, ONCE, "!brought_from"),
    ("thermal", f"{APART}, {LEFT}", SIZE, SOAKED_AND_MEASURED, "!brought_from"),
    ("thermal", f'{WARM}, reference_temperature = "20.3 degC", {LEFT}', SIZE, SOAKED, "!brought_from"),
    # 2 K · exp(−20/10) are 0.27 K, and 0.05 K are stated
    ("thermal", f"{WARM}, {APART}, {LEFT.replace('4 min', '10 min')}", SIZE, SOAKED, "?brought_from"),
    ("thermal", f'{WARM}, {APART}, part_expansion = "23e-6 1/K"', SIZE, ONCE, ""),
    ("thermal", f'{WARM}, {APART}, expansion_difference = "12e-6 1/K"', SIZE, ONCE, ""),
    (
        "thermal",
        f'{WARM}, {APART}, part_expansion = "23e-6 1/K", expansion_difference = "12e-6 1/K"',
        SIZE,
        ONCE,
        "!part_expansion",
    ),
    ("thermal", f'{WARM}, {APART}, lowest = "19 degC"', SIZE, ONCE, "!lowest"),
    ("thermal", f'{WARM}, {APART}, highest = "21 degC"', SIZE, ONCE, "!highest"),
    ("thermal", 'lowest = "19 degC", highest = "21 degC"', SIZE, MEASURED, ""),
    ("thermal", 'lowest = "21 degC", highest = "19 degC"', SIZE, MEASURED, "!lowest"),
    ("thermal", 'largest_difference = "0.2 K"', SIZE, MEASURED, ""),
    ("thermal", f'{WARM}, {APART}, largest_difference = "0.2 K"', SIZE, ONCE, ""),
    ("thermal", 'largest_difference = "0.2 K"', STEP, BOTH, "!largest_difference"),
    ("thermal", f"{WARM}, {APART}", STEP, BOTH, "?difference"),
    ("thermal", f'{WARM}, part_expansion = "23e-6 1/K"', STEP, BOTH, ""),
    ("thermal", f'reference_temperature = "20.3 degC", {APART}', STEP, BOTH, ""),
    ("thermal", 'reference_temperature = "20.3 degC"', STEP, BOTH, "?reference_temperature"),
    ("thermal", f'{WARM}, reference_expansion = "11e-6 1/K", expansion_difference = "0 1/K"', STEP, BOTH, ""),
    ("thermal", 'reference_expansion = "11e-6 1/K"', STEP, BOTH, "?reference_expansion"),
    ("thermal", f'part_temperature = "68 degC", {APART}', SIZE, ONCE, "?part_temperature"),
    ("thermal", f'part_temperature = "68 degF", {APART}', SIZE, ONCE, ""),
    ("thermal", f'part_temperature = "20 degF", {APART}', SIZE, ONCE, "?part_temperature"),
    ("thermal", f'{WARM}, {APART}, part_expansion = "23.1 1/K"', SIZE, ONCE, "?part_expansion"),
    ("repeatability", 'limit = "0.5 um"', SIZE, ONCE, "!limit"),
    ("repeatability", 'limit = "0.5 um"', SIZE, FADE, ""),
    ("repeatability", 'limit = "0.5 um"', SIZE, steps('do = "zero", times = 3', read("a"), RETURN), ""),
    ("repeatability", 'limit = "0.02 um"', SIZE, FADE, "?limit"),
    ("repeatability", "outlier_significance = 0.01", SIZE, FADE, "!outlier_significance"),
    ("drift", "", SIZE, ONCE, "!"),
    ("drift", "", COMPARED, BOTH, ""),
    ("drift", "bias = true", COMPARED, BOTH, "!bias"),
    ("drift", 'bias = true, design = "pairs"', COMPARED, BOTH, ""),
    ("drift", "", COMPARED.replace("lower", 'of = "largest", lower'), BOTH, "!"),
    ("drift", "", COMPARED + COMPARED.replace("t =", "u =", 1).replace("lower", 'of = "largest", lower'), BOTH, "?"),
    ("heat", "", SIZE, ONCE, "!"),
    ("heat", "", SIZE, FADE, "!"),
    ("heat", "", SIZE, PASSES, "?"),
    ("heat", "", SIZE, LONGER, ""),
    ("heat", 'allowance = "6 um"', SIZE, LONGER, "?allowance"),
    ("film", "", SIZE, ONCE, "!"),
    ("film", "", STEP, BOTH, "?"),
    ("film", 'limit = "0.2 um"', STEP, BOTH, "!limit"),
    ("film", 'limit = "0.2 um"', STEP, FORCES, ""),
    ("film", "", NO_FORCE, BOTH, "! ?"),
    ("film", "", NO_FORCE, FORCES, "!"),
    ("film", "", NO_FORCE, THREE_FORCES, ""),
    ("film", "", NO_FORCE.replace("lower", 'of = "smallest", lower'), THREE_FORCES, "!"),
    ("contact", "", SIZE, ONCE, ""),
    ("contact", "", STEP, BOTH, "?"),
    ("contact", 'radius = "1.5 um"', SIZE, ONCE, "?radius"),
    ("contact", 'radius = "1500 mm"', SIZE, ONCE, "?radius"),
    ("contact", 'radius = "0.05 mm", force = "20 N"', SIZE, ONCE, ""),
    ("contact", 'radius = { value = "500 mm", halfwidth = "1 mm" }, force = "1 mN"', SIZE, ONCE, ""),
    ("contact", 'force = "65 N"', SIZE, ONCE, "?force"),
    ("contact", 'force = { value = "0.65 mN", halfwidth = "0.05 mN" }', SIZE, ONCE, "?force"),
    ("block", 'centre = "a"', SIZE, ONCE, "?"),
    ("block", 'centre = "a", corners = ["b", "c", "d", "e"]', SIZE, steps(ZERO, *map(read, "abcde"), RETURN), ""),
    ("block", 'centre = "a", standard = "ISO 3650"', SIZE, ONCE, "!standard ?"),
    ("indicator", 'approach = "same"', SIZE, ONCE, "!approach"),
    ("indicator", 'approach = "same", hysteresis = "0.1 um"', SIZE, ONCE, ""),
    ("indicator", 'deflection = "0.2 um/N"', SIZE, ONCE, "!deflection"),
    ("indicator", 'deflection = "0.2 um/N"', STEP, FORCES, ""),
    ("indicator", 'deflection = "0.2 um/N", force_change = { halfwidth = "0.1 N" }', SIZE, ONCE, ""),
    ("indicator", 'deflection = "0.2 um/N", force_change = { halfwidth = "0.1 N" }', STEP, BOTH, "?force_change"),
]


@pytest.fixture
def remarks(tmp_path: Path, catalogue: Catalogue) -> Remarks:
    def go(text: str, known: Catalogue = catalogue) -> tuple[Fault, ...]:
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path)
        checks, faults = bind(loaded.routine, known, loaded.origins)
        said = remarks_of(checks.bound, loaded.routine, loaded.origins, complete=not checks.missing)
        assert faults == tuple(remark for remark in said if not remark.warning)
        return said

    return go


def mark(fault: Fault, check: str) -> str:
    """Its key, and whether it is refused or warned of."""
    return ("?" if fault.warning else "!") + fault.key.removeprefix(f"checks.{check}").lstrip(".")


class TestATable:
    @pytest.mark.parametrize(("check", "keys", "characteristics", "steps_", "said"), CASES)
    def test_has_no_key_without_effect(
        self,
        check: str,
        keys: str,
        characteristics: str,
        steps_: str,
        *,
        said: str,
        remarks: Remarks,
    ) -> None:
        inline = f"checks.{check} = {{ {keys} }}\n"
        text = f"{HEAD}{inline}{steps_}[characteristics]\n{characteristics}"
        found = remarks(text)
        marks = {
            ("?" if fault.warning else "!") + fault.key.removeprefix(f"checks.{check}").lstrip(".") for fault in found
        }
        assert marks == set(said.split())
        for fault in found:
            assert fault.line == text.splitlines().index(inline.strip()) + 1
            assert fault.found
            assert fault.mend
            assert fault.warning or fault.expected

    def test_says_what_a_temperature_may_have_meant(self, remarks: Remarks) -> None:
        text = f'{HEAD}checks.thermal = {{ part_temperature = "68 degC", {APART} }}\n{ONCE}[characteristics]\n{SIZE}'
        assert [fault.mend for fault in remarks(text)] == ["check number and unit: did you mean 68 degF?"]
        text = text.replace("68 degC", "20 degF")
        assert [fault.mend for fault in remarks(text)] == ["check number and unit: did you mean 20 degC?"]

    @pytest.mark.parametrize(
        ("radius", "mend"),
        [
            ("1.5 um", "check number and unit: did you mean 1.5 mm?"),
            ("1500 mm", "check number and unit: did you mean 1500 um?"),
            ("0.001 um", "check number and unit"),
        ],
    )
    def test_says_what_a_radius_may_have_meant(self, remarks: Remarks, radius: str, mend: str) -> None:
        text = f'{HEAD}checks.contact = {{ radius = "{radius}" }}\n{ONCE}[characteristics]\n{SIZE}'
        assert [fault.mend for fault in remarks(text)] == [mend]


class TestFurtherPlaces:
    TEXT = f"{HEAD}{steps(ZERO, read('a'), read('b'), read('c'), RETURN)}[characteristics]\n" + COMPARED.replace(
        "nominal", 'with = "c", nominal'
    )

    def test_need_a_design(self, remarks: Remarks) -> None:
        (fault,) = remarks(self.TEXT)
        assert (fault.key, fault.warning) == ("characteristics.t.with", False)
        assert remarks(f"{self.TEXT}[checks.drift]\n") == ()

    def test_may_be_those_of_a_check_that_is_not_loaded(self, remarks: Remarks) -> None:
        assert remarks(f"{self.TEXT}[checks.own_design]\n") == ()


STRANGER = """\
from holdzero.hooks import Check, Remark, Settings, hookimpl
def validate(settings, routine, plan):
    {body}
@hookimpl
def holdzero_checks():
    return [Check(name="odd_check", title="odd", settings=Settings, validate=validate)]
"""


@pytest.mark.long
class TestAStrangersCheck:
    @pytest.mark.parametrize(
        ("body", "found"),
        [
            ('yield Remark(key="limit", found="a", expected="b", mend="c")', "!limit: a"),
            ('yield Remark(found="a", mend="c", warning=True)', "?: a"),
            ("raise RuntimeError('no')", "?: a check that failed in validate: RuntimeError: no"),
            ("return [3]", "?: a check that failed in validate: TypeError: it returned int, not Remark"),
            ("yield Remark(found=3, mend='c')", "?: a check that failed in validate: TypeError: key, found, expected"),
            ("import time; time.sleep(60)", "?: a check that failed in validate: GivenUpError: "),
        ],
    )
    def test_may_say_so_too_and_harms_nobody(self, body: str, found: str, tmp_path: Path, remarks: Remarks) -> None:
        (tmp_path / "odd_check.py").write_text(STRANGER.format(body=body), "utf-8")
        house = load_catalogue(house=House(folder=tmp_path, enabled=("odd_check",)))
        (fault,) = remarks(f"{HEAD}checks.odd_check = {{}}\n{ONCE}[characteristics]\n{SIZE}", known=house)
        assert f"{mark(fault, 'odd_check')}: {fault.found}".startswith(found)
