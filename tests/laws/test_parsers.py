"""Laws of the border: whatever comes in becomes an answer or one of our own errors, and never another unit."""

# ruff: noqa: PT017  a law says what holds when a text is refused as well as when it is taken

from __future__ import annotations

import copy
import datetime as dt
import math
import tomllib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from holdzero.errors import AnswerRefusedError, FileFaultsError, QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.quantity import Dimension, parse_quantity, tidy
from holdzero.routine import schema
from holdzero.routine.lint import unwise
from holdzero.routine.load import digest_of, dump_routine, load_routine, members, read_toml, routine_from_document
from holdzero.routine.locate import KeyPath, lines_of_keys
from holdzero.run.answer import TakenReading, TakenTemperature, understand
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Asks, Prompt

# Written anew from the definitions, independently of the tool: the inch of 25.4 mm (1959), the pound of
# 0.45359237 kg (1959), the standard acceleration 9.80665 m/s² (CGPM 1901), 0 °C = 273.15 K; all from memory.
# A pair is what one unit is worth inside, and where its zero lies.
POUND_FORCE = Fraction("0.45359237") * Fraction("9.80665")
NINTHS = Fraction(5, 9)
PI = Fraction("3.14159265358979323846")
WRITTEN: dict[Dimension, dict[str, tuple[str | int | Fraction, int | Fraction]]] = {
    Dimension.LENGTH: {
        "nm": ("0.001", 0),
        "um": (1, 0),
        "\u00b5m": (1, 0),
        "\u03bcm": (1, 0),
        "mm": (1000, 0),
        "cm": (10_000, 0),
        "m": (1_000_000, 0),
        "in": (25_400, 0),
        '"': (25_400, 0),
        "uin": ("0.0254", 0),
        "\u00b5in": ("0.0254", 0),
        "\u03bcin": ("0.0254", 0),
        "thou": ("25.4", 0),
    },
    Dimension.TEMPERATURE: {
        "degC": (1, 0),
        "°C": (1, 0),
        "C": (1, 0),
        "degF": (NINTHS, -32 * NINTHS),
        "°F": (NINTHS, -32 * NINTHS),
        "F": (NINTHS, -32 * NINTHS),
    },
    Dimension.DIFFERENCE: {
        "K": (1, 0),
        "mK": ("0.001", 0),
        "degC": (1, 0),
        "°C": (1, 0),
        "degF": (NINTHS, 0),
        "°F": (NINTHS, 0),
    },
    Dimension.FORCE: {
        "N": (1, 0),
        "mN": ("0.001", 0),
        "gf": ("0.00980665", 0),
        "lbf": (POUND_FORCE, 0),
        "ozf": (POUND_FORCE / 16, 0),
    },
    Dimension.TIME: {"s": (1, 0), "min": (60, 0), "h": (3600, 0), "d": (86_400, 0)},
    Dimension.EXPANSION: {
        "1/K": (1, 0),
        "/K": (1, 0),
        "1/degC": (1, 0),
        "/degC": (1, 0),
        "1/°C": (1, 0),
        "/°C": (1, 0),
        "um/m/K": ("0.000001", 0),
        "1/degF": (Fraction(9, 5), 0),
    },
    Dimension.ANGLE: {
        "rad": (1, 0),
        "mrad": ("0.001", 0),
        "deg": (PI / 180, 0),
        "°": (PI / 180, 0),
        "arcmin": (PI / 10_800, 0),
        "arcsec": (PI / 648_000, 0),
    },
    Dimension.COMPLIANCE: {"um/N": (1, 0), "\u00b5m/N": (1, 0), "\u03bcm/N": (1, 0), "nm/N": ("0.001", 0)},
}
FACTORS = {
    dimension: {unit: (Fraction(factor), Fraction(zero)) for unit, (factor, zero) in table.items()}
    for dimension, table in WRITTEN.items()
}
LARGEST = 10**12

SIGNS = st.sampled_from(["", "+", "-", "\u2212", "\u2013"])
BLANKS = st.sampled_from(["", " ", "  ", "\t", "\u00a0", "\u202f", "\u2009"])
DIGITS = st.text("0123456789", min_size=1, max_size=9)
POINTS = st.sampled_from([".", ","])
PAIRS = st.sampled_from([(dimension, unit) for dimension, table in FACTORS.items() for unit in table])
# What people and instruments type, and what they should not: near the border on both sides.
PIECES = st.one_of(
    st.sampled_from([unit for table in FACTORS.values() for unit in table]),
    st.sampled_from(["mil", "div", "e", "E-3", "e99", "nan", "inf", "0x", "1_0", "\uff11", "\u0661", "\u00b2", "\x00"]),
    st.sampled_from(list("+-.,0123456789 \u2212\u00a0\n")),
    st.text(max_size=3),
)
TEXTS = st.one_of(st.text(), st.lists(PIECES, max_size=8).map("".join))


@st.composite
def numbers(draw: st.DrawFn, *, exponent: bool = True) -> tuple[str, Fraction]:
    """A number as written, and the number that it is."""
    sign, whole, decimals = draw(SIGNS), draw(DIGITS), draw(st.none() | DIGITS)
    text = whole if decimals is None else f"{whole}{draw(POINTS)}{decimals}"
    value = Fraction(text.replace(",", "."))
    if exponent and draw(st.booleans()):
        power = draw(st.integers(-30, 30))
        text += f"{draw(st.sampled_from(['e', 'E']))}{power}"
        value *= Fraction(10) ** power
    return sign + text, value if sign in ("", "+") else -value


def close(value: float, exact: Fraction, scale: Fraction) -> bool:
    """Equal to 1e-12 of the size of what was added up."""
    return abs(Fraction(value) - exact) <= scale / 10**12


class TestAnyText:
    @given(text=TEXTS, dimension=st.sampled_from(Dimension), exponent=st.booleans(), bare=st.booleans())
    def test_is_a_finite_quantity_or_refused(
        self, text: str, dimension: Dimension, *, exponent: bool, bare: bool
    ) -> None:
        try:
            read = parse_quantity(
                text, dimension, bare_unit=dimension.unit if bare else None, division_um=0.5, exponent=exponent
            )
        except QuantityError as error:
            assert "\n" not in str(error)
            assert len(error.found) < 400
        else:
            assert abs(read.value) <= LARGEST
            assert read.text == text.strip()
            assert tidy(text).endswith(read.unit) or bare

    @given(text=TEXTS, dimension=st.sampled_from(Dimension))
    def test_that_is_a_quantity_says_so_by_itself(self, text: str, dimension: Dimension) -> None:
        """No text is read by a rule that it does not show: sign, ASCII digits, one point, a unit of the table."""
        try:
            read = parse_quantity(text, dimension)
        except QuantityError:
            return
        plain = tidy(text)
        assert plain.endswith(read.unit)
        number = "".join(plain.removesuffix(read.unit).split()).replace(",", ".")
        assert set(number) <= set("+-0123456789.eE")
        factor, zero = FACTORS[dimension][read.unit]
        exact = Fraction(number) * factor
        assert close(read.value, exact + zero, abs(exact) + abs(zero))


class TestANumberWithAUnit:
    @given(number=numbers(), blank=BLANKS, pair=PAIRS)
    def test_is_the_number_times_the_factor(
        self, number: tuple[str, Fraction], blank: str, pair: tuple[Dimension, str]
    ) -> None:
        (text, value), (dimension, unit) = number, pair
        blank = " " if unit[0] == "1" else blank  # else "1" and "1/K" would be "11/K"
        factor, zero = FACTORS[dimension][unit]
        exact, scale = value * factor + zero, abs(value * factor) + abs(zero)
        try:
            read = parse_quantity(f"{text}{blank}{unit}", dimension)
        except QuantityError as error:
            assert error.mend == "the number is too large"
            assert abs(exact) > LARGEST * (1 - Fraction(1, 10**9))
        else:
            assert close(read.value, exact, scale)
            assert read.unit == unit

    @given(value=st.integers(-(10**9), 10**9), pair=PAIRS, data=st.data())
    def test_means_the_same_in_another_unit(self, value: int, pair: tuple[Dimension, str], data: st.DataObject) -> None:
        dimension, unit = pair
        other = data.draw(st.sampled_from(sorted(FACTORS[dimension])))
        (factor, zero), (other_factor, other_zero) = FACTORS[dimension][unit], FACTORS[dimension][other]
        scaled = (value * factor * Fraction(1, 1000) + zero - other_zero) / other_factor
        one = parse_quantity(f"{value / 1000!r} {unit}" if value % 1000 else f"{value // 1000} {unit}", dimension)
        two = parse_quantity(f"{float(scaled)!r} {other}", dimension)
        assert math.isclose(one.value, two.value, rel_tol=1e-12, abs_tol=1e-12 * float(abs(zero) + abs(other_zero)))

    @given(value=st.floats(-1e12, 1e12).filter(lambda value: abs(value) > 1e-99), dimension=st.sampled_from(Dimension))
    def test_makes_the_round_trip_in_the_inside_unit(self, value: float, dimension: Dimension) -> None:
        assert parse_quantity(f"{value!r} {dimension.unit}", dimension).value == value

    @given(number=numbers(), dimension=st.sampled_from(Dimension), unit=st.text(max_size=6))
    def test_is_refused_with_any_unit_that_is_not_in_the_table(
        self, number: tuple[str, Fraction], dimension: Dimension, unit: str
    ) -> None:
        text = f"{number[0]} {unit}"
        if tidy(unit) in FACTORS[dimension]:
            return
        with pytest.raises(QuantityError):
            parse_quantity(text, dimension)


SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    TEXTS,
    st.sampled_from(["1 um", "0 um", "0.5 um", "rectangular", "triangular", "arcsine", "trapezoid", 2, 0.25]),
)
ESTIMATE_KEYS = (
    "value",
    "standard",
    "expanded",
    "coverage",
    "halfwidth",
    "shape",
    "inner",
    "dof",
    "reliability",
    "why",
)
TABLES = st.dictionaries(st.sampled_from(ESTIMATE_KEYS) | st.text(max_size=3), SCALARS, max_size=5)
NESTS = st.recursive(SCALARS | TABLES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner))


class TestAnythingGivenAsAnEstimate:
    @given(raw=NESTS | st.lists(TABLES, max_size=3), dimension=st.sampled_from(Dimension), about_zero=st.booleans())
    def test_is_one_or_is_refused(self, raw: object, dimension: Dimension, *, about_zero: bool) -> None:
        try:
            read = parse_estimate(raw, dimension, about_zero=about_zero)
        except QuantityError as error:
            assert "\n" not in str(error)
        else:
            assert isinstance(read, Estimate)
            assert math.isfinite(read.value)
            assert 0.0 <= read.standard_uncertainty < math.inf
            assert read.dof >= 1.0 or read.standard_uncertainty == 0.0


def prompt(asks: Asks, until_s: float = 0.0) -> Prompt:
    slot = Slot(id="1", group="1", kind=SlotKind.READ, of="reference")
    return Prompt(slot=slot, asks=asks, title="", say="", caution="", number=1, count=1, until_s=until_s)


COMPARATORS = st.sampled_from(
    [
        None,
        schema.Comparator.model_validate({"resolution": "0.1 um", "travel": "50 um"}),
        schema.Comparator.model_validate({"resolution": "0.00001 in"}),
        schema.Comparator.model_validate({"resolution": "0.5 um", "unit": "div", "division": "0.5 um"}),
    ]
)


class TestAnyAnswer:
    @given(text=TEXTS, asks=st.sampled_from(Asks), comparator=COMPARATORS, left_s=st.floats(-1e6, 1e6))
    def test_is_understood_whole_or_refused(
        self, text: str, asks: Asks, comparator: schema.Comparator | None, left_s: float
    ) -> None:
        try:
            said = understand(text, prompt(asks, left_s), comparator, 0.0)
        except AnswerRefusedError as error:
            assert str(error)
        else:
            if isinstance(said, TakenReading):
                assert abs(said.value_um) <= (comparator.travel or LARGEST if comparator else LARGEST)
            if isinstance(said, TakenTemperature):
                assert 0.0 <= said.value_degC <= 50.0

    @given(number=numbers(exponent=False), comparator=COMPARATORS)
    def test_that_is_a_bare_number_has_the_unit_of_the_comparator(
        self, number: tuple[str, Fraction], comparator: schema.Comparator | None
    ) -> None:
        text, value = number
        if comparator is None:
            with pytest.raises(AnswerRefusedError):
                understand(text, prompt(Asks.READING), None, 0.0)
            return
        factor = {"um": Fraction(1), "in": Fraction(25_400), "div": Fraction(1, 2)}[comparator.unit]
        exact = value * factor
        if comparator.travel is not None and abs(exact) > comparator.travel:
            with pytest.raises(AnswerRefusedError, match="travel"):
                understand(text, prompt(Asks.READING), comparator, 0.0)
        elif abs(exact) <= LARGEST:
            said = understand(text, prompt(Asks.READING), comparator, 0.0)
            assert isinstance(said, TakenReading)
            assert close(said.value_um, exact, abs(exact))


ROUTINE: dict[str, Any] = tomllib.loads("""
format = 1
[routine]
title = "Lacquer on a shim"
part = "S-1"
units = "mm"
[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = { value = "0.02 um", expanded = "0.06 um", coverage = 2 }
material = "steel"
due = 2036-05-31
[check_standard]
size = "5.01 mm"
deviation = [ { value = "0 um", halfwidth = "0.1 um" }, { value = "0 um", standard = "20 nm", dof = 9 } ]
limit = "0.5 um"
[part]
material = "steel"
[comparator]
resolution = "0.1 um"
travel = "50 um"
force = "0.8 N"
tip = { material = "tungsten carbide", radius = "1.5 mm" }
error = { halfwidth = "0.3 um" }
[thermometer]
error = { halfwidth = "0.1 K" }
[decision]
rule = "guarded"
conformance = 0.95
[bracket]
limit = "0.5 um"
longest_absence = "30 min"
[characteristics.thickness]
measure = "size"
at = ["a", "b"]
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"
[characteristics.film]
measure = "step"
at = "a"
from = "c"
upper = "20 um"
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
do = "soak"
at_least = "{wait}"
[[steps]]
do = "temperature"
of = "part"
[[steps]]
do = "zero"
times = 3
[[steps]]
do = "check"
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
wait = "20 min"
[family.thin]
it = "the thin shim"
[family.thick]
wait = "30 min"
""")
HUGE = 10**30
KEYS = st.sampled_from(
    sorted(
        {"include", "with", "family", "parameters", "whole", "required", "estimate", "data", "id", "tip", "read", ""}
    )
)
MOMENTS = st.dates() | st.times() | st.datetimes()
LEAVES = st.one_of(
    st.booleans(),
    st.integers(-HUGE, HUGE),
    st.floats(),
    TEXTS,
    st.text(max_size=5),
    MOMENTS,
    st.sampled_from(["1 um", "5 mm", "{it}", "{x}", "{{it}}", "read", "size", "step", "a", "parts", 0, 1, 1000]),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS | st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
EDITS = st.lists(
    st.tuples(
        st.sampled_from(["drop", "rename", "replace", "add", "double", "wrap", "bury"]),
        st.integers(0, 10_000),
        KEYS | st.text(max_size=6),
        VALUES,
    ),
    max_size=4,
)


def places_in(node: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Paths of all keys and items."""
    if isinstance(node, dict | list):
        for key, item in list(node.items()) if isinstance(node, dict) else list(enumerate(node)):
            yield (*path, key)
            yield from places_in(item, (*path, key))


def edited(document: dict[str, Any], edit: tuple[str, int, str, Any]) -> None:
    """Do one thing to one place of a document."""
    what, number, key, value = edit
    places = list(places_in(document))
    if not places:
        return
    path = places[number % len(places)]
    holder: Any = document
    for part in path[:-1]:
        holder = holder[part]
    last, old = path[-1], holder[path[-1]]
    if what == "drop":
        del holder[last]
    elif what == "rename" and isinstance(holder, dict):
        holder[key] = holder.pop(last)
    elif what == "add" and isinstance(old, dict):
        old[key] = value
    elif what == "double" and isinstance(holder, list):
        holder.append(copy.deepcopy(old))
    elif what == "wrap":
        holder[last] = [old]
    elif what == "bury":
        for _ in range(1 + number % 30):
            old = {key: old} if number % 2 else [old]
        holder[last] = old
    else:
        holder[last] = value


@st.composite
def mutants(draw: st.DrawFn) -> str:
    """A valid routine to which a few things were done, as a TOML text."""
    document = copy.deepcopy(ROUTINE)
    for edit in draw(EDITS):
        edited(document, edit)
    text = tomli_w.dumps(document)
    for place, length, piece in draw(
        st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 9), st.text(max_size=4)), max_size=1)
    ):
        text = text[:place] + piece + text[place + length :]
    return text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all examples: each overwrites the file of the one before."""
    return tmp_path_factory.mktemp("routines")


def assert_loads_or_has_faults(path: Path) -> None:
    """Load all members; a valid one must survive all that is done with a routine before a run."""
    try:
        names: tuple[str | None, ...] = members(path) or (None,)
    except FileFaultsError as error:
        assert_said(error, path)
        return
    for name in names:
        try:
            loaded = load_routine(path, name)
        except FileFaultsError as error:
            assert_said(error, path)
            continue
        assert routine_from_document(loaded.document) == loaded.routine
        assert digest_of(tomllib.loads(dump_routine(loaded.document))) == loaded.digest
        for warning in unwise(loaded.routine, loaded.origins, dt.date(2026, 1, 1)):
            assert warning.warning


def assert_said(error: FileFaultsError, path: Path) -> None:
    count = path.read_bytes().count(b"\n") + 1
    assert error.faults
    for fault in error.faults:
        assert fault.key
        assert fault.expected
        assert fault.mend
        assert fault.line is None or 1 <= fault.line <= count
        assert len(fault.found) < 400


class TestAnyRoutineFile:
    @given(text=mutants())
    def test_made_of_a_valid_one_loads_or_has_faults(self, folder: Path, text: str) -> None:
        path = folder / "mutant.toml"
        path.write_text(text, "utf-8", errors="replace", newline="")
        assert_loads_or_has_faults(path)

    @given(raw=st.binary() | st.text().map(lambda text: text.encode("utf-8", "surrogatepass")))
    def test_of_any_bytes_loads_or_has_faults(self, folder: Path, raw: bytes) -> None:
        path = folder / "bytes.toml"
        path.write_bytes(raw)
        assert_loads_or_has_faults(path)

    @given(document=st.dictionaries(st.sampled_from(sorted(ROUTINE)) | st.text(max_size=4), VALUES, max_size=6))
    def test_of_any_data_loads_or_has_faults(self, folder: Path, document: dict[str, Any]) -> None:
        path = folder / "data.toml"
        path.write_text(tomli_w.dumps(document), "utf-8", errors="replace", newline="")
        assert_loads_or_has_faults(path)

    @given(edits=EDITS)
    def test_of_a_record_loads_or_has_faults(self, edits: list[tuple[str, int, str, Any]]) -> None:
        document = copy.deepcopy(ROUTINE)
        for edit in edits:
            edited(document, edit)
        try:
            routine_from_document(document)
        except FileFaultsError as error:
            assert error.faults

    def test_starts_from_one_that_is_valid(self, folder: Path) -> None:
        path = folder / "valid.toml"
        path.write_text(tomli_w.dumps(ROUTINE), "utf-8")
        assert members(path) == ("thin", "thick")
        for name in members(path):
            assert load_routine(path, name).routine.routine.part == "S-1"


def written(line: str, key: str | int, value: Any) -> bool:
    """Whether a line of a dumped document holds a key, or an item as it is dumped."""
    if isinstance(key, str):
        name = tomli_w.dumps({key: 1}).removesuffix(" = 1\n")
        return f"{name} =" in line
    item = tomli_w.dumps({"k": value}).removeprefix("k = ").splitlines()[0]
    return line.strip().startswith(item) or f" {item}" in line


DOCUMENTS = st.dictionaries(
    st.text(max_size=6),
    st.recursive(
        st.booleans() | st.integers(-HUGE, HUGE) | st.floats(allow_nan=False) | st.text(max_size=8) | MOMENTS,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
        max_leaves=20,
    ),
    max_size=5,
)


class TestLinesOfKeys:
    @given(document=DOCUMENTS | st.just(ROUTINE))
    def test_stand_where_each_leaf_was_written(self, document: dict[str, Any]) -> None:
        text = tomli_w.dumps(document)
        lines, rows = lines_of_keys(text), text.split("\n")
        for path in places_in(document):
            leaf: Any = document
            for part in path:
                leaf = leaf[part]
            if isinstance(leaf, dict | list):
                assert path in lines
            else:
                assert written(rows[lines[path] - 1], path[-1], leaf)

    @given(document=DOCUMENTS)
    def test_name_nothing_that_is_not_there(self, document: dict[str, Any]) -> None:
        assert set(lines_of_keys(tomli_w.dumps(document))) == set(places_in(document))

    @given(document=DOCUMENTS, blanks=st.integers(0, 5))
    def test_move_with_the_text(self, folder: Path, document: dict[str, Any], blanks: int) -> None:
        text = tomli_w.dumps(document)
        path = folder / "moved.toml"
        path.write_text("# above\n" * blanks + text, "utf-8", errors="replace", newline="")
        try:
            moved = read_toml(path).lines
        except FileFaultsError as error:
            assert error.faults
        else:
            assert moved == {key: line + blanks for key, line in lines_of_keys(text).items()}
