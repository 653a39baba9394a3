"""Part families, parameters and fragments: what is put in their place, and where a fault in them is said to be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.errors import Fault, FileFaultsError
from holdzero.routine import schema
from holdzero.routine.load import LoadedRoutine, dump_routine, load_routine, members

HEAD = """\
format = 1

[routine]
title = "Washer {size}, thickness"
part = "W-1"

[reference]
name = "Block"
size = "{size}"
deviation = "0 um"

[comparator]
resolution = "0.1 um"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "{size}"

"""
STEPS = '[[steps]]\ndo = "zero"\n[[steps]]\ndo = "read"\nat = "a"\n[[steps]]\ndo = "return"\n'
FAMILY = '[parameters]\nsize = "5 mm"\n[family.small]\n[family.large]\nsize = "10 mm"\n'
INCLUDE = '[[steps]]\ninclude = "clean.toml"\n'
CLEAN = """\
format = 1

[parameters]
what = "the part"
wait = "20 min"

[[steps]]
do = "prepare"
say = "Wipe {what}."

[[steps]]
do = "soak"
at_least = "{wait}"
"""

Files: TypeAlias = Callable[..., Path]


@pytest.fixture
def files(tmp_path: Path) -> Files:
    """Writes the main routine and fragments beside it; gives the path of the main one."""

    def go(main: str, **fragments: str) -> Path:
        for name, text in fragments.items():
            (tmp_path / f"{name}.toml").write_text(text, "utf-8")
        path = tmp_path / "washer.toml"
        path.write_text(main, "utf-8")
        return path

    return go


def fault_of(path: Path, member: str | None = None) -> Fault:
    faults = faults_of(path, member)
    assert len(faults) == 1, faults
    return faults[0]


def faults_of(path: Path, member: str | None = None) -> tuple[Fault, ...]:
    with pytest.raises(FileFaultsError) as caught:
        load_routine(path, member)
    return caught.value.faults


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, part
    return text.count("\n", 0, text.index(part)) + 1


def size_of(loaded: LoadedRoutine) -> float:
    assert isinstance(loaded.routine.reference, schema.Reference)
    return loaded.routine.reference.size


def sayings(loaded: LoadedRoutine) -> list[str]:
    return [step.say or step.do for step in schema.walk(loaded.routine.steps)]


class TestAPartFamily:
    def test_names_its_members(self, files: Files) -> None:
        assert members(files(HEAD + STEPS + FAMILY)) == ("small", "large")

    @pytest.mark.parametrize(("member", "size"), [("small", 5000.0), ("large", 10_000.0)])
    def test_puts_each_members_values_in_place(self, files: Files, member: str, size: float) -> None:
        loaded = load_routine(files(HEAD + STEPS + FAMILY), member)
        routine = loaded.routine
        assert size_of(loaded) == size
        assert routine.characteristics["thickness"].nominal == size
        assert routine.routine.title == f"Washer {size / 1000:g} mm, thickness"

    def test_leaves_no_trace_in_the_document_that_records_keep(self, files: Files) -> None:
        loaded = load_routine(files(HEAD + STEPS + FAMILY), "large")
        assert not {"parameters", "family"} & loaded.document.keys()
        assert "{" not in dump_routine(loaded.document).replace("{ ", "")

    def test_gives_members_different_digests(self, files: Files) -> None:
        path = files(HEAD + STEPS + FAMILY)
        assert load_routine(path, "small").digest != load_routine(path, "large").digest

    def test_may_do_without_defaults(self, files: Files) -> None:
        text = HEAD + STEPS + '[family.large]\nsize = "10 mm"\n'
        assert size_of(load_routine(files(text), "large")) == 10_000.0

    def test_asks_which_member(self, files: Files) -> None:
        text = HEAD + STEPS + FAMILY
        fault = fault_of(files(text))
        assert (fault.key, fault.line) == ("family", line_of(text, "[family.small]"))
        assert (fault.expected, fault.mend) == ("one of small, large", "name it with --member")

    def test_does_not_know_a_member_that_is_misspelled(self, files: Files) -> None:
        fault = fault_of(files(HEAD + STEPS + FAMILY), "lrage")
        assert (fault.found, fault.expected) == ("'lrage'", "one of small, large")

    def test_is_not_there_when_a_member_is_named(self, files: Files) -> None:
        fault = fault_of(files(HEAD.replace("{size}", "5 mm") + STEPS), "large")
        assert fault.expected == "no member: this routine has no family"

    def test_does_not_let_a_misspelled_parameter_leave_the_default_in_place(self, files: Files) -> None:
        text = HEAD + STEPS + FAMILY.replace('size = "10 mm"', 'sise = "10 mm"')
        fault = fault_of(files(text), "large")
        assert (fault.key, fault.found, fault.expected) == ("family.large.sise", "sise", "one of size")
        assert fault.line == line_of(text, "sise")

    @pytest.mark.parametrize("written", ["family = 3\n", "parameters = 3\n", "family = [3]\n"])
    def test_and_its_parameters_are_tables(self, files: Files, written: str) -> None:
        fault = fault_of(files(written + HEAD + STEPS))
        assert (fault.line, fault.expected) == (1, "a table")

    def test_has_tables_for_members(self, files: Files) -> None:
        fault = fault_of(files(HEAD + STEPS + "[family]\nlarge = 3\n"), "large")
        assert (fault.key, fault.mend) == ("family.large", "write [family.large]")


class TestAParameter:
    def test_keeps_its_kind_where_it_stands_alone(self, files: Files) -> None:
        steps = STEPS.replace('do = "zero"', 'do = "zero"\ntimes = "{lifts}"')
        path = files(HEAD.replace("{size}", "5 mm") + steps + "[parameters]\nlifts = 3\n")
        assert load_routine(path).document["steps"][0]["times"] == 3

    def test_may_be_a_whole_table(self, files: Files) -> None:
        main = HEAD.replace("{size}", "5 mm").replace('"0 um"', '"{deviation}"')
        main += STEPS + '[parameters]\ndeviation = { value = "1 um", standard = "0.1 um" }\n'
        reference = load_routine(files(main)).routine.reference
        assert isinstance(reference, schema.Reference)
        assert (reference.deviation.value, reference.deviation.standard_uncertainty) == (1.0, 0.1)

    def test_is_put_into_a_longer_text(self, files: Files) -> None:
        main = HEAD.replace("Washer {size}", "{{{size}}} of {number}") + STEPS
        path = files(main + '[parameters]\nsize = "5 mm"\nnumber = 3\n')
        assert load_routine(path).routine.routine.title == "{5 mm} of 3, thickness"

    def test_that_is_not_set_is_located_where_it_is_used(self, files: Files) -> None:
        text = HEAD + STEPS.replace('"a"', '"{plase}"') + '[parameters]\nsize = "5 mm"\n'
        fault = fault_of(files(text))
        assert (fault.key, fault.line) == ("steps[2].at", line_of(text, "plase"))
        assert (fault.found, fault.expected) == ("{plase}", "one of size")

    def test_means_nothing_in_a_routine_that_sets_none(self, files: Files) -> None:
        path = files(HEAD.replace('"{size}"', '"5 mm"') + STEPS)
        assert load_routine(path).routine.routine.title == "Washer {size}, thickness"

    def test_of_the_wrong_unit_is_located_where_it_is_used(self, files: Files) -> None:
        text = HEAD + STEPS + '[parameters]\nsize = "5 K"\n'
        keys = {fault.key: fault.line for fault in faults_of(files(text))}
        assert keys == {
            "reference.size": line_of(text, 'size = "{size}"'),
            "characteristics.thickness.nominal": line_of(text, "nominal"),
        }


class TestAParameterMadeOfOthers:
    LIMITS = 'nominal = "{size}"\nlower = "-{tolerance}"\nupper = "{tolerance}"\n'
    TEXT = HEAD.replace('"0 um"', '"{deviation}"').replace('nominal = "{size}"\n', LIMITS) + STEPS
    PARAMETERS = """\
[parameters]
grade = "0.12"
known = { expanded = "{grade} um", coverage = 2 }
deviation = { value = "0 um", standard = "{grade} um" }
tolerance = "{wide} um"
wide = 3
[family.small]
size = "5 mm"
[family.large]
size = "10 mm"
wide = 4
deviation = { value = "+{wide} um", standard = "{grade} um", why = "{{{size}}}" }
"""

    def text(self) -> str:
        return self.TEXT + self.PARAMETERS.replace('known = { expanded = "{grade} um", coverage = 2 }\n', "")

    def test_is_put_together_inside_a_table_too(self, files: Files) -> None:
        routine = load_routine(files(self.text()), "small").routine
        assert isinstance(routine.reference, schema.Reference)
        assert (routine.reference.deviation.value, routine.reference.deviation.standard_uncertainty) == (0.0, 0.12)
        assert routine.characteristics["thickness"].upper == 3.0

    def test_takes_what_the_member_says(self, files: Files) -> None:
        routine = load_routine(files(self.text()), "large").routine
        assert isinstance(routine.reference, schema.Reference)
        assert (routine.reference.deviation.value, routine.reference.deviation.standard_uncertainty) == (4.0, 0.12)
        assert routine.reference.deviation.why == "{10 mm}"
        assert routine.characteristics["thickness"].lower == -4.0

    def test_or_of_none_that_is_set_is_located_where_it_stands(self, files: Files) -> None:
        text = self.text().replace('"{wide} um"', '"{wade} um"')
        fault = fault_of(files(text), "small")
        assert (fault.key, fault.line) == ("parameters.tolerance", line_of(text, "wade"))
        assert fault.found == "{wade}"

    def test_is_not_made_of_itself(self, files: Files) -> None:
        text = self.text().replace("wide = 3", 'wide = "{tolerance}"')
        fault = fault_of(files(text), "small")
        assert (fault.key, fault.found) == ("parameters.tolerance", "tolerance → wide → tolerance")

    def test_makes_no_text_without_end(self, files: Files) -> None:
        many = "".join(f'p{n} = "{{p{n - 1}}}{{p{n - 1}}}{{p{n - 1}}}{{p{n - 1}}}{{p{n - 1}}}"\n' for n in range(1, 8))
        main = HEAD.replace("{size}", "5 mm").replace("Washer", "{p7}") + STEPS
        fault = fault_of(files(main + f'[parameters]\np0 = "{"x" * 100}"\n' + many))
        assert fault.found == "parameters that make a text without end"

    def test_in_a_fragment_may_be_made_of_what_is_given(self, files: Files) -> None:
        clean = CLEAN.replace('"20 min"', '"{time} min"').replace("[parameters]\n", "[parameters]\ntime = 20\n")
        main = TestAFragment.MAIN + INCLUDE + "with = { time = 5 }\n" + STEPS
        assert load_routine(files(main, clean=clean)).document["steps"][1]["at_least"] == "5 min"


class TestAParameterThatNothingNeeds:
    def test_is_refused(self, files: Files) -> None:
        text = HEAD.replace("{size}", "5 mm") + STEPS + '[parameters]\nsise = "5 mm"\n'
        fault = fault_of(files(text))
        assert (fault.key, fault.line, fault.found) == ("parameters.sise", line_of(text, "sise"), "sise")
        assert fault.mend == "no text holds {sise}: check the spelling, or drop it"

    def test_is_refused_where_only_such_another_is_made_of_it(self, files: Files) -> None:
        text = TestAParameterMadeOfOthers.TEXT + TestAParameterMadeOfOthers.PARAMETERS
        assert fault_of(files(text), "small").key == "parameters.known"

    def test_is_needed_where_one_member_alone_takes_it(self, files: Files) -> None:
        text = HEAD + STEPS + '[parameters]\nbase = 5\nsize = "6 mm"\n[family.a]\n[family.b]\nsize = "{base} mm"\n'
        assert size_of(load_routine(files(text), "a")) == 6000.0
        assert size_of(load_routine(files(text), "b")) == 5000.0

    def test_is_refused_in_a_fragment(self, files: Files) -> None:
        clean = CLEAN.replace("{what}", "the part")
        path = files(TestAFragment.MAIN + INCLUDE + 'with = { what = "the ring" }\n' + STEPS, clean=clean)
        fault = fault_of(path)
        assert (fault.file, fault.key) == (str(path.parent / "clean.toml"), "parameters.what")
        assert fault.line == line_of(clean, "what =")


class TestAFragment:
    MAIN = HEAD.replace("{size}", "5 mm")

    def test_puts_its_steps_in_place_of_the_include(self, files: Files) -> None:
        loaded = load_routine(files(self.MAIN + INCLUDE + STEPS, clean=CLEAN))
        assert sayings(loaded) == ["Wipe the part.", "soak", "zero", "read", "return"]

    def test_takes_the_parameters_that_are_given_with_it(self, files: Files) -> None:
        include = INCLUDE + 'with = { what = "the washer", wait = "5 min" }\n'
        loaded = load_routine(files(self.MAIN + include + STEPS, clean=CLEAN))
        assert sayings(loaded)[0] == "Wipe the washer."
        assert loaded.document["steps"][1]["at_least"] == "5 min"

    def test_takes_parameters_of_the_routine_through_it(self, files: Files) -> None:
        include = INCLUDE + 'with = { what = "the {size} washer" }\n'
        loaded = load_routine(files(HEAD + include + STEPS + FAMILY, clean=CLEAN), "large")
        assert sayings(loaded)[0] == "Wipe the 10 mm washer."

    def test_may_be_included_twice_and_inside_a_repeat(self, files: Files) -> None:
        repeat = '[[steps]]\ndo = "repeat"\ntimes = 2\nsteps = [ { include = "clean.toml" }, { do = "zero" } ]\n'
        loaded = load_routine(files(self.MAIN + INCLUDE + repeat + STEPS, clean=CLEAN))
        assert sayings(loaded) == [
            *["Wipe the part.", "soak"],
            *["repeat", "Wipe the part.", "soak", "zero"],
            *["zero", "read", "return"],
        ]

    def test_may_include_another_found_beside_itself(self, files: Files, tmp_path: Path) -> None:
        (tmp_path / "shared").mkdir()
        (tmp_path / "shared" / "outer.toml").write_text('[[steps]]\ninclude = "inner.toml"\n', "utf-8")
        (tmp_path / "shared" / "inner.toml").write_text(CLEAN, "utf-8")
        loaded = load_routine(files(self.MAIN + INCLUDE.replace("clean", "shared/outer") + STEPS))
        assert sayings(loaded)[0] == "Wipe the part."

    def test_counts_into_the_digest(self, files: Files) -> None:
        first = load_routine(files(self.MAIN + INCLUDE + STEPS, clean=CLEAN)).digest
        second = load_routine(files(self.MAIN + INCLUDE + STEPS, clean=CLEAN.replace("Wipe", "Clean"))).digest
        assert first != second

    def test_with_a_fault_is_named_with_its_own_file_and_line(self, files: Files) -> None:
        clean = CLEAN.replace("at_least", "at_lest")
        path = files(self.MAIN + INCLUDE + STEPS, clean=clean)
        missing, unknown = sorted(faults_of(path), key=lambda fault: fault.key)
        assert missing.file == unknown.file == str(path.parent / "clean.toml")
        assert (unknown.key, unknown.line) == ("steps[2].at_lest", line_of(clean, "at_lest"))
        assert (missing.key, missing.line) == ("steps[2].at_least", line_of(clean, '[[steps]]\ndo = "soak"'))

    def test_does_not_move_the_lines_of_the_steps_behind_it(self, files: Files) -> None:
        text = self.MAIN + INCLUDE + STEPS.replace("at =", "att =")
        path = files(text, clean=CLEAN)
        lines = {fault.line for fault in faults_of(path) if fault.key == "steps[4].att"}
        assert lines == {line_of(text, "att =")}
        assert {fault.file for fault in faults_of(path)} == {str(path)}

    def test_with_a_fault_two_files_away_is_named_with_that_file(self, files: Files) -> None:
        inner = CLEAN.replace('"{wait}"', '"{wait} long"')
        path = files(self.MAIN + INCLUDE + STEPS, clean='[[steps]]\ninclude = "inner.toml"\n', inner=inner)
        fault = fault_of(path)
        assert (fault.file, fault.line) == (str(path.parent / "inner.toml"), line_of(inner, "at_least"))
        assert fault.found == "'20 min long'"

    def test_that_uses_a_parameter_which_it_does_not_set_is_located(self, files: Files) -> None:
        clean = CLEAN.replace("{what}", "{waht}")
        path = files(self.MAIN + INCLUDE + STEPS, clean=clean)
        fault = fault_of(path)
        assert (fault.file, fault.line) == (str(path.parent / "clean.toml"), line_of(clean, "waht"))
        assert fault.expected == "one of what, wait"

    def test_that_is_given_a_parameter_which_it_does_not_have_is_located_at_the_include(self, files: Files) -> None:
        text = self.MAIN + INCLUDE + 'with = { waht = "the washer" }\n' + STEPS
        path = files(text, clean=CLEAN)
        fault = fault_of(path)
        assert (fault.file, fault.line, fault.key) == (str(path), line_of(text, "waht"), "steps[1].with.waht")
        assert fault.expected == "one of what, wait"

    def test_that_is_not_there_is_said_at_the_include_and_of_the_file(self, files: Files) -> None:
        text = self.MAIN + INCLUDE + STEPS
        path = files(text)
        include, file = faults_of(path)
        assert (include.key, include.line) == ("steps[1].include", line_of(text, "include"))
        assert (file.file, file.found) == (str(path.parent / "clean.toml"), "No such file or directory")

    def test_holds_steps_only(self, files: Files) -> None:
        path = files(self.MAIN + INCLUDE + STEPS, clean=CLEAN + '[part]\nmaterial = "steel"\n')
        fault = fault_of(path)
        assert (fault.file, fault.key) == (str(path.parent / "clean.toml"), "part")
        assert fault.mend == "a fragment holds steps only"

    @pytest.mark.parametrize(
        ("clean", "key"), [("parameters = 3\nsteps = []\n", "parameters"), ("", "steps"), ("steps = 3\n", "steps")]
    )
    def test_of_another_shape_is_refused(self, files: Files, clean: str, key: str) -> None:
        path = files(self.MAIN + INCLUDE + STEPS, clean=clean)
        fault = fault_of(path)
        assert (fault.file, fault.key) == (str(path.parent / "clean.toml"), key)

    @pytest.mark.parametrize(
        "include",
        [
            "include = 3\n",
            'include = ""\nwith = 3\n',
            'include = "clean.toml"\nwith = [3]\n',
            'include = "a\\nb"\n',
        ],
    )
    def test_is_included_by_a_name_and_a_table(self, files: Files, include: str) -> None:
        fault = fault_of(files(self.MAIN + "[[steps]]\n" + include + STEPS, clean=CLEAN))
        assert (fault.key, fault.mend) == ("steps[1]", "check both")

    def test_of_a_name_that_no_file_can_have_is_refused_at_its_key(self, files: Files) -> None:
        fault = fault_of(files(self.MAIN + '[[steps]]\ninclude = "a\\u0000b"\n' + STEPS, clean=CLEAN))
        assert fault.key == "steps[1].include"

    def test_is_included_by_a_step_that_does_nothing_else(self, files: Files) -> None:
        text = self.MAIN + INCLUDE + 'say = "Clean."\n' + STEPS
        fault = fault_of(files(text, clean=CLEAN))
        assert (fault.key, fault.line) == ("steps[1].say", line_of(text, "say"))


class TestIncludesThatMultiply:
    def test_are_stopped_before_they_fill_the_memory(self, files: Files) -> None:
        many = "".join('[[steps]]\ninclude = "{}.toml"\n' for _ in range(40))
        fragments = {f"f{n}": many.format(*[f"f{n + 1}"] * 40) for n in range(6)}
        main = TestAFragment.MAIN + INCLUDE.replace("clean", "f0") + STEPS
        fault = fault_of(files(main, **fragments, f6='[[steps]]\ndo = "zero"\n'))
        assert (fault.found, fault.mend) == ("steps without end", "look at what is included")


class TestACircleOfIncludes:
    MAIN = HEAD.replace("{size}", "5 mm") + '[[steps]]\ninclude = "one.toml"\n' + STEPS

    @pytest.mark.parametrize("second", ["one", "./one", "../{folder}/one"])
    def test_is_found_however_the_file_is_named(self, files: Files, tmp_path: Path, second: str) -> None:
        name = second.format(folder=tmp_path.name)
        one, two = '[[steps]]\ninclude = "two.toml"\n', f'[[steps]]\ninclude = "{name}.toml"\n'
        fault = fault_of(files(self.MAIN, one=one, two=two))
        assert fault.mend == "break the circle"
        assert fault.key == "steps[1].include"

    def test_of_one_file_is_found(self, files: Files) -> None:
        path = files(self.MAIN, one='[[steps]]\ninclude = "one.toml"\n')
        fault = fault_of(path)
        assert (fault.file, fault.line) == (str(path.parent / "one.toml"), 2)

    def test_through_the_routine_itself_is_found(self, files: Files) -> None:
        path = files(self.MAIN, one='[[steps]]\ninclude = "washer.toml"\n')
        fault = fault_of(path)
        assert (fault.file, fault.key, fault.mend) == (str(path), "routine", "a fragment holds steps only")
