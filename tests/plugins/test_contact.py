"""The contact check: formulas against their limits, and the correction through a whole run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ellipe, ellipkm1

from holdzero.hooks import CharacteristicView
from holdzero.model import propagate
from holdzero.views import view_of
from holdzero_plugins.checks._hertz import (
    contact_modulus,
    flat_punch,
    point_contact,
    sphere_on_cylinder,
    sphere_on_plane,
)
from holdzero_plugins.checks.contact import ContactSettings, correction
from holdzero_plugins.tables.materials import materials

Measure = Callable[..., Any]
E_GPA = float(contact_modulus(620.0, 0.22, 205.0, 0.29))  # carbide on steel, from the table of constants


def by_legendre(force_N: float, larger_um: float, smaller_um: float, modulus_GPa: float) -> float:  # noqa: N803  units
    """The same contact from K and E of Legendre, as the textbooks print it, solved for the axes by bracketing."""

    def gap(k: float) -> float:
        first, second = ellipkm1(k * k), ellipe(1.0 - k * k)
        return float((second / k**2 - first) / (first - second) - larger_um / smaller_um)

    k = brentq(gap, 1e-5, 1.0 - 1e-4, xtol=1e-15)
    first, second = ellipkm1(k * k), ellipe(1.0 - k * k)
    a = np.cbrt(3.0 * force_N * (first - second) * larger_um / (np.pi * modulus_GPa * 1e-3 * (1.0 - k * k)))
    return float(3.0 * force_N * first / (2.0 * np.pi * a * modulus_GPa * 1e-3))


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
        assert "not tested" in found["text"]
        assert found["data"]["reference_at_1_N_um"] == pytest.approx(0.238, abs=0.0005)


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
