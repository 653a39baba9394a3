"""The schema for editors: what it takes, what it refuses and where, and what plugins add to it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import BeforeValidator, Field
from typer.testing import CliRunner

from holdzero import hooks
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.cli import app
from holdzero.editing import fragment_schema, plugin_tables, routine_schema, shop_schema
from holdzero.errors import HoldzeroError
from holdzero.estimate import KEYS
from holdzero.quantity import Dimension
from holdzero.routine import forms
from holdzero.routine.load import plain_data
from holdzero.testing import PLAIN

ROOT = Path(__file__).parents[2]
ROUTINES = sorted((ROOT / "routines").glob("*.toml"))
FRAGMENTS = sorted((ROOT / "routines" / "fragments").glob("*.toml"))
STEP = '[[steps]]\ndo = "zero"\ntimes = 3\n'
TERM = '\n[[terms]]\nname = "stand"\nvalue = "0 um"\n'

Wrong = Callable[..., list[tuple[str, str]]]


def document_of(text: str) -> Any:
    return plain_data(tomllib.loads(text))


def changed(old: str, new: str, text: str = PLAIN) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


@pytest.fixture(scope="module")
def of_routine(catalogue: Catalogue) -> Draft202012Validator:
    return Draft202012Validator(routine_schema(catalogue))


@pytest.fixture
def wrong(of_routine: Draft202012Validator) -> Wrong:
    """What is wrong with a routine: where, and by which keyword of the schema."""

    def go(text: str) -> list[tuple[str, str]]:
        errors = of_routine.iter_errors(document_of(text))
        return sorted((error.json_path.removeprefix("$.").removeprefix("$"), str(error.validator)) for error in errors)

    return go


class TestTheSchemas:
    WAYS = (routine_schema, fragment_schema, shop_schema)

    @pytest.mark.parametrize("make", WAYS)
    def test_are_schemas_of_their_draft(self, catalogue: Catalogue, make: Callable[[Catalogue], Any]) -> None:
        schema = make(catalogue)
        Draft202012Validator.check_schema(schema)
        assert schema["title"].startswith("holdzero ")
        assert schema["title"].endswith(", format 1")

    @pytest.mark.parametrize("make", WAYS)
    def test_name_no_host_but_the_drafts(self, catalogue: Catalogue, make: Callable[[Catalogue], Any]) -> None:
        text = json.dumps(make(catalogue))
        assert re.findall(r"https?://[^\"]*", text) == ["https://json-schema.org/draft/2020-12/schema"]
        assert "$id" not in text

    @pytest.mark.parametrize("make", WAYS)
    def test_are_the_same_each_time(self, make: Callable[[Catalogue], Any]) -> None:
        assert json.dumps(make(load_catalogue())) == json.dumps(make(load_catalogue()))

    def test_hide_what_nobody_writes(self, catalogue: Catalogue) -> None:
        defs = routine_schema(catalogue)["$defs"]
        assert "kind" not in defs["Read"]["properties"]
        assert "estimate" not in defs["Term"]["properties"]
        assert "null" not in json.dumps(defs)

    def test_show_no_default_in_an_inside_unit(self, catalogue: Catalogue) -> None:
        defs = routine_schema(catalogue)["$defs"]
        assert "default" not in defs["Bracket"]["properties"]["longest_absence"]
        assert "default" not in defs["Comparator"]["properties"]["error"]
        assert defs["Decision"]["properties"]["conformance"]["default"] == 0.95

    def test_explain_every_key(self, catalogue: Catalogue) -> None:
        schema = routine_schema(catalogue)
        tables = {"": schema, **schema["$defs"]}
        bare = [
            f"{name}.{key}"
            for name, table in tables.items()
            for key, item in table.get("properties", {}).items()
            if key != "do" and not {"description", "$ref"} & item.keys() and item.get("items", {}).keys() != {"$ref"}
        ]
        assert bare == [".characteristics"]

    def test_have_the_keys_of_an_estimate_that_are_read(self) -> None:
        assert tuple(forms.estimate(Dimension.LENGTH)["properties"]) == KEYS

    def test_know_the_materials(self, catalogue: Catalogue) -> None:
        schema = routine_schema(catalogue)
        assert schema["$defs"]["PartMaterial"]["properties"]["material"]["$ref"] == "#/$defs/material"
        assert "tungsten carbide" in schema["$defs"]["material"]["examples"]


class TestWhatIsValid:
    @pytest.mark.parametrize("path", ROUTINES, ids=lambda path: path.stem)
    def test_is_every_shipped_routine(self, wrong: Wrong, path: Path) -> None:
        assert wrong(path.read_text("utf-8")) == []

    @pytest.mark.parametrize("path", FRAGMENTS, ids=lambda path: path.stem)
    def test_is_every_shipped_fragment_as_a_fragment_alone(
        self, catalogue: Catalogue, of_routine: Draft202012Validator, path: Path
    ) -> None:
        document = document_of(path.read_text("utf-8"))
        assert Draft202012Validator(fragment_schema(catalogue)).is_valid(document)
        assert not of_routine.is_valid(document)

    def test_is_a_placeholder_for_any_value(self, wrong: Wrong) -> None:
        text = (
            changed('"5 mm"\nlower = "-3 um"', '"{size}"\nlower = "-{tolerance}"')
            .replace('size = "5 mm"\ndeviation = "0 um"', 'size = "{size}"\ndeviation = "{deviation}"')
            .replace('at = "a"\nnominal', 'at = "{places}"\nnominal')
            .replace("times = 3\nsteps", 'times = "{rounds}"\nsteps')
            .replace("[characteristics", '[decision]\nrule = "{rule}"\nguard = "{guard}"\n\n[characteristics')
        )
        assert text.count("{size}") == 2
        assert wrong(f'{text}\n[parameters]\nrounds = 3\n[family.small]\nsize = "5 mm"\nplaces = ["a", "b"]\n') == []

    @pytest.mark.parametrize("written", ['"{{size}}"', '"{size"', '"size}"', '"{5 mm}"', '"{}"'])
    def test_is_no_brace_that_is_no_placeholder(self, wrong: Wrong, written: str) -> None:
        assert wrong(changed('nominal = "5 mm"', f"nominal = {written}")) == [
            ("characteristics.thickness.nominal", "pattern")
        ]

    def test_is_a_check_that_is_not_loaded_here(self, wrong: Wrong) -> None:
        assert wrong(f"{PLAIN}\n[checks.of_the_house]\nanything = 3\n") == []

    def test_is_a_step_of_a_plugins_kind(self, wrong: Wrong) -> None:
        assert wrong(changed(STEP, f'[[steps]]\ndo = "clean"\nsolvent = false\n\n{STEP}')) == []

    def test_are_settings_of_the_rule_that_is_named(self, wrong: Wrong) -> None:
        text = f'{PLAIN}\n[decision]\nrule = "ratio"\nsettings = {{ least = 10 }}\n'
        assert wrong(text) == []
        assert wrong(text.replace("least", "lest")) == [("decision.settings", "additionalProperties")]
        assert wrong(text.replace("ratio", "guarded")) == [("decision.settings", "maxProperties")]

    @pytest.mark.parametrize(
        "process",
        [
            '{ value = "0 um", standard = "1 um" }',
            '{ shape = "gamma", value = "1 um", standard = "1 um", lowest = "0 um", why = "May" }',
            '{ values = ["0 um", "1 um"], counts = [1, 2.5] }',
        ],
    )
    def test_is_a_process_of_each_form(self, wrong: Wrong, process: str) -> None:
        assert wrong(f"{PLAIN}\n[decision]\nprocess = {process}\n") == []
        assert wrong(changed('upper = "+3 um"', f'upper = "+3 um"\nprocess = {process}')) == []

    def test_is_a_change_of_force_without_its_value(self, wrong: Wrong) -> None:
        settings = 'deflection = "0.2 um/N"\nforce_change = { halfwidth = "0.1 N" }\n'
        assert wrong(f"{PLAIN}\n[checks.indicator]\n{settings}") == []


class TestADevice:
    WHOLE = 'resolution = "0.1 um"\ntravel = "50 um"'

    @pytest.mark.parametrize(
        "required", ['largest_resolution = "0.1 um"', 'largest_resolution = "0.1 um"\nsmallest_travel = "50 um"']
    )
    def test_may_be_what_is_required(self, wrong: Wrong, required: str) -> None:
        assert wrong(changed(self.WHOLE, required)) == []

    def test_that_is_half_required_is_told_what_a_requirement_may_have(self, wrong: Wrong) -> None:
        text = changed(self.WHOLE, 'largest_resolution = "0.1 um"\ntravel = "50 um"')
        assert wrong(text) == [("comparator", "additionalProperties")]

    def test_reference_with_size_and_material_alone_is_required(self, wrong: Wrong) -> None:
        text = changed('name = "Block 5 mm"\n', "")
        assert wrong(changed('deviation = "0 um"\n', 'largest_expanded = "0.1 um"\n', text)) == []
        assert wrong(changed('deviation = "0 um"\n', "")) == [("reference", "required")]


AT = "characteristics.thickness"
HEAD = "format = 1\n"


class TestAFault:
    @pytest.mark.parametrize(
        ("old", "new", "where", "keyword"),
        [
            ("upper", "uper", AT, "additionalProperties"),
            ('upper = "+3 um"', "upper = 3", f"{AT}.upper", "type"),
            ('nominal = "5 mm"', 'nominal = "5"', f"{AT}.nominal", "pattern"),
            ('nominal = "5 mm"', 'nominal = "-5 mm"', f"{AT}.nominal", "pattern"),
            ('"+3 um"', '"+3 N"', f"{AT}.upper", "pattern"),
            ('"+3 um"', '"+3 mil"', f"{AT}.upper", "pattern"),
            ('measure = "size"', 'measure = "sise"', f"{AT}.measure", "anyOf"),
            ('measure = "size"', "measure = 3", f"{AT}.measure", "anyOf"),
            ('measure = "size"\n', "", AT, "required"),
            ('at = "a"\nnominal', "at = []\nnominal", f"{AT}.at", "minItems"),
            ('at = "a"\nnominal', 'at = ["a", 3]\nnominal', f"{AT}.at[1]", "type"),
            ('at = "a"\nnominal', 'at = ["a", "a"]\nnominal', f"{AT}.at", "uniqueItems"),
            ('at = "a"\nnominal', 'at = "  "\nnominal', f"{AT}.at", "pattern"),
            ('measure = "size"\nat = "a"\nnominal = "5 mm"', 'measure = "step"\nat = "a"', AT, "required"),
            ('measure = "size"\nat = "a"\nnominal = "5 mm"', 'measure = "variation"\nat = "a"', f"{AT}.at", "pattern"),
            (
                'measure = "size"\nat = "a"\nnominal = "5 mm"',
                'measure = "crown"\nat = ["a", "b"]',
                f"{AT}.at",
                "minItems",
            ),
            ("format = 1", "format = 2", "format", "const"),
            ("format = 1", "format = true", "format", "const"),
            ("format = 1\n", "", "", "required"),
            ('part = "W-1"\n', "", "routine", "required"),
            ('part = "W-1"', "part = 3", "routine.part", "type"),
            (HEAD, 'format = 1\nchekcs = "x"\n', "", "additionalProperties"),
            ('title = "Washer, thickness"', 'unit = "mm"\ntitle = "W"', "routine", "additionalProperties"),
            ('deviation = "0 um"', "deviation = 0", "reference.deviation", "type"),
            ('deviation = "0 um"', 'deviation = "0"', "reference.deviation", "pattern"),
            ('material = "steel"', 'due = "soon"', "reference.due", "pattern"),
            ('material = "steel"', 'due = "2027-13-01"', "reference.due", "pattern"),
            ('material = "steel"', "due = 2027-05-31T10:00:00", "reference.due", "pattern"),
            ('travel = "50 um"', 'tip = { radus = "1 mm" }', "comparator.tip", "additionalProperties"),
            ('travel = "50 um"', 'unit = "mil"', "comparator.unit", "pattern"),
            ('travel = "50 um"', 'unit = "div"', "comparator", "required"),
            ('do = "return"', 'do = "retrun"', "steps[2].do", "anyOf"),
            ('do = "return"', 'say = "Go back"', "steps[2]", "required"),
            ('do = "return"', "do = 3", "steps[2].do", "anyOf"),
            ('do = "return"', 'do = "return"\nat = "a"', "steps[2]", "additionalProperties"),
            ('do = "return"', 'do = "soak"\nat_least = 20', "steps[2].at_least", "type"),
            ('do = "return"', 'do = "soak"\nat_least = "20 mm"', "steps[2].at_least", "pattern"),
            ('do = "return"', 'do = "clean"\nsolvent = "no"', "steps[2].solvent", "pattern"),
            ('do = "return"', 'include = "x.toml"\nsay = "x"', "steps[2]", "additionalProperties"),
            ('do = "zero"\ntimes = 3', 'do = "zero"\ntimes = 0', "steps[0].times", "minimum"),
            ('do = "zero"\ntimes = 3', 'do = "zero"\ntimes = 2.5', "steps[0].times", "type"),
            ('do = "zero"\ntimes = 3', 'do = "zero"\ntimes = "3"', "steps[0].times", "pattern"),
            ('"repeat"\ntimes = 3\n', '"repeat"\n', "steps[1]", "oneOf"),
            ('{ do = "read", at = "a" }', '{ do = "raed", at = "a" }', "steps[1].steps[0].do", "anyOf"),
            ('{ do = "read", at = "a" }', '{ do = "read" }', "steps[1].steps[0]", "required"),
        ],
    )
    def test_is_refused_at_its_place_and_there_alone(
        self, wrong: Wrong, old: str, new: str, where: str, keyword: str
    ) -> None:
        assert wrong(changed(old, new)) == [(where, keyword)]

    @pytest.mark.parametrize(
        ("more", "where", "keyword"),
        [
            ("[decision]\nguard = true\n", "decision.guard", "type"),
            ("[decision]\nconformance = 7.5\n", "decision.conformance", "exclusiveMaximum"),
            ('[decision]\nrule = "guardet"\n', "decision.rule", "anyOf"),
            ("[bracket]\nlimt = 3\n", "bracket", "additionalProperties"),
            (f'{TERM}halfwith = "0.1 um"\n', "terms[0]", "additionalProperties"),
            (f'{TERM}halfwidth = "0.1 K"\n', "terms[0].halfwidth", "pattern"),
            (f'{TERM}halfwidth = "-0.1 um"\n', "terms[0].halfwidth", "pattern"),
            (f'{TERM}expanded = "0.1 um"\n', "terms[0]", "dependentRequired"),
            (f'{TERM}estimate = "0.1 um"\n', "terms[0]", "additionalProperties"),
            ('[checks.repeatability]\nlimit = "0.6"\n', "checks.repeatability.limit", "pattern"),
            ('[checks.repeatability]\nlimt = "0.6 um"\n', "checks.repeatability", "additionalProperties"),
            ('[checks.repeatability]\npooled = "0.6 um"\n', "checks.repeatability.pooled", "pattern"),
            ('[checks.drift]\ndesign = "lineal"\n', "checks.drift.design", "anyOf"),
            ('[checks.drift]\naccepted = { standard = "1 um", dof = "x" }\n', "checks.drift.accepted.dof", "pattern"),
            ('[checks.contact]\nforce = "0.5 um"\n', "checks.contact.force", "pattern"),
            ("[checks]\nfilm = true\n", "checks.film", "type"),
            ("[checks]\nof_the_house = 3\n", "checks.of_the_house", "type"),
            ('[characteristics." b"]\nmeasure = "size"\nat = "a"\n', "characteristics", "pattern"),
            ("[family.a]\n2nd = 3\n", "family.a", "pattern"),
        ],
    )
    def test_in_a_table_more_is_refused_there(self, wrong: Wrong, more: str, where: str, keyword: str) -> None:
        assert wrong(f"{PLAIN}\n{more}") == [(where, keyword)]

    @pytest.mark.parametrize(
        ("written", "keyword"),
        [
            ('{ value = "0 um", expanded = "1 um" }', "dependentRequired"),
            ('{ standard = "1 um" }', "required"),
            ('{ value = "0 um", standrad = "1 um" }', "additionalProperties"),
            ('{ value = "0 um", halfwidth = "1 um", shape = "trapezoid" }', "required"),
            ('{ value = "0 um", dof = 9 }', "anyOf"),
            ("[]", "minItems"),
        ],
    )
    def test_of_an_estimate_is_refused_at_its_key(self, wrong: Wrong, written: str, keyword: str) -> None:
        assert wrong(changed('deviation = "0 um"', f"deviation = {written}")) == [("reference.deviation", keyword)]

    @pytest.mark.parametrize(
        ("written", "where", "keyword"),
        [
            ('{ value = "0 um" }', "", "required"),
            ('{ value = "0 um", standard = "0 um" }', ".standard", "pattern"),
            ('{ values = ["0 um"], counts = [-1] }', ".counts[0]", "minimum"),
            ("{ values = [] }", ".values", "minItems"),
            ('{ shape = "beta", value = "0 um", standard = "1 um" }', ".shape", "anyOf"),
        ],
    )
    def test_of_a_process_is_refused_at_its_key(self, wrong: Wrong, written: str, where: str, keyword: str) -> None:
        assert wrong(f"{PLAIN}\n[decision]\nprocess = {written}\n") == [(f"decision.process{where}", keyword)]

    @pytest.mark.parametrize(
        "written",
        [
            '{ value = "0 um", standard = "1 um", lowest = "0 um" }',
            '{ value = "0 um", standard = "1 um", counts = [1] }',
            '{ values = ["0 um"], standard = "1 um" }',
        ],
    )
    def test_of_keys_of_a_process_that_do_not_go_together_is_refused(
        self, of_routine: Draft202012Validator, written: str
    ) -> None:
        (error,) = of_routine.iter_errors(document_of(f"{PLAIN}\n[decision]\nprocess = {written}\n"))
        assert error.message.startswith("False schema does not allow")

    def test_of_two_uncertainties_is_refused_at_the_second(self, of_routine: Draft202012Validator) -> None:
        two = '{ value = "0 um", standard = "1 um", halfwidth = "2 um" }'
        (error,) = of_routine.iter_errors(document_of(changed('deviation = "0 um"', f"deviation = {two}")))
        assert error.message == "False schema does not allow '2 um'"

    @pytest.mark.parametrize("answer", ["temperature difference", "time", "number"])
    def test_of_an_asking_step_is_that_its_keys_do_not_go_together(self, wrong: Wrong, answer: str) -> None:
        ask = '[[steps]]\ndo = "ask"\nname = "x"\n'
        assert wrong(changed(STEP, f'{ask}answer = "{answer}"\nchoices = ["a"]\n\n{STEP}')) == [
            ("steps[0].choices", "maxItems")
        ]
        assert wrong(changed(STEP, f'{ask}unit = "mm"\n\n{STEP}')) == [("steps[0].unit", "maxLength")]


class Depth(hooks.Settings):
    """A row of `tried`."""

    depth: hooks.Size = Field(description="How deep it lay.")


class Bath(hooks.Settings):
    """`[checks.bath]`."""

    tried: tuple[Depth, ...] = Field((), description="Where it was tried.")
    filled: bool = Field(False, strict=True, description="Whether it is full.")
    level: Annotated[float, BeforeValidator(float)] = Field(0.0, description="Whatever a float can be made of.")
    hidden: str = Field("", exclude=True)


class Thing:
    """No schema can say what it is."""


class Odd(hooks.Settings):
    """Settings that JSON has no word for."""

    thing: Thing | None = None


def plugin(hook: str, *declared: object) -> ModuleType:
    """A plugin's module that declares these."""

    @hooks.hookimpl
    def declare() -> Sequence[object]:
        return declared

    module = ModuleType(f"plugin_{hook}")
    setattr(module, f"holdzero_{hook}", declare)
    return module


def judge(settings: Any, run: Any, characteristics: Any) -> tuple[hooks.Finding, ...]:
    del settings, run, characteristics
    return ()


def steps(settings: Any) -> list[dict[str, str]]:
    return [{"do": "prepare", "say": settings.depth}]


def known(*modules: ModuleType) -> Draft202012Validator:
    """The schema of a routine where these plugins are loaded."""
    catalogue = load_catalogue(modules=modules)
    assert catalogue.refusals == []
    return Draft202012Validator(routine_schema(catalogue))


class TestAPlugin:
    CHECK = hooks.Check(name="bath", title="how the bath is", settings=Bath, judge=judge)

    def test_shows_the_settings_of_its_check(self) -> None:
        table = known(plugin("checks", self.CHECK)).schema["$defs"]["checks.bath"]
        assert table["title"] == "bath: how the bath is"
        assert list(table["properties"]) == ["tried", "filled", "level"]
        assert table["properties"]["filled"]["description"] == "Whether it is full."

    @pytest.mark.parametrize(
        ("settings", "faults"),
        [
            ('tried = [ { depth = "2 mm" } ]\nlevel = "0.5"', []),
            ('tried = [ { depth = "2 K" } ]', ["$.checks.bath.tried[0].depth"]),
            ("tried = [ { depht = 1 } ]", ["$.checks.bath.tried[0]", "$.checks.bath.tried[0]"]),
            ("filled = 1", ["$.checks.bath.filled"]),
            ('hidden = "x"', ["$.checks.bath"]),
        ],
    )
    def test_has_the_settings_of_its_check_looked_at(self, settings: str, faults: list[str]) -> None:
        document = document_of(f"{PLAIN}\n[checks.bath]\n{settings}\n")
        errors = known(plugin("checks", self.CHECK)).iter_errors(document)
        assert [error.json_path for error in errors] == faults

    def test_adds_its_kind_of_step(self, wrong: Wrong) -> None:
        kind = hooks.StepKind(name="dip", title="dip it", settings=Depth, steps=steps)
        text = changed(STEP, f'[[steps]]\ndo = "dip"\ndepth = "2 mm"\n\n{STEP}')
        assert wrong(text) == [("steps[0].do", "anyOf")]
        validator = known(plugin("steps", kind))
        assert validator.is_valid(document_of(text))
        assert not validator.is_valid(document_of(text.replace('depth = "2 mm"', "")))
        assert "`dip`: dip it" in validator.schema["$defs"]["step"]["properties"]["do"]["description"]

    def test_adds_its_measure_and_how_many_places_it_needs(self) -> None:
        bow = hooks.Contrast(name="bow", title="bow", weights=lambda places: [1.0] * places, fewest=3, most=4)
        validator = known(plugin("measures", bow))
        for count, valid in ((2, False), (3, True), (4, True), (5, False)):
            at = json.dumps(list("abcde"[:count]))
            text = changed('measure = "size"\nat = "a"\nnominal = "5 mm"', f'measure = "bow"\nat = {at}')
            assert validator.is_valid(document_of(text)) is valid

    def test_adds_its_rule(self) -> None:
        rule = hooks.GuardRule(
            name="half", title="half U", settings=Depth, guard=lambda *_: 0.0, words=lambda _: "half U"
        )
        validator = known(plugin("rules", rule))
        text = f'{PLAIN}\n[decision]\nrule = "half"\n'
        assert not validator.is_valid(document_of(text))  # its settings have a key that is required
        assert validator.is_valid(document_of(f'{text}settings = {{ depth = "1 um" }}\n'))

    def test_with_settings_that_no_schema_can_say_may_have_any(self) -> None:
        odd = hooks.Check(name="odd", title="odd", settings=Odd, judge=judge)
        validator = known(plugin("checks", odd))
        assert validator.is_valid(document_of(f"{PLAIN}\n[checks.odd]\nthing = 3\n"))
        assert not validator.is_valid(document_of(f"{PLAIN}\n[checks]\nodd = 3\n"))


class TestTheShop:
    SHOP = """
format = 1
[plugins]
folder = "house"
budget = "0.3 s"
[reference.B5]
size = "5 mm"
deviation = "0.02 um"
due = 2036-05-31
[inspector.ti]
name = "T. Ester"
"""

    @pytest.mark.parametrize(
        ("old", "new", "where"),
        [
            ("format", "format", None),
            ('"5 mm"', '"{size}"', "$.reference.B5.size"),
            ('budget = "0.3 s"', "budget = 0.3", "$.plugins.budget"),
            ("deviation", "deviaton", "$.reference.B5"),
            ("[inspector.ti]", "[inspectors.ti]", "$"),
        ],
    )
    def test_is_a_file_without_placeholders(self, catalogue: Catalogue, old: str, new: str, where: str | None) -> None:
        document = document_of(changed(old, new, self.SHOP))
        found = {error.json_path for error in Draft202012Validator(shop_schema(catalogue)).iter_errors(document)}
        assert found == ({where} if where else set())


class TestTheCommand:
    def test_prints_the_schema_of_a_routine(self, catalogue: Catalogue) -> None:
        done = CliRunner().invoke(app, ["schema"])
        assert done.exit_code == 0
        assert done.stdout.endswith("}\n")
        assert done.stdout.isascii()
        assert json.loads(done.stdout) == routine_schema(catalogue)

    @pytest.mark.parametrize("of", ["fragment", "shop"])
    def test_writes_that_of_another_file(self, tmp_path: Path, of: str) -> None:
        done = CliRunner().invoke(app, ["schema", "--for", of, "--out", str(tmp_path / "x.json")])
        assert (done.exit_code, done.stdout) == (0, "")
        assert json.loads((tmp_path / "x.json").read_text("ascii"))["title"] == f"holdzero {of}, format 1"

    @pytest.mark.parametrize(("arguments", "said"), [(["--for", "part"], "one of"), (["--out", "/"], "it is a folder")])
    def test_says_what_it_can_not_do(self, arguments: list[str], said: str) -> None:
        done = CliRunner().invoke(app, ["schema", *arguments])
        assert done.exit_code != 0
        assert isinstance(done.exception, HoldzeroError)
        assert said in str(done.exception)

    def test_knows_the_house_folder_of_a_shop_that_is_named_and_tells_of_what_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / "shop.toml").write_text('[plugins]\nfolder = "."\nenabled = ["tub", "lost"]\n', "utf-8")
        (tmp_path / "tub.py").write_text(HOUSE, "utf-8")
        done = CliRunner().invoke(app, ["schema", "--shop", str(tmp_path / "shop.toml")])
        assert json.loads(done.stdout)["$defs"]["checks.tub"]["title"] == "tub: is there a tub"
        assert done.stderr == "note: lost was refused and is not in the schema; see: holdzero plugins\n"


HOUSE = """
from holdzero.hooks import Check, Settings, hookimpl

class Tub(Settings):
    pass

def judge(settings, run, characteristics):
    return ()

@hookimpl
def holdzero_checks():
    return [Check(name="tub", title="is there a tub", settings=Tub, judge=judge)]
"""


class TestTheDocumentation:
    GUIDE = (ROOT / "plugins" / "README.md").read_text("utf-8")
    ROUTINES = (ROOT / "routines" / "README.md").read_text("utf-8")

    def test_has_the_tables_of_what_the_built_in_plugins_add(self) -> None:
        (tables,) = re.findall(r"<!-- keys: begin -->\n(.*)<!-- keys: end -->", self.GUIDE, flags=re.DOTALL)
        done = subprocess.run([sys.executable, "-m", "holdzero.editing"], capture_output=True, check=True)
        assert tables == done.stdout.decode("utf-8")

    def test_has_tables_for_every_check_step_and_rule(self, catalogue: Catalogue) -> None:
        tables = plugin_tables(catalogue)
        heads = [f"### `[checks.{name}]`" for name in catalogue.checks]
        heads += [f'### `do = "{name}"`' for name in catalogue.steps]
        heads += [f'with `rule = "{name}"`' for name in catalogue.rules]
        assert [head for head in heads if head not in tables] == []
        assert "| `steel` | 11.5 ± 1 |" in tables

    def test_says_how_an_editor_gets_the_schema(self) -> None:
        commands = re.findall(r"holdzero schema[^\n`]*", self.ROUTINES)
        assert commands == ["holdzero schema --out routine.schema.json", "holdzero schema --for fragment"]
        (example,) = re.findall(r"^#:schema .*$", self.ROUTINES, flags=re.MULTILINE)
        assert tomllib.loads(example) == {}
