"""A new routine holds exactly what was answered, whatever was answered."""

from __future__ import annotations

import tempfile
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.expansion import kinds_of
from holdzero.plain_text import unplain
from holdzero.quantity import Dimension, parse_quantity
from holdzero.routine.load import load_routine
from holdzero.routine.schema import Comparator, Read, Reference, Routine, Soak, walk
from holdzero.starting.answers import answers_of, fill
from holdzero.starting.checked import Known
from holdzero.starting.routine_text import routine_text

CATALOGUE: Catalogue = load_catalogue()
KNOWN = Known(materials=("steel", "aluminium"))

HOSTILE = st.sampled_from("\"'\\#={}[],")
# What acts or hides is refused where it is typed.
SIGNS = (
    st.characters(exclude_categories=["Cs", "Cc", "Cf", "Zl", "Zp"]).filter(lambda sign: not unplain(sign)) | HOSTILE
)
TEXTS = st.text(SIGNS, min_size=1, max_size=40).filter(lambda text: text.strip() != "")
PLACES = st.lists(
    st.text(SIGNS.filter(lambda sign: sign != ","), min_size=1, max_size=12).map(str.strip).filter(bool),
    min_size=1,
    max_size=6,
    unique=True,
)


def written(number: Decimal, unit: str, comma: bool, sign: str = "") -> str:
    text = f"{sign}{number:f} {unit}"
    return text.replace(".", ",") if comma else text


def amounts(least: str, most: str, *units: str, signs: tuple[str, ...] = ("",)) -> st.SearchStrategy[str]:
    numbers = st.decimals(Decimal(least), Decimal(most), places=4)
    return st.builds(written, numbers, st.sampled_from(units), st.booleans(), st.sampled_from(signs))


SIZES = amounts("1", "90", "mm", "in", '"', "cm")
SMALL = amounts("0.0001", "90", "um", "µm", "uin", "nm")
EITHER_WAY = amounts("0", "90", "um", "uin", signs=("+", "-", "\u2212", ""))
KELVINS = amounts("0", "5", "K", "degF")


ANSWERS = st.fixed_dictionaries(
    {
        "part": TEXTS,
        "title": TEXTS,
        "nominal": SIZES,
        "lower": SMALL.map("-".__add__) | st.just("none"),
        "upper": SMALL.map("+".__add__) | st.just("none"),
        "material": st.sampled_from(KNOWN.materials),
        "places": PLACES.map(",".join),
        "repeats": st.integers(1, 1000).map(str),
        "soak": amounts("0.0001", "90", "min", "s", "h"),
        "reference_size": SIZES,
        "reference_deviation": EITHER_WAY,
        "reference_uncertainty": SMALL,
        "reference_coverage": st.sampled_from(["2", "2,57", "3", "1.96"]),
        "reference_material": st.sampled_from(KNOWN.materials),
        "reference_certificate": TEXTS | st.just(""),
        "resolution": SMALL,
        "travel": SMALL,
        "error": SMALL,
        "temperature": amounts("10", "30", "degC", "°C") | amounts("50", "90", "degF"),
        "temperature_within": KELVINS,
        "difference_within": KELVINS,
    }
)


def loaded(said: dict[str, str]) -> Routine:
    kept, assumed = fill(said, KNOWN)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "routine.toml")
        path.write_text(routine_text(answers_of(kept, assumed, KNOWN)), "utf-8", newline="\n")
        return load_routine(path, None, kinds_of(CATALOGUE)).routine


def um(text: str) -> float | None:
    return None if text == "none" else parse_quantity(text, Dimension.LENGTH).value


class TestAWrittenRoutine:
    @given(said=ANSWERS)
    def test_loads_and_holds_what_was_answered(self, said: dict[str, str]) -> None:
        routine = loaded(said)
        places = tuple(said["places"].split(","))
        size = routine.characteristics["size"]
        assert (routine.routine.part, routine.routine.title) == (said["part"].strip(), said["title"].strip())
        assert routine.routine.units == (
            "in" if parse_quantity(said["nominal"], Dimension.LENGTH).unit in INCHES else "mm"
        )
        assert (size.nominal, size.lower, size.upper) == (um(said["nominal"]), um(said["lower"]), um(said["upper"]))
        assert size.at == places
        assert routine.part.material == said["material"]
        reads = [step.at for step in walk(routine.steps) if isinstance(step, Read)]
        assert reads == list(places)
        assert [step.times for step in routine.steps if step.do == "repeat"] == [int(said["repeats"])]
        (soak,) = (step for step in routine.steps if isinstance(step, Soak))
        assert soak.at_least == parse_quantity(said["soak"], Dimension.TIME).value

    @given(said=ANSWERS)
    def test_holds_the_devices_that_were_described(self, said: dict[str, str]) -> None:
        routine = loaded(said)
        reference, comparator = routine.reference, routine.comparator
        assert isinstance(reference, Reference)
        assert isinstance(comparator, Comparator)
        assert (reference.size, reference.material) == (um(said["reference_size"]), said["reference_material"])
        assert reference.deviation.value == um(said["reference_deviation"])
        factor = float(said["reference_coverage"].replace(",", "."))
        assert reference.deviation.standard_uncertainty * factor == pytest.approx(um(said["reference_uncertainty"]))
        assert reference.certificate == said["reference_certificate"].strip()
        assert (comparator.resolution, comparator.travel) == (um(said["resolution"]), um(said["travel"]))
        assert comparator.error.parts[0].halfwidth == um(said["error"])

    @given(said=ANSWERS)
    def test_holds_the_temperatures_as_typed(self, said: dict[str, str]) -> None:
        thermal = loaded(said).checks["thermal"]
        assert thermal["part_temperature"]["value"] == said["temperature"].strip()
        assert thermal["part_temperature"]["halfwidth"] == said["temperature_within"].strip()
        assert thermal["difference"]["halfwidth"] == said["difference_within"].strip()


INCHES = ("in", '"')
