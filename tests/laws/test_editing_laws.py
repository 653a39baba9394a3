"""Laws of the schema for editors: it says what the tool says, as far as a schema can."""

# ruff: noqa: PT017  a law says what holds when a text is refused as well as when it is taken

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import assume, given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter, ValidationError

from holdzero.catalogue import Catalogue
from holdzero.decide import Rule
from holdzero.editing import routine_schema
from holdzero.errors import FileFaultsError, QuantityError
from holdzero.estimate import parse_estimate
from holdzero.quantity import Dimension, parse_quantity, tidy
from holdzero.routine import schema
from holdzero.routine.forms import Sign, estimate, quantity
from holdzero.routine.load import load_routine

LONGEST = 60  # signs of a quantity; a schema that counted them would need more than all dialects have
BLANKS = st.text("\t\n\x0b\x0c\r\x1c\x1f \x85\xa0\u1680\u2003\u2009\u2028\u202f\u3000\ufeff\u200b", max_size=2)
UNITS = sorted({unit for dimension in Dimension for unit in dimension.spellings} | {"mil", "div", "", "1/", "e", "Um"})


@st.composite
def near_quantities(draw: st.DrawFn) -> str:
    """Texts at the border: mostly a number and a unit, with signs, blanks and digits where they may and may not be."""
    sign = draw(st.sampled_from(["", "+", "-", "\u2212", "\u2013", "\u00b1", "--"]))
    whole, point, decimals = (
        draw(st.text("0123456789", max_size=4)),
        draw(st.sampled_from(["", ".", ",", "..", "'"])),
        draw(st.text("0123456789\u0661", max_size=4)),
    )
    power = draw(st.sampled_from(["", "", "e3", "E-6", "e\u22126", "e+12", "e99", "e100", "e", "e-", "e1e"]))
    unit = draw(st.sampled_from(UNITS))
    parts = [draw(BLANKS), sign, draw(BLANKS), whole, point, decimals, power, draw(BLANKS), unit, draw(BLANKS)]
    return "".join(parts)


TEXTS = near_quantities() | st.text(max_size=8) | st.sampled_from(["2/K", "21/degF", "2 1/degF", "1/degF", "1. 1/K"])


def fits(form: dict[str, Any], text: str) -> bool:
    return re.search(form["pattern"], text) is not None


class TestTheFormOfAQuantity:
    @given(text=TEXTS, dimension=st.sampled_from(Dimension))
    def test_is_that_of_the_texts_that_are_read(self, text: str, dimension: Dimension) -> None:
        try:
            parse_quantity(text, dimension)
        except QuantityError as error:
            if fits(quantity(dimension), text):
                assert error.mend == "the number is too large" or len(tidy(text)) > LONGEST
        else:
            assert fits(quantity(dimension), text)

    @given(text=TEXTS)
    def test_above_zero_is_that_of_the_texts_that_a_size_takes(self, text: str) -> None:
        form = quantity(Dimension.LENGTH, Sign.ABOVE)
        try:
            SIZE.validate_python(text)
        except ValidationError as error:
            (first, *_) = error.errors()
            if fits(form, text):
                assert first["ctx"]["mend"] == "the number is too large" or len(tidy(text)) > LONGEST
        else:
            assert fits(form, text)

    @given(text=TEXTS, dimension=st.sampled_from([d for d in Dimension if d is not Dimension.TEMPERATURE]))
    def test_of_an_uncertainty_is_that_of_what_is_not_below_zero(self, text: str, dimension: Dimension) -> None:
        try:
            value = parse_quantity(text, dimension).value
        except QuantityError:
            return
        assert fits(quantity(dimension, Sign.SPREAD), text) == (value >= 0.0)


SIZE: TypeAdapter[float] = TypeAdapter(schema.Size)

KEYS = (
    "value",
    "standard",
    "expanded",
    "coverage",
    "halfwidth",
    "shape",
    "inner",
    "inexact",
    "dof",
    "reliability",
    "why",
)
ITEMS = st.sampled_from(
    ["1 um", "0 um", "-1 um", "1 K", "1", "", "trapezoid", "triangular", "rectangular", "round", 0, 0.25, 2, 3.5, True]
)
TABLES = st.fixed_dictionaries(
    {},
    optional={
        "value": st.sampled_from(["1 um", "-1 um", "0,5 mm"]) | ITEMS,
        **{key: st.sampled_from(["1 um", "0.5 um"]) | ITEMS for key in ("standard", "expanded", "halfwidth")},
        **{key: st.sampled_from(["0.1 um"]) | ITEMS for key in ("inner", "inexact")},
        **{key: st.sampled_from([2, 18]) | ITEMS for key in ("coverage", "dof")},
        "shape": st.sampled_from(["trapezoid", "arcsine"]) | ITEMS,
        "reliability": st.sampled_from([0.25]) | ITEMS,
        "why": st.just("tried") | ITEMS,
        "halfwith": st.just("1 um"),
    },
)
# Drawn with few keys, so that many hold together.
FEW = st.tuples(TABLES, st.sets(st.sampled_from([*KEYS, "halfwith"]), max_size=4)).map(
    lambda drawn: {key: item for key, item in drawn[0].items() if key in drawn[1] | {"value"}}
)
ESTIMATES = st.one_of(ITEMS, FEW, st.lists(ITEMS | FEW, max_size=3), st.just([["1 um"]]))
FORMS = {
    (dimension, about_zero): Draft202012Validator(estimate(dimension, about_zero=about_zero))
    for dimension in (Dimension.LENGTH, Dimension.TEMPERATURE)
    for about_zero in (False, True)
}


class TestTheFormOfAnEstimate:
    @given(raw=ESTIMATES, about_zero=st.booleans())
    def test_is_that_of_what_is_read(self, raw: Any, *, about_zero: bool) -> None:
        taken = FORMS[Dimension.LENGTH, about_zero].is_valid(raw)
        try:
            parse_estimate(raw, Dimension.LENGTH, about_zero=about_zero)
        except QuantityError as error:
            assert not taken or error.expected == "from zero to halfwidth"  # which of two is larger
        else:
            assert taken

    @pytest.mark.parametrize("second", ["0.1 K", "0.1 degC"])
    def test_of_a_temperature_has_differences_behind_the_first(self, second: str) -> None:
        raw = ["20 degC", {"value": second, "standard": "0.1 K"}]
        parse_estimate(raw, Dimension.TEMPERATURE)
        assert FORMS[Dimension.TEMPERATURE, False].is_valid(raw)
        assert not FORMS[Dimension.TEMPERATURE, False].is_valid(["20 degC", {"value": "20 C"}])
        assert not FORMS[Dimension.TEMPERATURE, False].is_valid({"value": "20 degC", "standard": "0.1 C"})


ROUTINE: dict[str, Any] = tomllib.loads("""
format = 1
[routine]
title = "Lacquer on {it}"
part = "S-1"
[approval]
by = "A. Ivers"
on = "2026-03-02"
digest = "sha256:00"
[reference]
size = "5 mm"
deviation = { value = "0.02 um", expanded = "0.06 um", coverage = 2 }
material = "steel"
due = "2036-05-31"
[check_standard]
size = "5.01 mm"
deviation = [ { value = "0 um", halfwidth = "0.1 um" }, { value = "0 um", standard = "20 nm", dof = 9 } ]
limit = "0.5 um"
[part]
material = "steel"
[comparator]
resolution = "0.1 um"
travel = "50 um"
tip = { material = "tungsten carbide", radius = "1.5 mm" }
error = { halfwidth = "0.3 um" }
[thermometer]
error = { halfwidth = "0.1 K" }
[decision]
conformance = 0.95
process = { shape = "gamma", value = "1 um", standard = "1 um", lowest = "0 um" }
[bracket]
limit = "{limit}"
[characteristics.thickness]
measure = "size"
at = "{places}"
nominal = "5 mm"
lower = "-{width}"
upper = "+{width}"
[characteristics.film]
measure = "step"
at = "a"
from = "c"
upper = "20 um"
process = { values = ["1 um", "2 um"], counts = [3, 0.5] }
[checks.repeatability]
limit = "0.6 um"
[[terms]]
name = "stand"
value = "0 um"
halfwidth = "0.1 um"
characteristics = ["film"]
[[steps]]
do = "prepare"
say = "Wipe {it} and the anvil."
[[steps]]
do = "ask"
name = "humidity"
answer = "number"
unit = "%"
[[steps]]
do = "soak"
at_least = "20 min"
[[steps]]
do = "temperature"
of = "part"
[[steps]]
do = "zero"
times = "{often}"
[[steps]]
do = "repeat"
over = "parts"
steps = [
    { do = "repeat", times = 2, steps = [ { do = "read", at = "a" }, { do = "read", at = "b", force = "1 N" } ] },
]
[[steps]]
do = "return"
[[steps]]
do = "compare"
[parameters]
it = "the shim"
limit = "0.5 um"
width = "3 um"
places = ["a", "b"]
often = 3
""")
NAMES = st.sampled_from(
    [
        *[
            "kind",
            "include",
            "with",
            "from",
            "of",
            "unit",
            "force",
            "times",
            "over",
            "estimate",
            "largest_expanded",
            "x",
        ],
        *["smallest_travel", "settings", "rule", "choices", "answer", "id", "do", "at", "standard", "family"],
    ]
)
TEXT_LEAVES = [
    *["1 um", "5 mm", "20 K", "0.8 N", "{it}", "{often}", "{{it}}", "{", "", " ", "2030-01-01", "2030-02-31"],
    *["read", "size", "step", "variation", "div", "a", "parts", "text", "mean", "length", "air", "air ", "guarded"],
]
OTHER_LEAVES: list[Any] = [
    *[0, 1, 3, 0.7, 1.0, True, [], ["a", "b"], ["a", "a"], {}],
    *[{"limit": "1 um"}, {"value": "1 um"}, [{"value": "1 um"}], {"size": "5 mm"}],
]
LEAVES = st.sampled_from([*TEXT_LEAVES, *OTHER_LEAVES])
EDITS = st.lists(
    st.tuples(st.sampled_from(["drop", "rename", "replace", "add", "wrap"]), st.integers(0, 999), NAMES, LEAVES),
    min_size=1,
    max_size=2,
)


def places_in(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Paths of all keys and items."""
    if isinstance(node, dict | list):
        for key, item in list(node.items() if isinstance(node, dict) else enumerate(node)):
            yield (*path, key)
            yield from places_in(item, (*path, key))


def edited(document: dict[str, Any], what: str, number: int, name: str, value: Any) -> None:
    """Do one thing to one place of a document."""
    places = list(places_in(document))
    path = places[number % len(places)]
    holder: Any = document
    for part in path[:-1]:
        holder = holder[part]
    old = holder[path[-1]]
    if what == "drop":
        del holder[path[-1]]
    elif what == "rename" and isinstance(holder, dict):
        holder[name] = holder.pop(path[-1])
    elif what == "add":
        (old if isinstance(old, dict) else document)[name] = copy.deepcopy(value)
    else:
        holder[path[-1]] = [old] if what == "wrap" else copy.deepcopy(value)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all examples: each overwrites the file of the one before."""
    return tmp_path_factory.mktemp("routines")


CORE = Draft202012Validator(routine_schema(Catalogue()))


class TestAnyRoutine:
    @given(edits=EDITS)
    def test_that_the_core_takes_the_schema_takes(self, folder: Path, edits: list[tuple[str, int, str, Any]]) -> None:
        document = copy.deepcopy(ROUTINE)
        for edit in edits:
            edited(document, *edit)
        path = folder / "edited.toml"
        path.write_text(tomli_w.dumps(document), "utf-8")
        try:
            routine = load_routine(path).routine
        except FileFaultsError:
            return
        # a word of no plugin is refused later, when the routine is bound
        assume(isinstance(routine.decision.rule, Rule))
        assume(all(isinstance(spec.measure, schema.Measure) for spec in routine.characteristics.values()))
        assert [error.message for error in CORE.iter_errors(document)] == []

    def test_starts_from_one_that_both_take(self, folder: Path) -> None:
        path = folder / "valid.toml"
        path.write_text(tomli_w.dumps(ROUTINE), "utf-8")
        assert load_routine(path).routine.routine.title == "Lacquer on the shim"
        assert CORE.is_valid(ROUTINE)
