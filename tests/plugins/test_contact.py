"""The contact check: formulas against their limits, and the correction through a whole run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ellipe, ellipkm1

from holdzero.hooks import CharacteristicView, Material
from holdzero.model import propagate
from holdzero.views import view_of
from holdzero_plugins.checks._hertz import (
    contact_modulus,
    flat_punch,
    point_contact,
    point_ellipse,
    sphere_on_cylinder,
    sphere_on_plane,
)
from holdzero_plugins.checks._pressed import Pressed, Wide, breaches, value_and_expanded_um, width
from holdzero_plugins.checks.contact import ContactSettings, correction
from holdzero_plugins.tables.materials import materials

Measure = Callable[..., Any]
E_GPA = float(contact_modulus(620.0, 0.22, 205.0, 0.29))  # carbide on steel, from the table of constants


def axes_by_legendre(force_N: float, larger_um: float, smaller_um: float, modulus_GPa: float) -> tuple[float, float]:  # noqa: N803  units
    """Half axes of a contact from K and E of Legendre, as the textbooks print it, solved for b/a by bracketing."""

    def gap(k: float) -> float:
        first, second = ellipkm1(k * k), ellipe(1.0 - k * k)
        return float((second / k**2 - first) / (first - second) - larger_um / smaller_um)

    k = brentq(gap, 1e-5, 1.0 - 1e-4, xtol=1e-15)
    first, second = ellipkm1(k * k), ellipe(1.0 - k * k)
    a = np.cbrt(3.0 * force_N * (first - second) * larger_um / (np.pi * modulus_GPa * 1e-3 * (1.0 - k * k)))
    return float(a), float(k * a)


def by_legendre(force_N: float, larger_um: float, smaller_um: float, modulus_GPa: float) -> float:  # noqa: N803  units
    """The approach in that contact."""
    a, b = axes_by_legendre(force_N, larger_um, smaller_um, modulus_GPa)
    return float(3.0 * force_N * ellipkm1((b / a) ** 2) / (2.0 * np.pi * a * modulus_GPa * 1e-3))


class TestFormulas:
    def test_a_cylinder_without_end_is_a_plane(self) -> None:
        flat = sphere_on_plane(1.0, 1500.0, E_GPA)
        assert sphere_on_cylinder(1.0, 1500.0, 1e12, E_GPA) == pytest.approx(flat, rel=1e-8)

    def test_crossed_cylinders_of_one_radius_are_a_sphere_on_a_plane(self) -> None:
        flat = sphere_on_plane(0.5, 2000.0, E_GPA)
        assert point_contact(0.5, 2000.0, 2000.0, E_GPA) == pytest.approx(flat, rel=1e-12)

    @pytest.mark.parametrize("ratio", [1.01, 1.5, 2.0, 5.0, 50.0, 1000.0])
    def test_two_radii_agree_with_the_textbook_s_integrals(self, ratio: float) -> None:
        other = by_legendre(1.0, 1500.0 * ratio, 1500.0, E_GPA)
        assert point_contact(1.0, 1500.0 * ratio, 1500.0, E_GPA) == pytest.approx(other, rel=1e-10)

    @pytest.mark.parametrize("ratio", [1.01, 1.5, 5.0, 50.0])
    def test_the_ellipse_agrees_with_the_textbook_s_integrals(self, ratio: float) -> None:
        axes = point_ellipse(1.0, 1500.0 * ratio, 1500.0, E_GPA)
        assert axes == pytest.approx(axes_by_legendre(1.0, 1500.0 * ratio, 1500.0, E_GPA), rel=1e-10)

    def test_it_does_not_matter_which_radius_is_named_first(self) -> None:
        assert point_contact(1.0, 900.0, 1500.0, E_GPA) == point_contact(1.0, 1500.0, 900.0, E_GPA)

    def test_a_thinner_cylinder_gives_way_more(self) -> None:
        radii = np.array([500.0, 1500.0, 5000.0, 50000.0])
        assert np.all(np.diff(sphere_on_cylinder(1.0, 1500.0, radii, E_GPA)) < 0.0)

    def test_a_flat_face_goes_in_with_the_force(self) -> None:
        # by hand: 2 N / (2 · 1 mm · 100 kN/mm²) = 0.01 um
        assert flat_punch(2.0, 1000.0, 100.0) == pytest.approx(0.01)

    @pytest.mark.parametrize("formula", [sphere_on_plane, flat_punch])
    def test_arrays_go_the_same_way(self, formula: Callable[..., Any]) -> None:
        forces, radii = np.array([0.1, 0.5, 1.0]), np.array([1500.0, 3000.0, 20000.0])
        one_by_one = [formula(f, r, E_GPA) for f, r in zip(forces, radii, strict=True)]
        assert formula(forces, radii, E_GPA).tolist() == one_by_one

    def test_arrays_go_the_same_way_on_a_cylinder(self) -> None:
        radii = np.array([700.0, 1500.0, 4000.0])
        one_by_one = [sphere_on_cylinder(1.0, float(r), 1500.0, E_GPA) for r in radii]
        assert sphere_on_cylinder(1.0, radii, 1500.0, E_GPA) == pytest.approx(one_by_one, rel=1e-14)


GIVES = {name: row.modulus for name, row in materials().items() if row.modulus is not None}


@pytest.mark.parametrize("name", list(GIVES))
def test_every_modulus_is_allowed_a_tenth_or_more(name: str) -> None:
    modulus = GIVES[name]
    assert modulus.parts[0].halfwidth >= 0.0999 * float(modulus.value)


HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "10 mm", deviation = "0 um", material = "steel" }
comparator = { resolution = "0.1 um", travel = "50 um", force = "1 N", TIP }
part = { material = "aluminium" }
""".replace("TIP", 'tip = { material = "tungsten carbide", radius = "1.5 mm" }')
SIZE = 'characteristics.t = { measure = "size", at = "a", nominal = "10 mm" }\n'
TERM = "elastic contact, part less reference"


def check(*keys: str) -> str:
    return "checks.contact = { " + ", ".join(keys) + " }\n"


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


ONE = steps('do = "zero", times = 2', 'do = "read", at = "a", times = 3', 'do = "return"')
READ = ["0", "0.1", "1.0", "1.1", "1.2", "0"]


def taken_um(outcome: Any, name: str = "t") -> float:
    value: float = outcome.record["results"][name]["corrections_um"][TERM]
    return value


def budget(outcome: Any) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in outcome.record["results"]["t"]["budget"]}


class TestSize:
    def test_a_softer_part_reads_short_and_is_made_longer(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check() + ONE, READ)
        soft = sphere_on_plane(1.0, 1500.0, contact_modulus(620.0, 0.22, 70.0, 0.33))
        hard = sphere_on_plane(1.0, 1500.0, E_GPA)
        assert taken_um(outcome) == pytest.approx(soft - hard)
        assert taken_um(outcome) > 0.0
        assert outcome.code == 0

    def test_two_materials_have_moduli_of_their_own(self, measure: Measure) -> None:
        rows = budget(measure(HEAD + SIZE + check() + ONE, READ))
        # δ goes with E*^(-2/3); 1/E* has the share s of the part, and 10 % of its E are u = 5.77 %
        part = (1.0 - 0.33**2) / 70.0
        share = part / (part + (1.0 - 0.22**2) / 620.0)
        soft = sphere_on_plane(1.0, 1500.0, contact_modulus(620.0, 0.22, 70.0, 0.33))
        by_hand = soft * 2.0 / 3.0 * share * 0.1 / 3.0**0.5
        assert rows["modulus of the part"]["contribution_um"] == pytest.approx(by_hand, rel=0.01)
        assert rows["modulus of the reference"]["contribution_um"] > 0.0
        assert rows["modulus of the tip"]["contribution_um"] > 0.0
        assert rows["contact force"]["contribution_um"] == 0.0

    def test_one_material_leaves_nothing_at_all(self, measure: Measure) -> None:
        outcome = measure(HEAD.replace("aluminium", "steel") + SIZE + check() + ONE, READ)
        assert taken_um(outcome) == 0.0
        rows = budget(outcome)
        assert rows["modulus of part and reference"]["contribution_um"] == 0.0
        assert rows["modulus of the tip"]["contribution_um"] == 0.0

    def test_force_and_radius_may_be_known_better(self, measure: Measure) -> None:
        keys = 'force = { value = "0.8 N", halfwidth = "0.1 N" }', 'radius = { value = "3 mm", standard = "0.1 mm" }'
        outcome = measure(HEAD + SIZE + check(*keys) + ONE, READ)
        plain = taken_um(measure(HEAD + SIZE + check() + ONE, READ))
        assert taken_um(outcome) == pytest.approx(plain * 0.8 ** (2 / 3) * 2 ** (-1 / 3))
        rows = budget(outcome)
        # δ ∝ F^(2/3) R^(-1/3)
        force = taken_um(outcome) * 2 / 3 * 0.1 / 3**0.5 / 0.8
        assert rows["contact force"]["contribution_um"] == pytest.approx(force, rel=0.01)
        assert rows["tip radius"]["contribution_um"] == pytest.approx(taken_um(outcome) / 3 * 0.1 / 3.0, rel=0.01)

    def test_a_reading_at_another_force_than_the_zero_s_counts_at_its_own(self, measure: Measure) -> None:
        lines = steps('do = "zero"', 'do = "read", at = "a", force = "1.5 N", times = 2', 'do = "return"')
        outcome = measure(HEAD.replace("aluminium", "steel") + SIZE + check() + lines, ["0", "1", "1", "0"])
        expected = sphere_on_plane(1.5, 1500.0, E_GPA) - sphere_on_plane(1.0, 1500.0, E_GPA)
        assert taken_um(outcome) == pytest.approx(expected)

    def test_a_pin_against_a_flat_block_gives_way_more(self, measure: Measure) -> None:
        keys = 'geometry = "sphere on cylinder"', 'part_diameter = "3 mm"'
        outcome = measure(HEAD.replace("aluminium", "steel") + SIZE + check(*keys) + ONE, READ)
        expected = sphere_on_cylinder(1.0, 1500.0, 1500.0, E_GPA) - sphere_on_plane(1.0, 1500.0, E_GPA)
        assert taken_um(outcome) == pytest.approx(expected)

    def test_a_pin_against_a_pin_of_its_size_leaves_nothing(self, measure: Measure) -> None:
        keys = 'geometry = "sphere on cylinder"', 'part_diameter = "3 mm"', 'reference_diameter = "3 mm"'
        outcome = measure(HEAD.replace("aluminium", "steel") + SIZE + check(*keys) + ONE, READ)
        assert taken_um(outcome) == 0.0

    def test_flat_faces(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check('geometry = "parallel flats"', 'radius = "1 mm"') + ONE, READ)
        soft = flat_punch(1.0, 1000.0, contact_modulus(620.0, 0.22, 70.0, 0.33))
        assert taken_um(outcome) == pytest.approx(soft - flat_punch(1.0, 1000.0, E_GPA))

    def test_the_reference_read_among_the_steps_is_the_reference(self, measure: Measure) -> None:
        text = 'characteristics.t = { measure = "size", at = "a", from = "block", nominal = "10 mm" }\n'
        lines = steps('do = "zero"', 'do = "read", at = "block"', 'do = "read", at = "a"', 'do = "return"')
        outcome = measure(HEAD + text + check() + lines, ["0", "0", "1", "0"])
        assert taken_um(outcome) == pytest.approx(taken_um(measure(HEAD + SIZE + check() + ONE, READ)))

    def test_the_approaches_are_told(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check() + ONE, READ)
        (found,) = [f for f in outcome.record["findings"] if f["code"] == "contact/approach"]
        assert found["data"]["reference_at_1_N_um"] == pytest.approx(0.238, abs=0.0005)


def said(outcome: Any) -> dict[str, dict[str, Any]]:
    return {f["code"]: f for f in outcome.record["findings"] if f["code"].startswith("contact/")}


VARIATION = 'characteristics.v = { measure = "variation", at = ["a", "b"], upper = "5 um" }\n'
TWO = steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
SHOWN = ["0", "1", "1.1", "0"]


class TestWhatTheMaterialsBear:
    """Carbide on steel, 1 N, 1.5 mm radius: a = 18.9 um, p₀ = 1.34 GPa; p₀ goes with F^(1/3) and R^(-2/3), by hand.

    The table: steel has a hardness of 7.85 GPa, and so yields from 1.6 · 7.85 / 3 = 4.19 GPa on.
    """

    STEEL = HEAD.replace("aluminium", "zirconia")  # its modulus is that of steel, and it is harder

    def test_a_usual_tip_stays_elastic_and_it_is_said_by_what(self, measure: Measure) -> None:
        found = said(measure(self.STEEL + SIZE + check() + ONE, READ))
        assert list(found) == ["contact/approach"]
        text = found["contact/approach"]["text"]
        assert "0.038 mm wide, pressure at most 1.35 GPa" in text
        assert "By the hardness of tungsten carbide (14.7 GPa), zirconia (11.8 GPa), steel (7.85 GPa) it stays" in text

    def test_a_material_of_unknown_hardness_is_named(self, measure: Measure) -> None:
        text = said(measure(HEAD + SIZE + check() + ONE, READ))["contact/approach"]["text"]
        assert "Whether it stays elastic is not tested for aluminium: no hardness is known" in text

    # 4.19 GPa are reached at R = 1.5 mm · (1.34 / 4.19)^1.5 = 0.27 mm
    @pytest.mark.parametrize(("radius", "codes"), [("0.3 mm", []), ("0.25 mm", ["contact/yield"])])
    def test_what_begins_to_yield_is_a_doubt_of_a_size(self, measure: Measure, radius: str, codes: list[str]) -> None:
        outcome = measure(self.STEEL.replace("1.5 mm", radius) + SIZE + check() + ONE, READ)
        assert [code for code in outcome.codes("doubt") if code.startswith("contact")] == codes
        assert outcome.codes("stop") == []
        if codes:
            found = said(outcome)["contact/yield"]
            assert found["characteristic"] == "t"
            assert "the reference (steel) is pressed with 4.4" in found["text"]
            assert "yields from 4.19 GPa on" in found["text"]

    # a mean of 7.85 GPa is reached at R = 1.5 mm · (0.893 / 7.85)^1.5 = 0.058 mm, and it matters at 1.7 N at 0.075 mm
    @pytest.mark.parametrize(("radius", "stops"), [("0.06 mm", []), ("0.055 mm", ["contact/plastic"])])
    def test_what_is_plastic_leaves_a_size_undecided(self, measure: Measure, radius: str, stops: list[str]) -> None:
        outcome = measure(self.STEEL.replace("1.5 mm", radius) + SIZE + VARIATION + check() + TWO, SHOWN)
        assert outcome.codes("stop") == stops
        verdicts = {name: result["verdict"] for name, result in outcome.record["results"].items()}
        assert verdicts == {"t": "undecided" if stops else "reported", "v": "pass"}
        if stops:
            found = said(outcome)["contact/plastic"]
            assert found["characteristic"] == "t"
            assert "bears 7.85 GPa" in found["text"]
            assert "leaves a mark" in found["text"]

    def test_the_greatest_force_counts(self, measure: Measure) -> None:
        lines = steps('do = "zero"', 'do = "read", at = "a", force = "8 N", times = 2', 'do = "return"')
        text = HEAD.replace("aluminium", "steel").replace("1.5 mm", "0.5 mm") + SIZE + check()
        # p₀ = 1.34 · 3^(2/3) = 2.79 GPa at 1 N, and twice as much at 8 N
        assert "contact/yield" not in said(measure(text + ONE, READ))
        found = said(measure(text + lines, ["0", "1", "1", "0"]))["contact/yield"]
        assert "the part (steel) is pressed with 5.5" in found["text"]
        assert "at 8 N" in found["text"]
        assert "the reference" not in found["text"]

    @pytest.mark.parametrize("characteristic", [SIZE.replace('"a"', '["a", "b"]'), VARIATION])
    @pytest.mark.parametrize("radius", ["0.25 mm", "0.05 mm"])
    def test_where_all_is_alike_it_is_a_mark_and_nothing_else(
        self, measure: Measure, characteristic: str, radius: str
    ) -> None:
        text = HEAD.replace("aluminium", "steel").replace("1.5 mm", radius)
        outcome = measure(text + characteristic + check() + TWO, SHOWN)
        assert outcome.codes("stop") == []
        assert [code for code in outcome.codes("doubt") if code.startswith("contact")] == ["contact/mark"]
        found = said(outcome)["contact/mark"]
        assert found["characteristic"] is None
        assert "he part (steel) is pressed" in found["text"]
        assert "he reference (steel) is pressed" in found["text"]

    def test_a_mark_is_told_once(self, measure: Measure) -> None:
        outcome = measure(self.STEEL.replace("1.5 mm", "0.25 mm") + SIZE + VARIATION + check() + TWO, SHOWN)
        assert [code for code in outcome.codes("doubt") if code.startswith("contact")] == ["contact/yield"]

    def test_a_flat_face_is_held_against_hardness_alone(self, measure: Measure) -> None:
        # 1 N on a face of 5 um radius: 1 / (π · 25) N/um² = 12.7 GPa on average, on 7.85 GPa
        keys = 'geometry = "parallel flats"', 'radius = "5 um"'
        outcome = measure(self.STEEL + SIZE + check(*keys) + ONE, READ)
        assert outcome.codes("stop") == ["contact/plastic"]
        assert "with 12.7 GPa on average" in said(outcome)["contact/plastic"]["text"]
        # of 7 um: 6.5 GPa, which is more than the yield strength, and less than the hardness
        outcome = measure(self.STEEL + SIZE + check(keys[0], 'radius = "7 um"') + ONE, READ)
        assert list(said(outcome)) == ["contact/approach"]
        assert "edge of the face is not tested" in said(outcome)["contact/approach"]["text"]

    def test_a_yield_strength_that_is_known_counts(self) -> None:
        presses = [Pressed(body="part", force_N=1.0, radius_um=20.0, mean_GPa=0.5, peak_GPa=0.75)]
        names = {"tip": "sapphire", "part": "alloy", "reference": "alloy"}
        for alloy, begins in (
            (Material(name="alloy", yield_GPa=0.276), 1.6 * 0.276),
            (Material(name="alloy", hardness_GPa=1.2), 1.6 * 0.4),
            (Material(name="alloy", yield_GPa=0.46, hardness_GPa=1.2), 1.6 * 0.46),
            (Material(name="alloy", yield_GPa=0.48), None),
            (Material(name="alloy"), None),
        ):
            found = breaches(presses, names, {"alloy": alloy, "sapphire": materials()["sapphire"]})
            assert [(item.who, item.plastic) for item in found] == ([] if begins is None else [("part", False)])
            assert [item.begins_GPa for item in found] == ([] if begins is None else [pytest.approx(begins)])
        # plastic at three times a yield strength that alone is known
        (item,) = breaches(presses, names, {"alloy": Material(name="alloy", yield_GPa=0.16)})
        assert item.plastic
        assert item.begins_GPa == pytest.approx(0.48)


class TestAWideContact:
    """Chrome carbide, brass and aluminium: no hardness is known, so that the width alone can be looked at."""

    UNKNOWN = HEAD.replace("tungsten", "chrome").replace('"steel"', '"brass"')

    # a/R = (3F/(4R²E*))^(1/3) with E* = 1/(0.8911/70 + 0.9216/350) GPa = 65.1 GPa: a tenth at R = 0.107 mm and 1 N
    @pytest.mark.parametrize(("radius", "wide"), [("0.11 mm", False), ("0.104 mm", True)])
    def test_begins_at_a_tenth_of_the_tip_s_radius(self, measure: Measure, radius: str, wide: bool) -> None:
        outcome = measure(self.UNKNOWN.replace("1.5 mm", radius) + SIZE + check() + ONE, READ)
        assert ("contact/wide" in said(outcome)) is wide

    def test_is_a_doubt_while_the_correction_s_own_uncertainty_carries_it(self, measure: Measure) -> None:
        outcome = measure(self.UNKNOWN.replace("1.5 mm", "0.1 mm") + SIZE + check() + ONE, READ)
        found = said(outcome)["contact/wide"]
        assert (found["level"], found["characteristic"]) == ("doubt", "t")
        assert "on a tip of 0.1 mm radius. The formula holds up to a fifth of that radius" in found["text"]
        assert outcome.codes("stop") == []

    def test_leaves_a_size_undecided_where_it_does_not(self, measure: Measure) -> None:
        # the same materials, and one more force on the part than on the reference: the moduli hardly count in the
        # difference, 1.6^(2/3) − 1 of an approach, and a/R of it does
        lines = steps('do = "zero"', 'do = "read", at = "a", force = "1.6 N", times = 2', 'do = "return"')
        text = self.UNKNOWN.replace("brass", "aluminium").replace("1.5 mm", "0.05 mm") + SIZE + check()
        outcome = measure(text + lines, ["0", "1", "1", "0"])
        assert outcome.codes("stop") == ["contact/wide"]
        assert "more than its uncertainty of" in said(outcome)["contact/wide"]["text"]
        assert outcome.record["results"]["t"]["verdict"] == "undecided"

    def test_as_wide_as_its_tip_is_none(self, measure: Measure) -> None:
        outcome = measure(self.UNKNOWN.replace("1.5 mm", "1.5 um") + SIZE + VARIATION + check() + TWO, SHOWN)
        assert outcome.codes("stop") == ["contact/wide"]
        assert "no tip touches like that" in said(outcome)["contact/wide"]["text"]
        verdicts = {name: result["verdict"] for name, result in outcome.record["results"].items()}
        assert verdicts == {"t": "undecided", "v": "pass"}

    def test_where_all_is_alike_it_is_a_note(self, measure: Measure) -> None:
        text = self.UNKNOWN.replace("brass", "aluminium").replace("1.5 mm", "1.5 um")
        outcome = measure(text + SIZE + check() + ONE, READ)
        assert outcome.codes("stop") == []
        assert said(outcome)["contact/wide"]["level"] == "note"

    def test_no_face_is_too_wide(self, measure: Measure) -> None:
        outcome = measure(self.UNKNOWN + SIZE + check('geometry = "parallel flats"', 'radius = "1 mm"') + ONE, READ)
        assert list(said(outcome)) == ["contact/approach"]

    def test_the_uncertainty_of_a_correction_is_that_of_its_term(self, start: Callable[..., Any]) -> None:
        view = view_of(start(HEAD + SIZE + check() + ONE).answer(*READ).run.state, "1", materials())
        readings = tuple(r for r in view.readings if r.slot.place)
        spec = view.routine.characteristics["t"]
        seen = CharacteristicView(name="t", spec=spec, readings=readings, weights=(0.5, 0.25, 0.25))
        (term,) = correction(ContactSettings.model_validate({}), view, seen)
        value, expanded = value_and_expanded_um(term)
        assert value == pytest.approx(propagate([term]).value_um)
        assert expanded == pytest.approx(2.0 * propagate([term]).standard_uncertainty_um, rel=0.01)

    def test_of_many_runs_is_told_of_each(self, start: Callable[..., Any]) -> None:
        press = Pressed(body="part", force_N=1.0, radius_um=20.0, mean_GPa=0.5, peak_GPa=0.75)
        wide = Wide(
            pressed=press,
            tip_um=100.0,
            correction_um=np.array([0.1, 1.0, -1.0]),
            carried_um=np.array([0.05, 0.05, 0.3]),
        )
        assert wide.wrong_um == pytest.approx([0.02, 0.2, 0.2])
        view = view_of(start(HEAD + SIZE + check() + ONE).answer(*READ).run.state, "1", materials())
        told = {finding.level.value: np.asarray(finding.holds).tolist() for finding in width(view, "t", wide)}
        assert told == {"stop": [False, True, False], "doubt": [True, False, True]}


class TestDifferencesWithinThePart:
    STEP = 'characteristics.t = { measure = "step", at = "b", from = "a" }\n'
    LINES = steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')

    def test_a_step_at_one_force_needs_nothing(self, measure: Measure) -> None:
        outcome = measure(HEAD + self.STEP + check() + self.LINES, ["0", "1", "2", "0"])
        assert TERM not in outcome.record["results"]["t"]["corrections_um"]

    def test_nor_does_it_need_to_know_the_materials(self, measure: Measure) -> None:
        outcome = measure(HEAD.replace("aluminium", "cheese") + self.STEP + check() + self.LINES, ["0", "1", "2", "0"])
        assert outcome.codes("stop") == []

    def test_a_variation_needs_nothing(self, measure: Measure) -> None:
        text = 'characteristics.t = { measure = "variation", at = ["a", "b"], upper = "5 um" }\n'
        outcome = measure(HEAD + text + check() + self.LINES, ["0", "1", "2", "0"])
        assert TERM not in outcome.record["results"]["t"]["corrections_um"]


class TestUnknown:
    @pytest.mark.parametrize(
        ("old", "new", "code", "words"),
        [
            ('material = "aluminium"', 'material = "cheese"', "contact/material", "state part.material"),
            ('material = "tungsten carbide", ', "", "contact/material", "state comparator.tip.material"),
            (', material = "steel"', "", "contact/material", "state reference.material"),
            ('force = "1 N", ', "", "contact/force", "state comparator.force"),
            (', radius = "1.5 mm"', "", "contact/radius", "state comparator.tip.radius"),
        ],
    )
    def test_it_leaves_a_size_undecided_and_says_what_to_state(
        self, measure: Measure, old: str, new: str, code: str, words: str
    ) -> None:
        assert old in HEAD
        outcome = measure(HEAD.replace(old, new) + SIZE + check() + ONE, READ)
        assert outcome.codes("stop") == [code]
        assert outcome.code == 3
        (found,) = [f for f in outcome.record["findings"] if f["code"] == code]
        assert words in found["text"]


class TestSettings:
    @pytest.mark.parametrize(
        ("keys", "words"),
        [
            (('geometry = "sphere on cylinder"',), "part_diameter"),
            (('part_diameter = "3 mm"',), "a diameter with a cylinder only"),
            (('geometry = "parallel flats"',), "radius"),
            (('force = { value = "0.5 N", halfwidth = "0.4 N" }',), "three standard uncertainties"),
            (('radius = "-1 mm"',), "above zero"),
            (('geometry = "cone on plane"',), "geometry"),
        ],
    )
    def test_what_can_t_be_is_refused(self, measure: Measure, keys: tuple[str, ...], words: str) -> None:
        outcome = measure(HEAD + SIZE + check(*keys) + ONE, READ)
        assert outcome.code == 2
        assert words in outcome.said


class TestRuns:
    def test_weights_of_many_runs_go_the_same_way(self, start: Callable[..., Any]) -> None:
        text = HEAD + 'characteristics.t = { measure = "size", at = ["a", "b"], of = "largest" }\n' + check()
        lines = steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        bench = start(text + lines).answer("0", "1", "2", "0")
        view = view_of(bench.run.state, "1", materials())
        spec = view.routine.characteristics["t"]
        readings = tuple(r for r in view.readings if r.slot.place)
        chosen = np.array([1.0, 0.0, 1.0])
        seen = CharacteristicView(name="t", spec=spec, readings=readings, weights=(chosen, 1.0 - chosen))
        (term,) = correction(ContactSettings.model_validate({}), view, seen)
        (alone,) = correction(ContactSettings.model_validate({}), view, replace(seen, weights=(0.0, 1.0)))
        assert propagate([term]).value_um == pytest.approx([propagate([alone]).value_um] * 3)

    def test_a_draw_far_out_in_a_tail_does_no_harm(self, start: Callable[..., Any]) -> None:
        bench = start(HEAD + SIZE + check() + ONE).answer(*READ)
        view = view_of(bench.run.state, "1", materials())
        readings = tuple(r for r in view.readings if r.slot.place)
        spec = view.routine.characteristics["t"]
        seen = CharacteristicView(name="t", spec=spec, readings=readings, weights=(0.5, 0.25, 0.25))
        tables = {"force": {"value": "1 N", "standard": "0.3 N"}, "radius": {"value": "1.5 mm", "standard": "0.4 mm"}}
        settings = ContactSettings.model_validate(tables)
        (term,) = correction(settings, view, seen)
        drawn = [np.array([-1.0, 0.0, float(item.estimate.value)]) for item in term.inputs]
        assert np.all(np.isfinite(term.function(*drawn)))
