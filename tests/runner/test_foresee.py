"""What a routine can only end in, seen before anybody measures with it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.errors import Fault
from holdzero.expansion import kinds_of
from holdzero.foresee import foreseen
from holdzero.routine.load import load_routine

SHIPPED = sorted((Path(__file__).parents[2] / "routines").glob("*.toml"))
ROUTINE = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { size = "5 mm", deviation = "0 um", material = "steel" }
part = { material = "aluminium" }
comparator = { resolution = "0.1 um", travel = "50 um" }
characteristics.t = { measure = "size", at = ["a"], nominal = "5 mm", lower = "-2 um", upper = "+2 um" }
checks.thermal = { part_temperature = "20 degC", difference = "0 K" }
[[steps]]
do = "zero"
[[steps]]
do = "read"
at = "a"
[[steps]]
do = "return"
"""

STANDARD = 'check_standard = { size = "5.01 mm", deviation = "0 um", limit = "1 um" }'

Foresee: TypeAlias = Callable[..., list[Fault]]


@pytest.fixture
def foresee(tmp_path: Path, catalogue: Catalogue) -> Foresee:
    def go(*changes: tuple[str, str], text: str = ROUTINE, known: Catalogue = catalogue) -> list[Fault]:
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path, None, kinds_of(known))
        checks, faults = bind(loaded.routine, known, loaded.origins)
        assert faults == ()
        return list(foreseen(loaded, checks))

    return go


class TestARoutineThatCanBeDecided:
    def test_has_nothing_against_it(self, foresee: Foresee) -> None:
        assert foresee() == []

    @pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
    def test_is_each_that_is_shipped(self, path: Path, catalogue: Catalogue) -> None:
        loaded = load_routine(path, None, kinds_of(catalogue))
        checks, _ = bind(loaded.routine, catalogue, loaded.origins)
        warned = [(fault.key, fault.warning) for fault in foreseen(loaded, checks)]
        # the published example leaves the terms of second order out, as printed (GUM H.1.6 and H.1.7)
        assert warned == ([("decision.order", True)] if path.stem == "end-gauge-gum-h1" else [])

    def test_may_only_require_its_devices(self, foresee: Foresee) -> None:
        required = (
            ('deviation = "0 um", material = "steel"', 'largest_expanded = "0.2 um"'),
            ('resolution = "0.1 um", travel = "50 um"', 'largest_resolution = "0.1 um", smallest_travel = "50 um"'),
            ("[[steps]]", 'thermometer = { largest_expanded = "0.2 K" }\n[[steps]]'),
        )
        head = [(old, new) for old, new in required if "thermometer" not in new]
        assert foresee(*head, ("checks.thermal", "checks.contact = {}\nchecks.thermal")) == []
        thermometer = ("checks.thermal", 'thermometer = { largest_expanded = "0.2 K" }\nchecks.thermal')
        measured = ("[[steps]]", '[[steps]]\ndo = "temperature"\nof = "part"\n[[steps]]')
        assert foresee(*head, thermometer, measured, ('part_temperature = "20 degC", ', "")) == []

    def test_may_take_a_day(self, foresee: Foresee) -> None:
        many = '[[steps]]\ndo = "repeat"\ntimes = 900\nsteps = [ { do = "read", at = "a" } ]\n[[steps]]\ndo = "return"'
        assert foresee(('[[steps]]\ndo = "return"', many)) == []
        assert len(foresee(('[[steps]]\ndo = "return"', many.replace('[[steps]]\ndo = "return"', "")))) == 1


class TestARoutineThatCanOnlyEndUndecided:
    @pytest.mark.parametrize(
        ("old", "new", "key", "mend"),
        [
            ('[[steps]]\ndo = "return"', "", "characteristics.t", "add a return step after the readings"),
            ('at = "a"\n', 'at = "A"\n', "characteristics.t", "check the names of the places, or add a read step"),
            ('"20 degC", difference = "0 K"', '"20 degC"', "checks.thermal", "until this is mended"),
            ("checks.thermal", "checks.contact = {}\nchecks.thermal", "checks.contact", "until this is mended"),
            ("part = {", f"{STANDARD}\npart = {{", "check_standard", "add a check step after the zero"),
        ],
    )
    def test_is_an_error_where_it_stands(self, foresee: Foresee, old: str, new: str, key: str, mend: str) -> None:
        faults = foresee((old, new))
        assert faults
        for fault in faults:
            assert (fault.key, fault.warning) == (key, False)
            assert fault.found.startswith("a routine that can only end undecided: ")
            assert fault.line is not None
        assert faults[0].mend.startswith(mend)

    def test_for_a_contact_that_is_plastic_says_so(self, foresee: Foresee) -> None:
        tip = 'travel = "50 um", force = "1 N", tip = { material = "diamond", radius = "0.05 mm" }'
        zirconia = ('"aluminium"', '"zirconia"')
        faults = foresee(zirconia, ('travel = "50 um"', tip), ("checks.thermal", "checks.contact = {}\nchecks.thermal"))
        assert [(fault.key, fault.warning) for fault in faults] == [("checks.contact", False)]
        assert "the reference (steel) is pressed with" in faults[0].found
        assert "bears 7.85 GPa" in faults[0].found

    def test_or_does_not_end_at_all_has_no_zero(self, foresee: Foresee) -> None:
        (fault,) = foresee(('[[steps]]\ndo = "zero"', ""))
        assert (fault.key, fault.warning) == ("steps", False)
        assert fault.found == "a routine that never ends: “Read place a” is asked for again and again"
        assert fault.mend == "put a zero step before the readings"

    @pytest.mark.parametrize(
        ("old", "new", "key", "mend"),
        [
            ('"aluminium"', '"Aluminum"', "part.material", "did you mean aluminium?"),
            ('material = "steel"', 'material = "Steel"', "reference.material", "did you mean steel?"),
            ('"aluminium"', '"stel"', "part.material", "did you mean steel?"),
            ('"aluminium"', '"unknown alloy"', "part.material", "use a known one, or state its numbers"),
        ],
    )
    def test_for_a_material_that_nobody_knows_says_which_was_meant(
        self, foresee: Foresee, old: str, new: str, key: str, mend: str
    ) -> None:
        (fault,) = foresee((old, new))
        assert (fault.key, fault.warning) == (key, False)
        assert fault.mend.startswith(mend)
        assert "steel" in fault.expected

    def test_is_no_material_whose_numbers_are_stated(self, foresee: Foresee) -> None:
        stated = ('difference = "0 K"', 'difference = "0 K", part_expansion = "9e-6 1/K"')
        assert foresee(('"aluminium"', '"unknown alloy"'), stated) == []
        assert foresee(('"aluminium"', '"unknown alloy"'), ("checks.thermal", "checks.slips = {}\n#")) == []

    def test_says_all_that_is_against_it(self, foresee: Foresee) -> None:
        faults = foresee(('[[steps]]\ndo = "return"', ""), ('"aluminium"', '"Steel"'))
        assert sorted(fault.key for fault in faults) == ["characteristics.t", "part.material"]


class TestAStopThatRestsOnNumbers:
    """Other readings may do better: it says nothing of the routine."""

    def test_is_left_to_the_run(self, foresee: Foresee) -> None:
        temperatures = '[[steps]]\ndo = "temperature"\nof = "part"\n[[steps]]'
        lowest = ('part_temperature = "20 degC", difference = "0 K"', 'difference = "0 K", lowest = "22 degC"')
        assert foresee(lowest, ("[[steps]]", temperatures)) == []

    def test_is_left_to_the_run_beyond_an_indicators_table(self, foresee: Foresee) -> None:
        rows = '{ at = "-1 um", error = "0 um" }, { at = "1 um", error = "0 um" }'
        table = ("checks.thermal", f"checks.indicator = {{ table = [ {rows} ] }}\nchecks.thermal")
        assert foresee(('nominal = "5 mm"', 'nominal = "5.03 mm"'), table) == []


class TestAStrangersCheck:
    def test_judges_answers_and_not_the_routine(self, foresee: Foresee, tmp_path: Path) -> None:
        from holdzero.catalogue import House

        (tmp_path / "never.py").write_text(
            "from holdzero.hooks import Check, Finding, Level, Settings, hookimpl\n"
            "def judge(settings, run, characteristics):\n"
            "    return [Finding(level=Level.STOP, code='never/good', text='Not good.')]\n"
            "@hookimpl\n"
            "def holdzero_checks():\n"
            "    return [Check(name='never', title='never', settings=Settings, judge=judge)]\n",
            "utf-8",
        )
        house = load_catalogue(house=House(folder=tmp_path, enabled=("never",)))
        assert "never" in house.checks
        assert foresee(("checks.thermal", "checks.never = {}\nchecks.thermal"), known=house) == []


class TestAToleranceThatNothingCanPass:
    def test_is_warned_of_with_the_largest_contribution(self, foresee: Foresee) -> None:
        (fault,) = foresee(('deviation = "0 um"', 'deviation = { value = "0 um", standard = "2 um" }'))
        assert (fault.key, fault.warning) == ("characteristics.t", True)
        assert fault.found.startswith("a tolerance in which nothing can be passed: even in its middle U = ")
        assert fault.mend.startswith(
            "the largest contribution is that of: deviation of the reference: check its number"
        )

    def test_names_limits_that_leave_nothing_between_them(self, foresee: Foresee) -> None:
        (fault,) = foresee(('lower = "-2 um", upper = "+2 um"', 'lower = "0 um", upper = "0 um"'))
        assert (fault.key, fault.mend) == (
            "characteristics.t",
            "check the limits and their unit; or a finer comparator",
        )

    def test_names_the_guard_band_that_fills_it(self, foresee: Foresee) -> None:
        (fault,) = foresee(("comparator =", "decision = { guard = 5.0 }\ncomparator ="), ('"-2 um"', '"+1.2 um"'))
        assert (fault.key, fault.warning) == ("decision.guard", True)
        assert "a tolerance of t in which nothing can be passed: its guard band of 5 U" in fault.found

    def test_names_devices_that_only_just_will_do(self, foresee: Foresee) -> None:
        (fault,) = foresee(('deviation = "0 um", material = "steel"', 'largest_expanded = "4 um"'))
        assert "nothing can be passed with a reference that only just will do: " in fault.found

    def test_names_a_reference_that_is_known_too_badly(self, foresee: Foresee) -> None:
        (fault,) = foresee(('deviation = "0 um"', 'deviation = { value = "0 um", standard = "0.06 mm" }'))
        assert "U = 120" in fault.found
        assert "deviation of the reference" in fault.mend

    def test_has_two_limits(self, foresee: Foresee) -> None:
        # With one limit a part may be as good as it likes.
        badly = ('deviation = "0 um"', 'deviation = { value = "0 um", standard = "2 um" }')
        assert foresee(badly, ('lower = "-2 um", ', "")) == []
