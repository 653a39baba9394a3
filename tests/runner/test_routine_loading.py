"""A routine file: what it becomes, and how everything that is wrong with it is said and located."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.errors import Fault, FileFaultsError
from holdzero.estimate import Shape
from holdzero.process import GammaProcess, ListedProcess, NormalProcess
from holdzero.routine import schema
from holdzero.routine.load import (
    LoadedRoutine,
    digest_of,
    dump_routine,
    load_routine,
    members,
    read_toml,
    routine_from_document,
)

ROUTINE = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = "0 um"
material = "steel"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" } ]

[[steps]]
do = "return"
"""
STEP = '[[steps]]\ndo = "zero"\ntimes = 3\n'
HEAD = "format = 1\n"

SECTION = "\n[part]\nsection = "

Write: TypeAlias = Callable[[str | bytes], Path]
Load: TypeAlias = Callable[..., LoadedRoutine]
Faults: TypeAlias = Callable[..., tuple[Fault, ...]]


def changed(*pairs: tuple[str, str], text: str = ROUTINE) -> str:
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def line_of(text: str, part: str) -> int:
    """The line on which a part of the text begins, from 1."""
    assert text.count(part) == 1, part
    return text.count("\n", 0, text.index(part)) + 1


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def go(text: str | bytes) -> Path:
        path = tmp_path / "washer.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return go


@pytest.fixture
def load(write: Write) -> Load:
    return lambda text: load_routine(write(text))


@pytest.fixture
def faults(write: Write) -> Faults:
    def go(text: str | bytes) -> tuple[Fault, ...]:
        with pytest.raises(FileFaultsError) as caught:
            load_routine(write(text))
        return caught.value.faults

    return go


class TestAValidRoutine:
    def test_becomes_typed_models_in_inside_units(self, load: Load) -> None:
        routine = load(ROUTINE).routine
        assert isinstance(routine.reference, schema.Reference)
        assert isinstance(routine.comparator, schema.Comparator)
        assert routine.reference.size == 5000.0
        assert routine.comparator.resolution == 0.1
        assert routine.characteristics["thickness"].lower == -3.0
        assert [step.do for step in schema.walk(routine.steps)] == ["zero", "repeat", "read", "return"]

    def test_has_the_defaults_that_the_design_states(self, load: Load) -> None:
        routine = load(ROUTINE).routine
        assert routine.decision == schema.Decision(
            rule=routine.decision.rule, guard=None, conformance=0.95, coverage_probability=0.9545
        )
        assert routine.decision.rule == "guarded"
        assert routine.bracket.longest_absence == 1800.0
        assert routine.routine.units == "mm"

    def test_gives_bare_numbers_the_unit_of_the_resolution_unless_it_names_one(self, load: Load) -> None:
        for written, unit in (('"0.1 um"', "um"), ('"0.00001 in"', "in"), ('"0.1 um"\nunit = "mm"', "mm")):
            comparator = load(changed(('"0.1 um"', written))).routine.comparator
            assert isinstance(comparator, schema.Comparator)
            assert comparator.unit == unit

    def test_may_write_one_place_without_a_list(self, load: Load) -> None:
        assert load(ROUTINE).routine.characteristics["thickness"].at == ("a",)

    def test_may_say_what_the_part_measures_across(self, load: Load) -> None:
        assert load(ROUTINE + SECTION + '["1.5 in", "9 mm"]').routine.part.section == (38100.0, 9000.0)
        assert load(ROUTINE).routine.part.section is None

    def test_may_state_a_term_with_any_uncertainty(self, load: Load) -> None:
        term = (
            '\n[[terms]]\nname = "stand"\nvalue = "0.1 um"\nhalfwidth = "0.3 um"\nshape = "triangular"\nwhy = "tried"\n'
        )
        (read,) = load(ROUTINE + term).routine.terms
        assert read.estimate.value == 0.1
        assert read.estimate.parts[0].shape is Shape.TRIANGULAR
        assert read.estimate.why == "tried"

    def test_may_state_a_term_whose_ends_are_inexact(self, load: Load) -> None:
        term = '\n[[terms]]\nname = "stand"\nvalue = "0 um"\nhalfwidth = "0.3 um"\ninexact = "0.1 um"\n'
        (read,) = load(ROUTINE + term).routine.terms
        assert read.estimate.parts[0].shape is Shape.CURVILINEAR

    def test_may_write_a_day_as_a_date_or_as_text(self, load: Load) -> None:
        for written in ("2027-05-31", '"2027-05-31"'):
            reference = load(changed(('material = "steel"', f"due = {written}"))).routine.reference
            assert isinstance(reference, schema.Reference)
            assert reference.due == dt.date(2027, 5, 31)

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    def test_may_come_from_any_editor(self, load: Load, encoding: str, end: str) -> None:
        text = ROUTINE.replace("Washer", "Scheibe, 5 µm").replace("\n", end)
        assert load(text.encode(encoding)).routine.routine.title == "Scheibe, 5 µm, thickness"

    def test_is_the_same_whoever_orders_its_tables(self, load: Load) -> None:
        moved = changed(('[reference]\nname = "Block 5 mm"\n', "[reference]\n"))
        moved = moved.replace('material = "steel"\n', 'material = "steel"\nname = "Block 5 mm"\n')
        assert load(moved).digest == load(ROUTINE).digest

    def test_survives_being_written_and_read_again(self, load: Load) -> None:
        first = load(ROUTINE)
        again = load(dump_routine(first.document))
        assert (again.document, again.digest) == (first.document, first.digest)

    def test_survives_a_record(self, load: Load) -> None:
        loaded = load(changed(('material = "steel"', "due = 2027-05-31")))
        document = json.loads(json.dumps(loaded.document))
        assert digest_of(document) == loaded.digest
        assert routine_from_document(document) == loaded.routine

    def test_has_another_digest_when_a_number_is_changed(self, load: Load) -> None:
        assert load(changed(('"+3 um"', '"+3.0 um"'))).digest != load(ROUTINE).digest


class TestADevice:
    def test_with_size_and_material_alone_is_a_requirement(self, load: Load) -> None:
        text = changed(('name = "Block 5 mm"\n', ""), ('deviation = "0 um"\n', 'largest_expanded = "0.1 um"\n'))
        reference = load(text).routine.reference
        assert isinstance(reference, schema.RequiredReference)
        assert (reference.size, reference.material, reference.largest_expanded) == (5000.0, "steel", 0.1)

    def test_with_anything_more_is_whole(self, faults: Faults) -> None:
        (fault,) = faults(changed(('deviation = "0 um"\n', "")))
        assert (fault.key, fault.expected) == ("reference.deviation", "the key deviation")

    def test_required_of_the_comparator_is_its_resolution_and_travel(self, load: Load) -> None:
        text = changed(('resolution = "0.1', 'largest_resolution = "0.1'), ('travel = "50', 'smallest_travel = "50'))
        comparator = load(text).routine.comparator
        assert isinstance(comparator, schema.RequiredComparator)
        assert (comparator.largest_resolution, comparator.smallest_travel) == (0.1, 50.0)

    def test_half_required_is_told_what_a_requirement_may_have(self, faults: Faults) -> None:
        text = changed(('resolution = "0.1', 'largest_resolution = "0.1'))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("comparator.travel", line_of(text, "travel"))
        assert "smallest_travel" in fault.expected

    @pytest.mark.parametrize(
        ("table", "kind"),
        [
            ('error = { halfwidth = "0.1 K" }', schema.Thermometer),
            ('largest_expanded = "0.1 K"', schema.RequiredThermometer),
        ],
    )
    def test_thermometer_is_whole_or_required(self, load: Load, table: str, kind: type[Any]) -> None:
        assert isinstance(load(f"{ROUTINE}\n[thermometer]\n{table}\n").routine.thermometer, kind)

    def test_with_divisions_says_what_one_is_worth(self, load: Load, faults: Faults) -> None:
        text = changed(('resolution = "0.1 um"', 'resolution = "0.1 um"\nunit = "div"'))
        (fault,) = faults(text)
        assert (fault.key, fault.found, fault.mend) == ("comparator", "unit = 'div'", 'add division = "1 um"')
        load(text.replace('unit = "div"', 'unit = "div"\ndivision = "0.5 um"'))


class TestAFault:
    def test_says_file_line_key_found_expected_and_mend(self, write: Write) -> None:
        text = changed(('"+3 um"', '"+3 mil"'))
        path = write(text)
        with pytest.raises(FileFaultsError) as caught:
            load_routine(path)
        assert str(caught.value) == (
            f"{path}:{line_of(text, 'upper')}: error: characteristics.thickness.upper: "
            "found '+3 mil'; expected a length such as 1.5 um\n"
            "    'mil' is no unit of length here; use one of: "
            'nm, um, µm, μm, mm, cm, m, in, ", uin, µin, μin, thou'
        )

    @pytest.mark.parametrize(
        ("change", "key", "found", "expected", "mend"),
        [
            (('"5 mm"\nlower', '"5"\nlower'), "nominal", "'5'", "a length such as 1.5 um", "add the unit"),
            (('"5 mm"\nlower', "5\nlower"), "nominal", "5", 'a length such as "1.5 um"', "in quotation marks"),
            (('"5 mm"\nlower', '"-5 mm"\nlower'), "nominal", "'-5 mm'", "a length above zero", "check sign"),
            (('"-3 um"', "true"), "lower", "True", 'a length such as "1.5 um"', "in quotation marks"),
            (
                ('"size"\nat = "a"\nnominal', '3\nat = "a"\nnominal'),
                "measure",
                "3",
                "one of size, variation, step, or",
                "check",
            ),
            (('at = "a"\nn', "at = []\nn"), "at", "[]", "at least one entry", "check the value"),
            (('at = "a"\nn', 'at = ["a", 3]\nn'), "at[2]", "3", "a text in quotation marks", "check the value"),
            (('at = "a"\nn', 'at = "  "\nn'), "at", "'  '", "a text that is not empty", "check the value"),
            (("upper", "uper"), "uper", "the unknown key 'uper'", "one of measure, at, from", "did you mean upper?"),
            (
                ("upper", "colour"),
                "colour",
                "the unknown key 'colour'",
                "one of measure",
                "drop it, or check its spelling",
            ),
            (("upper", "base"), "base", "the unknown key 'base'", "one of measure, at, from", "drop it"),
        ],
    )
    def test_of_a_characteristic_stands_at_its_key(
        self, faults: Faults, change: tuple[str, str], key: str, found: str, expected: str, mend: str
    ) -> None:
        text = changed(change)
        (fault,) = faults(text)
        assert fault.key == f"characteristics.thickness.{key}"
        assert fault.line == line_of(text, change[1])
        assert (fault.found, fault.warning) == (found, False)
        assert fault.expected.startswith(expected)
        assert mend in fault.mend

    @pytest.mark.parametrize(
        ("change", "found"),
        [
            (('"-3 um"', '"+4 um"'), "lower above upper"),
            (('"size"', '"step"'), "measure = 'step'"),
            (('"size"', '"variation"'), "measure = 'variation'"),
            (
                ('"size"\nat = "a"\nnominal = "5 mm"', '"variation"\nat = ["a", "c"]\nfrom = "b"'),
                "measure = 'variation'",
            ),
            (('at = "a"\nn', 'at = ["a", "b", "a"]\nn'), "a, b, a"),
            (('"size"\nat = "a"\nnominal = "5 mm"', '"variation"\nat = "a"'), "one place"),
            (('"size"\nat = "a"\nnominal = "5 mm"', '"step"\nat = "a"\nfrom = "a"'), "a, a"),
            (
                ('"size"\nat = "a"\nnominal = "5 mm"', '"variation"\nat = ["a", "b"]\nof = "largest"'),
                "measure = 'variation'",
            ),
        ],
    )
    def test_of_keys_that_do_not_fit_together_stands_at_their_table(
        self, faults: Faults, change: tuple[str, str], found: str
    ) -> None:
        text = changed(change)
        (fault,) = faults(text)
        assert (fault.key, fault.found) == ("characteristics.thickness", found)
        assert fault.line == line_of(text, "[characteristics.thickness]")

    @pytest.mark.parametrize(
        ("section", "key", "expected"),
        [
            ('["35 mm"]', "part.section", 'two lengths such as ["35 mm", "9 mm"]'),
            ('["35 mm", "9 mm", "9 mm"]', "part.section", 'two lengths such as ["35 mm", "9 mm"]'),
            ('"35 mm"', "part.section", 'two lengths such as ["35 mm", "9 mm"]'),
            ('["35 mm", "0 mm"]', "part.section[2]", "a length above zero"),
            ('["35 mm", 9]', "part.section[2]", "a length such as"),
        ],
    )
    def test_of_a_section_asks_for_two_sizes(self, faults: Faults, section: str, key: str, expected: str) -> None:
        (fault,) = faults(ROUTINE + SECTION + section)
        assert (fault.key, expected in fault.expected) == (key, True), fault

    def test_of_a_missing_key_stands_at_its_table(self, faults: Faults) -> None:
        text = changed(('part = "W-1"\n', ""))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("routine.part", line_of(text, "[routine]"))
        assert str(fault).splitlines()[0].endswith("routine.part: nothing found; expected the key part")

    def test_of_a_missing_table_names_the_file(self, faults: Faults) -> None:
        (fault,) = faults(changed(("format = 1\n", "")))
        assert (fault.key, fault.line) == ("format", None)

    @pytest.mark.parametrize("written", ["2", "1.0", "true", '"1"', "0x2"])
    def test_of_another_format_says_which_one_is_read(self, faults: Faults, written: str) -> None:
        (fault,) = faults(changed((HEAD, f"format = {written}\n")))
        assert (fault.key, fault.line) == ("format", 1)
        assert fault.mend == "this version of holdzero reads format 1"

    @pytest.mark.parametrize(
        "written",
        ["86400", '"1748649600"', "2027-05-31T10:00:00", "2027-05-31T00:00:00Z", "10:00:00", '"soon"', '"2027-13-01"'],
    )
    def test_of_a_day_that_is_none_stands_at_it(self, faults: Faults, written: str) -> None:
        text = changed(('material = "steel"', f"due = {written}"))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("reference.due", line_of(text, "due ="))

    @pytest.mark.parametrize(
        "number", ["nan", "inf", "-inf", "9007199254740992", "-9007199254740993", "0x" + "f" * 5000]
    )
    def test_of_a_number_that_no_record_can_hold_stands_at_it(self, faults: Faults, number: str) -> None:
        text = f"{ROUTINE}\n[checks.film]\nvolume = {number}\n"
        (fault,) = faults(text)
        assert (fault.key, fault.expected) == ("checks.film.volume", "a finite number")
        assert fault.line == line_of(text, "volume")

    @pytest.mark.parametrize("key", ["guard", "conformance", "coverage_probability"])
    @pytest.mark.parametrize("written", ["true", '"0.9"', "-0.1", "7.5"])
    def test_of_a_decision_stands_at_its_key(self, faults: Faults, key: str, written: str) -> None:
        text = f"{ROUTINE}\n[decision]\n{key} = {written}\n"
        (fault,) = faults(text)
        assert (fault.key, fault.line) == (f"decision.{key}", line_of(text, f"{key} ="))

    def test_of_an_estimate_stands_at_its_key(self, faults: Faults) -> None:
        text = changed(('deviation = "0 um"', 'deviation = { value = "0 um", expanded = "1 um" }'))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("reference.deviation", line_of(text, "deviation"))
        assert fault.found == "expanded without coverage"

    def test_of_a_term_stands_at_the_unknown_key_or_at_the_term(self, faults: Faults) -> None:
        text = ROUTINE + '\n[[terms]]\nname = "stand"\nvalue = "0 um"\nhalfwith = "0.1 um"\n'
        (fault,) = faults(text)
        assert (fault.key, fault.mend) == ("terms[1].halfwith", "did you mean halfwidth?")
        assert fault.line == line_of(text, "halfwith")
        text = ROUTINE + '\n[[terms]]\nname = "stand"\nhalfwidth = "0.1 um"\n'
        (fault,) = faults(text)
        assert (fault.key, fault.found, fault.line) == ("terms[1]", "no value", line_of(text, "[[terms]]"))

    def test_of_terms_that_are_alike_or_belong_nowhere_is_found(self, faults: Faults) -> None:
        term = '\n[[terms]]\nname = "stand"\nvalue = "0 um"\n'
        (fault,) = faults(ROUTINE + term + term)
        assert fault.found == "stand, stand"
        (fault,) = faults(ROUTINE + term + 'characteristics = ["width"]\n')
        assert (fault.found, fault.expected) == ("terms: 'width'", "one of thickness")

    def test_of_the_key_that_terms_use_inside_is_refused(self, faults: Faults) -> None:
        (fault,) = faults(ROUTINE + '\n[[terms]]\nname = "s"\nvalue = "0 um"\nestimate = "1 um"\n')
        assert fault.found == "the key estimate"

    def test_of_a_name_with_blanks_around_it_is_found_since_two_would_become_one(self, faults: Faults) -> None:
        other = '\n[characteristics." thickness"]\nmeasure = "size"\nat = "a"\n'
        (fault,) = faults(ROUTINE + other)
        assert (fault.key, fault.found) == ("characteristics. thickness", "' thickness'")
        assert fault.line == line_of(ROUTINE + other, '[characteristics." thickness"]')

    def test_of_a_key_with_invisible_signs_shows_them(self, faults: Faults) -> None:
        (fault,) = faults('"a\\nb" = 1\n' + ROUTINE)
        assert (fault.key, fault.line) == (r"'a\nb'", 1)
        assert "\n" not in fault.found

    @pytest.mark.parametrize("table", ["routine", "reference", "comparator", "part", "decision", "bracket", "checks"])
    def test_of_a_table_that_is_none_is_found(self, faults: Faults, table: str) -> None:
        text = ROUTINE.replace(f"[{table}]", f"[{table}s]")
        found = [fault for fault in faults(f"{table} = 3\n{text}") if fault.key == table]
        assert [(fault.line, fault.found, fault.expected) for fault in found] == [(1, "3", "a table")]

    def test_of_an_unknown_key_in_every_table_is_found_with_a_suggestion(self, faults: Faults) -> None:
        text = changed(
            (HEAD, 'format = 1\nchekcs = "x"\n'),
            ("title", "unit = 3\ntitle"),
            ("name", "nmae = 3\nname"),
            ("travel", 'tip = { radus = "1 mm" }\nforse = 3\ntravel'),
            (STEP, "[part]\nmateriel = 3\n[decision]\nrul = 3\n[bracket]\nlimt = 3\n" + STEP),
        )
        mends = {fault.key: fault.mend for fault in faults(text)}
        assert mends == {
            "chekcs": "did you mean checks?",
            "routine.unit": "did you mean units?",
            "reference.nmae": "did you mean name?",
            "comparator.tip.radus": "did you mean radius?",
            "comparator.forse": "did you mean force?",
            "part.materiel": "did you mean material?",
            "decision.rul": "did you mean rule?",
            "bracket.limt": "did you mean limit?",
        }


class TestStepsThatAreWrong:
    def test_have_a_kind_that_is_misspelled(self, faults: Faults) -> None:
        text = changed(('do = "return"', 'do = "retrun"'))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("steps[3]", line_of(text, '[[steps]]\ndo = "retrun"'))
        assert fault.found == "'retrun'"
        kinds = "prepare, ask, soak, temperature, zero, check, read, repeat, return, compare"
        assert (fault.expected, fault.mend) == (f"a step kind: {kinds}", "did you mean return?")

    @pytest.mark.parametrize("kind", ['"weigh"', "3", '["read"]', '{ a = "read" }', "true"])
    def test_have_a_kind_that_is_none(self, faults: Faults, kind: str) -> None:
        (fault,) = faults(changed(('do = "return"', f"do = {kind}")))
        assert fault.key == "steps[3]"
        assert fault.expected.startswith("a step kind: prepare, ask, soak")

    def test_have_no_kind(self, faults: Faults) -> None:
        (fault,) = faults(changed(('do = "return"', 'say = "Go back"')))
        assert (fault.key, fault.expected) == ("steps[3]", 'do = "…", the kind of step')

    def test_are_no_tables(self, faults: Faults) -> None:
        head = ROUTINE[: ROUTINE.index("[[steps]]")]
        (fault,) = faults('steps = [3, { do = "compare" }]\n' + head)
        assert (fault.key, fault.line, fault.expected) == ("steps[1]", 1, "a table")

    def test_are_none_at_all(self, faults: Faults) -> None:
        head = ROUTINE[: ROUTINE.index("[[steps]]")]
        (fault,) = faults("steps = []\n" + head)
        assert (fault.key, fault.expected) == ("steps", "at least one entry")

    def test_stand_inside_a_repeat_and_are_found_there_alone(self, faults: Faults) -> None:
        inner = '[\n    { do = "read", at = "a" },\n    { do = "read", att = "a" },\n]'
        text = changed(('[ { do = "read", at = "a" } ]', inner))
        line = line_of(text, "att")
        found = {(fault.key, fault.line, fault.mend) for fault in faults(text)}
        assert found == {
            ("steps[2].steps[2].at", line, "add at here"),
            ("steps[2].steps[2].att", line, "did you mean at?"),
        }

    def test_have_a_key_of_the_same_name_as_their_kind(self, faults: Faults) -> None:
        text = changed(('{ do = "read", at = "a" }', '{ do = "read", read = "a" }'))
        assert {fault.key for fault in faults(text)} == {"steps[2].steps[1].at", "steps[2].steps[1].read"}

    @pytest.mark.parametrize("times", ["0", "-1", "1001", "2.5", '"3"', "true"])
    def test_are_to_be_done_a_strange_number_of_times(self, faults: Faults, times: str) -> None:
        text = changed((STEP, f'[[steps]]\ndo = "zero"\ntimes = {times}\n'))
        (fault,) = faults(text)
        assert (fault.key, fault.line) == ("steps[1].times", line_of(text, f"times = {times}\n"))

    @pytest.mark.parametrize(("keys", "found"), [("", "neither"), ('times = 3\nover = "parts"\n', "times and over")])
    def test_repeat_over_nothing_or_over_two_things(self, faults: Faults, keys: str, found: str) -> None:
        (fault,) = faults(changed(('"repeat"\ntimes = 3\n', f'"repeat"\n{keys}')))
        assert fault.key == "steps[2]"
        assert found in fault.found

    def test_would_never_end(self, faults: Faults, load: Load) -> None:
        read = '{ do = "read", at = "a" }'
        for _ in range(3):
            read = f'{{ do = "repeat", times = 1000, steps = [ {read} ] }}'
        (fault,) = faults(changed(('{ do = "read", at = "a" }', read)))
        assert (fault.key, fault.found) == ("steps", "steps that ask 3000000004 times")
        load(changed(("times = 3\nsteps", "times = 1000\nsteps")))


class TestSeveralFaultsAtOnce:
    def test_are_all_said_in_the_order_of_the_lines(self, faults: Faults) -> None:
        text = changed(
            ('part = "W-1"', "part = 3"),
            ('size = "5 mm"', 'size = "5"'),
            ("travel", "travle"),
            ("lower", "lowest"),
            ('do = "return"', 'do = "retrun"'),
        )
        found = faults(text)
        assert [fault.key for fault in found] == [
            "routine.part",
            "reference.size",
            "comparator.travle",
            "characteristics.thickness.lowest",
            "steps[3]",
        ]
        lines = [fault.line or 0 for fault in found]
        assert lines == sorted(lines)
        assert lines[0] == line_of(text, "part = 3")

    def test_of_numbers_are_all_said(self, faults: Faults) -> None:
        assert len(faults(f"{ROUTINE}\n[checks.film]\na = nan\nb = [1, inf]\n")) == 2


class TestATextThatIsNoRoutine:
    def test_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(FileFaultsError) as caught:
            load_routine(tmp_path / "none.toml")
        (fault,) = caught.value.faults
        assert (fault.line, fault.key, fault.found) == (None, "file", "No such file or directory")

    def test_is_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(FileFaultsError, match="check the name and its permissions"):
            load_routine(tmp_path)

    def test_has_a_name_that_no_file_can_have(self, tmp_path: Path) -> None:
        with pytest.raises(FileFaultsError, match="a name that no file can have"):
            load_routine(tmp_path / "a\0b")

    def test_is_no_toml(self, faults: Faults) -> None:
        text = changed(('part = "W-1"', "part = W-1"))
        (fault,) = faults(text)
        assert (fault.line, fault.mend) == (line_of(text, "part"), "a text must stand in quotation marks")
        assert fault.found.startswith("no valid TOML: ")

    @pytest.mark.parametrize(
        ("old", "new", "mend"),
        [
            ("[[steps]]", '[routine]\nauthor = "T. Ester"\n[[steps]]', "merge the two tables"),
            ('part = "W-1"', 'part = "W-1"\npart = "W-2"', "keep one of the two lines"),
            ('part = "W-1"', 'part = "W-1', "close the text with a quotation mark, on the same line"),
            ('part = "W-1"', "part = 'W-1", "close the text with a quotation mark, on the same line"),
            ('part = "W-1"', 'part "W-1"', "write key = value"),
            ('part = "W-1"', 'part number = "W-1"', "a key has no blanks"),
            ('part = "W-1"', "part =", "write a value behind ="),
            ('part = "W-1"', "part = “W-1”", "in place of the typographic one"),
            ('part = "W-1"', 'part = "W-1" author = "T. Ester"', "one key a line"),
            ('part = "W-1"', r'part = "W\q"', r"write \\ for a backslash"),
            ('part = "W-1"', "part = 1,5", "a text must stand in quotation marks"),
            ("[[steps]]", "[[steps]", "close the name of the table with its square bracket"),
            ('part = "W-1"', 'tags = ["a"', "close the list with ]"),
        ],
    )
    def test_is_no_toml_for_a_reason_that_has_its_mend(self, faults: Faults, old: str, new: str, mend: str) -> None:
        (fault,) = faults(ROUTINE.replace(old, new, 1))
        assert fault.found.startswith("no valid TOML: ")
        assert mend in fault.mend

    def test_sets_a_key_twice(self, faults: Faults) -> None:
        text = changed(('part = "W-1"', 'part = "W-1"\npart = "W-2"'))
        (fault,) = faults(text)
        assert fault.line == line_of(text, 'part = "W-2"')

    def test_is_not_utf_8(self, faults: Faults) -> None:
        (fault,) = faults(ROUTINE.replace("Washer", "Größe").encode("latin-1"))
        assert (fault.line, fault.found) == (4, "a character that is not UTF-8")

    def test_is_empty(self, faults: Faults) -> None:
        keys = [fault.key for fault in faults("")]
        assert keys == ["format", "routine", "reference", "comparator", "characteristics", "steps"]

    def test_is_a_million_bytes_long(self, faults: Faults) -> None:
        (fault,) = faults("#" * 1_000_001)
        assert fault.mend == "is this the right file?"

    @pytest.mark.parametrize(
        "text",
        [
            "a = " + "[" * 30 + "]" * 30,
            "a = " + "[" * 100_000,
            "a" + ".a" * 5000 + " = 1",
            "[a" + ".a" * 5000 + "]",
            "a = " + "{ a = " * 30 + "1" + "}" * 30,
        ],
        ids=["lists", "open lists", "dotted key", "header", "inline tables"],
    )
    def test_is_nested_without_end(self, faults: Faults, text: str) -> None:
        (fault,) = faults(text)
        assert "nested" in fault.found
        assert fault.mend == "unfold them"

    def test_has_a_number_of_thousands_of_digits(self, faults: Faults) -> None:
        (fault,) = faults("a = " + "1" * 5000)
        assert fault.found == "a whole number of thousands of digits"


class TestARoutineOfARecord:
    def test_that_is_none_is_a_fault_without_a_line(self, load: Load) -> None:
        document = {**load(ROUTINE).document, "colour": 3}
        with pytest.raises(FileFaultsError) as caught:
            routine_from_document(document)
        (fault,) = caught.value.faults
        assert (fault.file, fault.line, fault.key) == ("the routine in the record", None, "colour")


class TestTheShippedRoutines:
    @pytest.mark.parametrize("name", ["spacer-ring", "gauge-pad", "long-block", "shim-lacquer", "end-gauge-gum-h1"])
    def test_load_and_survive_being_written(self, routines: Path, write: Write, name: str) -> None:
        loaded = load_routine(routines / f"{name}.toml")
        assert load_routine(write(dump_routine(loaded.document))).digest == loaded.digest

    def test_have_no_part_family_without_saying_so(self, routines: Path) -> None:
        assert members(routines / "spacer-ring.toml") == ()


class TestLinesOfKeys:
    def test_are_counted_from_one_through_comments_strings_and_lists(self, write: Write) -> None:
        text = '# head\na = """\nx = 1\n""" # tail\n\n[b."c d"]\ne = [\n  1, # one\n  { f = \'#\' },\n]\n'
        text += "[[g]]\n[[g]]\nh.i = 2\n"
        lines = read_toml(write(text)).lines
        assert lines[("a",)] == 2
        assert lines[("b", "c d")] == 6
        assert lines[("b", "c d", "e", 0)] == 8
        assert lines[("b", "c d", "e", 1, "f")] == 9
        assert (lines[("g", 0)], lines[("g", 1)]) == (11, 12)
        assert lines[("g", 1, "h", "i")] == 13
        assert ("x",) not in lines

    @pytest.mark.parametrize("key", [r'"\u0061"', r'"\U00000061"', "'a'", '"a"', "a"])
    def test_know_a_key_however_it_is_quoted(self, write: Write, key: str) -> None:
        assert read_toml(write(f"\n{key} = 1\n")).lines == {("a",): 2}


class TestAProcess:
    def stated(self, load: Load, written: str) -> Any:
        routine = load(f"{ROUTINE}\n[decision]\nprocess = {written}\n").routine
        process = routine.process_of(routine.characteristics["thickness"])
        assert process is not None
        return process.distribution

    def test_is_normal_with_a_mean_and_a_standard_deviation(self, load: Load) -> None:
        assert self.stated(load, '{ value = "-0.2 um", standard = "800 nm", why = "May" }') == NormalProcess(
            mean_um=-0.2, standard_um=0.8
        )

    def test_may_be_a_gamma_distribution_from_zero_or_from_a_lowest_part_on(self, load: Load) -> None:
        of_zero = GammaProcess(lowest_um=0.0, mean_um=0.5, standard_um=0.3)
        assert self.stated(load, '{ shape = "gamma", value = "0.5 um", standard = "300 nm" }') == of_zero
        assert of_zero.shape * of_zero.scale_um == pytest.approx(0.5)
        lowest = '{ shape = "gamma", value = "0.5 um", standard = "0.3 um", lowest = "-1 um" }'
        assert self.stated(load, lowest) == GammaProcess(lowest_um=-1.0, mean_um=0.5, standard_um=0.3)

    def test_may_be_a_list_of_sizes_each_once_or_with_its_count(self, load: Load) -> None:
        assert self.stated(load, '{ values = ["1 um", "-2 um"] }') == ListedProcess(
            values_um=(1.0, -2.0), counts=(1.0, 1.0)
        )
        assert self.stated(load, '{ values = ["1 um", "-2 um"], counts = [3, 0.5] }') == ListedProcess(
            values_um=(1.0, -2.0), counts=(3.0, 0.5)
        )

    def test_of_a_characteristic_stands_before_that_of_all(self, load: Load) -> None:
        own = ROUTINE.replace('upper = "+3 um"', 'upper = "+3 um"\nprocess = { value = "1 um", standard = "2 um" }')
        routine = load(f'{own}\n[decision]\nprocess = {{ value = "0 um", standard = "1 um" }}\n').routine
        process = routine.process_of(routine.characteristics["thickness"])
        assert process is not None
        assert process.distribution == NormalProcess(mean_um=1.0, standard_um=2.0)

    @pytest.mark.parametrize(
        ("written", "key", "found", "expected"),
        [
            ('"0 um"', "", "'0 um'", "a table"),
            ("{ }", "", "no value", "the mean and the standard deviation"),
            ('{ value = "0 um" }', "", "no standard", "the mean and the standard deviation"),
            ('{ standard = "1 um" }', "", "no value", "the mean and the standard deviation"),
            ('{ value = "0 um", standard = "0 um" }', ".standard", "'0 um'", "above zero"),
            ('{ value = "0 um", halfwidth = "1 um" }', ".halfwidth", "the unknown key", "one of shape, value"),
            ('{ shape = "beta", value = "0 um", standard = "1 um" }', ".shape", "'beta'", "'normal' or 'gamma'"),
            ('{ value = "0 um", standard = "1 um", lowest = "0 um" }', "", "lowest with shape", 'shape = "gamma"'),
            ('{ shape = "gamma", value = "0 um", standard = "1 um" }', "", "a mean of 0 um", "above the lowest"),
            (
                '{ shape = "gamma", value = "1 um", standard = "1 um", lowest = "2 um" }',
                "",
                "lowest part at 2 um",
                "above the lowest",
            ),
            ('{ values = ["0 um"], value = "0 um" }', "", "values with value", "values, or value and standard"),
            ('{ values = ["0 um"], shape = "gamma" }', "", "values with shape", "values, or value and standard"),
            ('{ values = "0 um" }', ".values", "'0 um'", "a list in square brackets"),
            ("{ values = [] }", ".values", "[]", "at least one entry"),
            ('{ values = ["0 um", "1"] }', ".values[2]", "'1'", "a length"),
            ('{ values = ["0 um", "1 um"], counts = [1] }', "", "1 counts for 2 values", "as many counts"),
            ('{ values = ["0 um"], counts = [0] }', "", "no count above zero", "a count above zero"),
            ('{ values = ["0 um"], counts = [-1] }', ".counts[1]", "-1", "greater than or equal to 0"),
            ('{ values = ["0 um"], counts = ["3"] }', ".counts[1]", "'3'", "a number, without quotation marks"),
            ("{ counts = [1] }", "", "counts without values", "values beside them"),
        ],
    )
    def test_that_is_none_is_said_at_its_key(
        self, faults: Faults, written: str, key: str, found: str, expected: str
    ) -> None:
        (fault,) = faults(f"{ROUTINE}\n[decision]\nprocess = {written}\n")
        assert fault.key == f"decision.process{key}"
        assert fault.line == len(ROUTINE.splitlines()) + 3
        assert found in fault.found
        assert expected in fault.expected
        assert fault.mend

    def test_of_a_characteristic_with_an_unknown_key_is_told_its_own(self, faults: Faults) -> None:
        own = 'process = { valu = "0 um", standard = "1 um" }'
        found = faults(ROUTINE.replace('upper = "+3 um"', f'upper = "+3 um"\n{own}'))
        (fault,) = (fault for fault in found if "unknown" in fault.found)
        assert fault.key == "characteristics.thickness.process.valu"
        assert fault.mend == "did you mean value?"
