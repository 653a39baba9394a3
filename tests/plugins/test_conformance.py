"""Every built-in plugin keeps to the rules that a stranger's is held to: the kit's suite, on runs of each."""

from __future__ import annotations

import importlib
import importlib.metadata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero.catalogue import BUILT_IN, GROUP, Catalogue
from holdzero.expansion import kinds_of
from holdzero.routine.load import dump_routine, load_routine
from holdzero.testing import GOOD, Draft, assert_conforms
from holdzero.testing.samples import FULL

pytestmark = pytest.mark.long

ROUTINES = Path(__file__).parents[2] / "routines"
MODULES = sorted(
    point.value for point in importlib.metadata.entry_points(group=GROUP) if point.value.startswith(BUILT_IN)
)
SILENT_WHEN_EMPTY = {"indicator", "places"}  # the cases below give what they speak of
SILENT_WHEN_SOUND = {"places"}  # in a shipped routine no place stands out
NO_ARRAYS = {"slips"}  # it reads the typed text of one reading at a time

STAND = {"value": "0.1 um/N", "standard": "0.02 um/N"}
_READ_ALL = [{"do": "read", "at": place} for place in ("a", "b", "c")]
_FIVE = ("centre", "nw", "ne", "sw", "se")
BLOCK = FULL.with_characteristic(
    "length", measure="size", at="centre", nominal="5 mm", lower="-1 um", upper="1 um"
).with_steps(
    {"do": "zero", "times": 3},
    {"do": "repeat", "times": 3, "steps": [*({"do": "read", "at": place} for place in _FIVE), *_READ_ALL]},
    {"do": "return"},
    {"do": "compare"},
)
# Differences of pairs in a balanced order: s-t, t-s, s-x, x-s and so on.
DESIGN = (
    FULL.without_table("characteristics")
    .with_characteristic(
        "x", measure="size", at="x", from_=["s"], with_="t", nominal="5 mm", lower="-2 um", upper="2 um"
    )
    .with_steps(
        {"do": "zero"},
        *({"do": "read", "at": place} for place in "stsxtxtsxsxt"),
        {"do": "return"},
        {"do": "compare"},
    )
)
LACQUER = (
    FULL.without_table("characteristics")
    .with_characteristic("film", measure="step", at="c", from_="b", force="0.8 N")
    .with_steps(
        {"do": "zero", "times": 2},
        *({"do": "read", "at": place, "force": force, "times": 3} for place in "bc" for force in ("0.8 N", "1.6 N")),
        {"do": "return"},
        {"do": "compare"},
    )
)
UNTOUCHED = LACQUER.with_characteristic("film", force="0 N").with_steps(
    {"do": "zero", "times": 2},
    *({"do": "read", "at": at, "force": f"{force} N", "times": 2} for at in "bc" for force in (0.4, 0.8, 1.2, 1.6)),
    {"do": "return"},
    {"do": "compare"},
)
# It asks where a place has stood out in all its readings so far, as in the kit's run with an outlier.
PLACES = (
    FULL.without_table("characteristics")
    .with_characteristic("flat", measure="variation", at=["a", "b", "c"], upper="0.5 um")
    .with_steps(
        {"do": "zero", "times": 3},
        {"do": "repeat", "times": 3, "steps": _READ_ALL},
        {"do": "return"},
        {"do": "compare"},
    )
)
# So many that heat of a tenth of the tolerance would show.
PASSES = (
    FULL.without_table("characteristics.step")
    .without_table("characteristics.against")
    .with_steps({"do": "zero", "times": 2}, {"do": "repeat", "times": 16, "steps": _READ_ALL}, {"do": "compare"})
)

TABLE = [{"at": "-5 um", "error": "0.1 um"}, {"at": "0 um", "error": "0 um"}, {"at": "2 um", "error": "-0.05 um"}]
ROOM = {"value": "20.3 degC", "halfwidth": "0.2 K"}

CASES: list[tuple[str, Draft, dict[str, Any]]] = [
    ("block", BLOCK, {"corners": ["nw", "ne", "sw", "se"], "grade": "1"}),
    ("block", FULL, {}),
    ("check_standard", FULL, {}),
    ("contact", FULL, {"force": {"value": "0.8 N", "standard": "0.05 N"}}),
    ("contact", FULL, {"geometry": "sphere on cylinder", "part_diameter": "10 mm"}),
    ("contact", FULL, {"geometry": "parallel flats", "radius": {"value": "1 mm", "standard": "0.05 mm"}}),
    ("drift", DESIGN, {"design": "pairs", "check": {"place": "t", "value": {"value": "0 um", "standard": "0.1 um"}}}),
    ("drift", DESIGN, {"accepted": {"standard": "0.1 um", "dof": 20}, "bias": False}),
    ("film", LACQUER, {}),
    ("film", LACQUER, {"limit": "0.2 um"}),
    ("film", UNTOUCHED, {}),
    ("film", UNTOUCHED, {"limit": "0.2 um"}),
    ("heat", PASSES, {}),
    ("heat", PASSES, {"limit": "0.2 um", "allowance": "0.3 um"}),
    ("indicator", FULL, {"hysteresis": "0.1 um", "table": TABLE, "table_error": {"halfwidth": "0.05 um"}}),
    ("indicator", FULL, {"tilt": {"halfwidth": "1 deg"}, "deflection": STAND, "force_change": {"halfwidth": "0.1 N"}}),
    ("places", PLACES, {}),
    ("plausibility", FULL, {}),
    ("repeatability", FULL, {"limit": "0.3 um"}),
    ("repeatability", FULL, {"pooled": {"standard": "0.1 um", "dof": 30, "of": "differences"}}),
    ("slips", FULL, {}),
    ("slips", FULL, {"scatter": "0.3 um"}),
    ("thermal", FULL, {"lowest": "19.9 degC", "highest": "20.55 degC", "largest_difference": "0.15 K"}),
    ("thermal", FULL, {"difference": {"value": "0 K", "halfwidth": "0.1 K"}}),
    ("thermal", Draft(), {"part_temperature": ROOM, "difference": {"value": "0 K", "halfwidth": "0.1 K"}}),
    ("zero_return", FULL, {}),
    ("zero_return", FULL.with_table("comparator", resolution="0.001 um"), {}),
]


def shipped() -> Iterator[tuple[Path, str]]:
    """Each shipped routine with each check that it names, or that runs without being named."""
    for path in sorted(ROUTINES.glob("*.toml")):
        for name in (
            "places",
            "plausibility",
            "repeatability",
            "zero_return",
            *Draft.of(path.read_text("utf-8")).tables.get("checks", {}),
        ):
            yield path, name


class TestAsTheyAre:
    @pytest.mark.parametrize("module", [module for module in MODULES if ".sources." not in module])
    def test_with_empty_settings(self, module: str) -> None:
        assert_conforms(importlib.import_module(module), silent=module.rpartition(".")[2] in SILENT_WHEN_EMPTY)

    def test_the_readings_file(self, tmp_path: Path) -> None:
        path = tmp_path / "readings.csv"
        path.write_text("time,answer\n" + "".join(f',"{answer}"\n' for answer in GOOD), "utf-8")
        assert_conforms(importlib.import_module("holdzero_plugins.sources.readings"), argument=str(path))


class TestChecks:
    @pytest.mark.parametrize(("name", "routine", "settings"), CASES, ids=lambda item: item if type(item) is str else "")
    def test_with_settings_and_a_routine_for_it(
        self, name: str, routine: Draft, settings: dict[str, Any], catalogue: Catalogue
    ) -> None:
        assert_conforms(catalogue.checks[name][1], routine=routine, settings=settings)

    @pytest.mark.parametrize(
        ("path", "name"), sorted(set(shipped())), ids=lambda item: str(getattr(item, "stem", item))
    )
    def test_in_the_shipped_routines(self, path: Path, name: str, catalogue: Catalogue) -> None:
        document = load_routine(path, kinds=kinds_of(catalogue)).document
        routine = Draft.of(dump_routine(document))
        assert_conforms(catalogue.checks[name][1], routine=routine, silent=name in SILENT_WHEN_SOUND)

    def test_every_check_is_among_the_cases_and_takes_arrays(self, catalogue: Catalogue) -> None:
        assert {name for name, _, _ in CASES} == set(catalogue.checks)
        assert {name for name, (_, check) in catalogue.checks.items() if not check.arrays} == NO_ARRAYS
