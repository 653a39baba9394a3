"""Whatever the temperatures, expansions and lengths: through the engine the formula comes out, in exact fractions.

l = [l_ref·(1 + α_ref·θ_ref) + d] / (1 + α·θ), JCGM 100:2008, H.1.2, eq. (H.1), solved for l; ISO 1:2022.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.evaluate import evaluate
from holdzero.testing import Draft
from holdzero.testing.drive import begun, driven, loaded_of, scripted

DRAFT = (
    Draft()
    .with_table("comparator", resolution="0.0001 um", travel="60 mm")
    .with_characteristic("step", measure="step", at="b", from_="a")
    .with_characteristic("taper", measure="taper", at=["a", "c", "b"])
    .with_characteristic("variation", measure="variation", at=["a", "b", "c"])
    .with_steps(*[{"do": "zero"}, *({"do": "read", "at": at} for at in "abc"), {"do": "return"}, {"do": "compare"}])
)


def decimals(low: int, high: int, places: int) -> st.SearchStrategy[Fraction]:
    """Numbers with so many decimals, so that what is typed is what is meant."""
    return st.integers(low * 10**places, high * 10**places).map(lambda number: Fraction(number, 10**places))


@dataclass(frozen=True)
class Case:
    """A part and a reference: lengths at 20 °C [um], expansions [1e-6/K], temperatures [degC]."""

    reference: Fraction
    part: Fraction
    step: Fraction
    expansions: tuple[Fraction, Fraction]
    temperatures: tuple[Fraction, Fraction]

    @property
    def growths(self) -> tuple[Fraction, Fraction]:
        """α·θ of part and reference [1]."""
        one, other = (
            expansion / 10**6 * (temperature - 20)
            for expansion, temperature in zip(self.expansions, self.temperatures, strict=True)
        )
        return one, other

    def shows(self, length: Fraction) -> Fraction:
        """What a comparator shows of a length of the part [um]."""
        part, reference = self.growths
        return length * (1 + part) - self.reference * (1 + reference)


cases = st.builds(
    Case,
    reference=decimals(500, 300_000, 1),
    part=decimals(-20_000, 20_000, 1),  # less the reference
    step=decimals(-20_000, 20_000, 1),
    expansions=st.tuples(decimals(0, 30, 2), decimals(0, 30, 2)),
    temperatures=st.tuples(decimals(5, 40, 2), decimals(5, 40, 2)),
)


def text(number: Fraction, places: int = 6) -> str:
    return f"{float(number):.{places}f}"


@given(case=cases)
def test_size_step_taper_and_variation_are_the_true_ones(catalogue: Catalogue, case: Case) -> None:
    part = case.reference + case.part
    expansion, of_reference = (f"{text(number, 2)}e-6 1/K" for number in case.expansions)
    warmth, of_the_reference = (f"{text(number, 2)} degC" for number in case.temperatures)
    draft = (
        DRAFT.with_table("reference", size=f"{text(case.reference)} um")
        .with_characteristic("thickness", nominal=f"{text(case.reference)} um")
        .without_table("characteristics.thickness.lower")
        .without_table("characteristics.thickness.upper")
        .with_check("thermal", part_expansion=expansion, reference_expansion=of_reference)
        .with_check("thermal", part_temperature=warmth, reference_temperature=of_the_reference)
    )
    loaded = loaded_of(draft, catalogue)
    checks, faults = bind(loaded.routine, catalogue)
    assert not faults
    shown = [text(case.shows(part + rise)) for rise in (Fraction(0), case.step, case.step / 2)]
    run = list(driven(begun(loaded), scripted(["0", *(f"{number} um" for number in shown), "0"])))[-1]
    values = {r.name: r.propagated.value_um for r in evaluate(run.state, "1", checks).results if r.propagated}
    fine = pytest.approx
    # typed to a picometre
    assert values["thickness"] == fine(float(case.part), abs=2e-6)
    assert values["step"] == fine(float(case.step), abs=2e-6)
    assert values["taper"] == fine(-float(case.step), abs=2e-6)
    assert values["variation"] == fine(abs(float(case.step)), abs=2e-6)
