"""What a soak is watched by: how long is enough, in which steps numbers are shown, and what two thermometers tell."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from holdzero.catalogue import Catalogue
from holdzero.outlook import Outlook, outlook_of
from holdzero.routine.schema import Measure
from holdzero.run.kept import Observed
from holdzero.run.plan import Slot
from holdzero.run.sizes import like_a_size, part_size_um, sizes_at
from holdzero.run.soaking import BETWEEN, may_end, outlooks_of, reading_step, settled
from holdzero.run.state import State
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of

Points = list[tuple[float, float]]


def soaking(**keys: Any) -> tuple[State, Slot]:
    """A run in which a soak is asked for, from 1000 s on."""
    soak = {"do": "soak", "at_least": "400 s", **keys}
    steps = (soak, {"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"})
    state = replace(begun(loaded_of(Draft().with_steps(*steps), Catalogue())).state, soak_from_s=1000.0)
    slot = state.slot
    assert slot is not None
    return state, slot


def watched(points: dict[str, Points], **keys: Any) -> dict[str, Outlook]:
    """How it stands, by what was watched: times from the beginning of the soak [s], and values."""
    state, slot = soaking(**keys)
    seen = [Observed(slot=slot, of=of, value=v, time_s=1000.0 + at) for of, own in points.items() for at, v in own]
    seen.sort(key=lambda item: item.time_s)
    return {item.of: item for item in outlooks_of(replace(state, observed=tuple(seen)), slot)}


def still(until_s: float, value: float = 20.0, every_s: float = 10.0, from_s: float = 0.0) -> Points:
    """Every ten seconds the same, but for a thousandth."""
    return [(from_s + every_s * n, value + 1e-3 * (-1) ** n) for n in range(int((until_s - from_s) / every_s) + 1)]


# So wide that only the time counts for which it was watched.
WITHIN = {"within_temperature": "900 K"}


class TestEnough:
    """A quarter of the soak's time, and six points at least, without a pause."""

    @pytest.mark.parametrize(
        ("points", "enough"),
        [
            (still(100.0), True),
            (still(90.0), False),
            # From its first point, not from the soak's beginning; and whatever the counter was before.
            (still(190.0, from_s=90.0), True),
            (still(180.0, from_s=90.0), False),
            (still(100.0, every_s=20.0), True),
            (still(100.0, every_s=25.0), False),
            # After a pause it counts anew.
            ([*still(50.0), *still(250.0, from_s=200.0)], False),
            ([*still(50.0), *still(300.0, from_s=200.0)], True),
        ],
    )
    def test_is_a_quarter_of_the_time_that_is_prescribed(self, points: Points, enough: bool) -> None:
        found = watched({"part": points}, **WITHIN)
        assert bool(found and found["part"].enough) is enough
        assert may_end(tuple(found.values()), over=False) is enough

    def test_says_when_it_will_be_enough(self) -> None:
        assert watched({"part": still(60.0)}, **WITHIN)["part"].left_s == 40.0
        # Nobody knows where it is not the part that is waited for.
        late = {"part": still(100.0), "reference": still(100.0, from_s=50.0)}
        assert watched(late, **WITHIN)["part"].left_s is None

    @pytest.mark.parametrize(
        ("points", "enough"),
        [
            ({"reference": still(100.0)}, False),
            ({"plate": still(100.0)}, False),
            ({"part": still(100.0), "reference": still(100.0)}, True),
            # What began late is not enough, though the part is.
            ({"part": still(100.0), "reference": still(100.0, from_s=50.0)}, False),
            ({"part": still(100.0), "air": still(100.0, from_s=50.0)}, True),
        ],
    )
    def test_is_of_all_that_is_limited_and_of_the_part_at_least(self, points: dict[str, Points], enough: bool) -> None:
        assert all(outlook.enough for outlook in watched(points, **WITHIN).values()) is enough

    def test_knows_nothing_of_before_the_soak_or_of_another(self) -> None:
        state, slot = soaking(**WITHIN)
        other = replace(slot, id="9")

        def seen(of: Slot, points: Points) -> tuple[Observed, ...]:
            return tuple(Observed(slot=of, of="part", value=v, time_s=1000.0 + at) for at, v in points)

        early = replace(state, observed=(*seen(slot, still(-10.0, from_s=-100.0)), *seen(slot, still(40.0))))
        assert outlooks_of(early, slot) == ()
        assert outlooks_of(replace(state, observed=seen(other, still(100.0))), slot) == ()
        # The first moment counts: six points from there on.
        assert len(outlooks_of(replace(state, observed=seen(slot, still(50.0))), slot)) == 1


class TestLimits:
    def test_are_of_what_they_are_set_for(self) -> None:
        points = {"": still(100.0, 0.0), "part": still(100.0), "plate": still(100.0), "air": still(100.0)}
        found = watched(points, within="0.5 um", within_temperature="0.25 K")
        assert {of: (item.unit, item.within) for of, item in found.items()} == {
            "": ("um", 0.5),
            "part": ("K", 0.25),
            "plate": ("K", 0.25),
            "air": ("K", None),
        }

    def test_are_of_part_less_reference_too(self) -> None:
        part = [(at, value + 1.0 + 0.01 * at) for at, value in still(100.0)]
        found = watched({"part": part, "reference": still(105.0, from_s=5.0)}, **WITHIN)[BETWEEN]
        assert (found.unit, found.within, found.points) == ("K", 900.0, 11)
        assert [value for _, value in found.seen] == pytest.approx([1.0 + 0.1 * n for n in range(11)])
        assert [at for at, _ in found.seen] == pytest.approx([1005.0 + 10.0 * n for n in range(11)])

    def test_of_a_thermometer_that_was_not_read_again_tell_nothing(self) -> None:
        found = watched({"part": still(100.0), "reference": [(5.0, 20.0)]}, **WITHIN)
        assert BETWEEN not in found


class TestTheStepOfReadings:
    @pytest.mark.parametrize(
        ("values", "resolution", "step"),
        [
            ([0.0, 0.1, 0.2], 0.1, 0.1),
            # Clearly finer is less than half of the resolution.
            ([0.0, 0.04, 0.1], 0.1, 0.04),
            ([0.0, 0.0625, 0.25], 0.125, 0.125),
            ([0.0, 0.06, 0.12], 0.1, 0.1),
            ([0.0, 0.6, 2.0], 1.5, 0.6),
            ([0.0, 0.0], 0.1, 0.1),
            ([0.0, 0.5, 0.75], None, 0.25),
            ([0.0], None, 0.0),
            # What differs by less than a billionth does not differ.
            ([0.0, 4e-10], 0.1, 0.1),
        ],
    )
    def test_is_the_resolution_unless_they_are_clearly_finer(
        self, values: list[float], resolution: float | None, step: float
    ) -> None:
        assert reading_step(values, resolution) == pytest.approx(step)


class TestTheStepOfAThermometer:
    """It is no finer than its last decimal, and no coarser than 25 of them."""

    @staticmethod
    def points(values: list[float], from_s: float = 0.0) -> Points:
        return [(from_s + 10.0 * n, values[n % len(values)]) for n in range(12)]

    @pytest.mark.parametrize(
        ("values", "step_K"),
        [
            ([20.0], 0.1),
            ([20.01, 20.02], 0.01),
            ([20.0, 20.25, 20.27], 20.27 - 20.25),
            ([20.0, 20.5], 0.5),
            ([20.0, 23.0], 2.5),
        ],
    )
    def test_is_that_of_what_it_shows(self, values: list[float], step_K: float) -> None:  # noqa: N803  the unit's own capital
        points = self.points(values)
        (found,) = watched({"part": points}, **WITHIN).values()
        assert found == outlook_of(*self.apart(points), of="part", unit="K", within=900.0, step=step_K)

    def test_of_a_difference_is_that_of_both_whatever_else_is_watched(self) -> None:
        part, reference = self.points([20.0]), self.points([20.01], 5.0)
        found = watched({"part": part, "reference": reference, "": self.points([1e-6])}, **WITHIN)[BETWEEN]
        times = [at for at, _ in reference]
        differences = [20.0 - 20.01] * len(times)
        more = [1000.0 + at for at in times]
        assert found == outlook_of(more, differences, of=BETWEEN, unit="K", within=900.0, step=0.1 + 0.01)

    def test_of_a_dial_that_stands_still_is_its_resolution(self) -> None:
        points = self.points([0.0])
        found = watched({"": points}, **WITHIN)[""]
        assert found == outlook_of(*self.apart(points), of="", unit="um", step=0.1)

    @staticmethod
    def apart(points: Points) -> tuple[list[float], list[float]]:
        return [1000.0 + at for at, _ in points], [value for _, value in points]


# As in `test_soaking.py`: V/A of 5 mm by 35 mm by 9 mm, its foot not counted, of nickel in still air.
SLOWEST_S = 3.9e6 * (1575.0 / 755.0 * 1e-3) / 5.0


class TestAReadingThatStandsStill:
    @pytest.mark.parametrize(("until_s", "hides"), [(1620.0, True), (1630.0, False)])
    def test_hides_a_fade_up_to_the_point_that_would_show_it(self, until_s: float, hides: bool) -> None:
        assert 1620.0 < SLOWEST_S < 1630.0
        found = watched({"": still(until_s, 0.0)}, within="0.5 um", at_least="60 min")[""]
        assert (found.hidden is not None) is hides

    @pytest.mark.parametrize(("at_least", "left_s"), [("60 min", SLOWEST_S - 600.0), ("20 min", 600.0)])
    def test_says_how_long_until_it_would_show_or_the_soak_is_over(self, at_least: str, left_s: float) -> None:
        found = watched({"": still(600.0, 0.0)}, within="0.5 um", at_least=at_least)[""]
        assert found.left_s == pytest.approx(left_s)
        assert not found.enough

    @pytest.mark.parametrize(
        ("of", "until_s", "hides"), [("part", 900.0, False), ("part", 890.0, True), ("reference", 900.0, True)]
    )
    def test_hides_nothing_where_a_thermometer_on_the_part_is_at_rest(
        self, of: str, until_s: float, hides: bool
    ) -> None:
        points = {"": still(until_s, 0.0), "plate": still(until_s), of: still(until_s)}
        found = watched(points, within="0.5 um", at_least="60 min", **WITHIN)
        assert (found[""].hidden is not None) is hides


class TestWhetherItMayEnd:
    NEAR = watched({"part": still(100.0)}, **WITHIN)["part"]
    FAR = replace(NEAR, bound=901.0)
    UNLIMITED = replace(NEAR, within=None)

    @pytest.mark.parametrize(
        ("outlooks", "at_rest"),
        [
            ((), None),
            ((UNLIMITED,), None),
            ((NEAR, UNLIMITED), True),
            ((NEAR, NEAR), True),
            ((NEAR, FAR), False),
            # Near, but not watched for long enough: it says nothing either way.
            ((replace(NEAR, enough=False),), None),
        ],
    )
    def test_is_by_rest_where_that_is_judged_else_by_time(
        self, outlooks: tuple[Outlook, ...], at_rest: bool | None
    ) -> None:
        assert settled(outlooks) is at_rest
        assert [may_end(outlooks, over=over) for over in (False, True)] == (
            [False, True] if at_rest is None else [at_rest, at_rest]
        )


class TestASize:
    @pytest.mark.parametrize(
        ("length_um", "sizes_um", "like"),
        [
            # Within a tenth of it, and within 3 mm.
            (4500.0, (5000.0,), True),
            (5500.0, (5000.0,), True),
            (4499.0, (5000.0,), False),
            (97_000.0, (100_000.0,), True),
            (96_999.5, (100_000.0,), False),
            (20_100.0, (5000.0, 20_000.0), True),
            (5100.0, (5000.0, 20_000.0), True),
            (-5000.0, (5000.0,), False),
            (0.0, (), False),
        ],
    )
    def test_is_looked_like_by_what_is_near(self, length_um: float, sizes_um: tuple[float, ...], like: bool) -> None:
        assert like_a_size(length_um, sizes_um) is like

    def test_of_what_is_read_is_that_of_the_place(self) -> None:
        draft = (
            Draft()
            .with_table("reference", size="4 mm")
            .with_table("check_standard", size="7 mm", deviation="0 um", limit="1 um")
            .with_characteristic("thickness", at=["a", "b"])
            .with_characteristic("height", measure="size", at="b", nominal="6 mm", upper="3 um")
            .with_characteristic("flat", measure="variation", at=["b", "c"], upper="3 um")
            .with_steps({"do": "zero"}, {"do": "check"}, *({"do": "read", "at": at} for at in "abc"), {"do": "return"})
        )
        state = begun(loaded_of(draft, Catalogue())).state
        routine, reference = state.routine, state.reference
        assert routine is not None
        sizes = [sizes_at(routine, reference, slot) for slot in state.slots]
        assert sizes[:6] == [(4000.0,), (7000.0,), (5000.0,), (5000.0, 6000.0), (4000.0,), (4000.0,)]
        assert sizes_at(routine, None, state.slots[0]) == ()
        assert sizes_at(routine.model_copy(update={"check_standard": None}), reference, state.slots[1]) == ()
        # A measure of a plugin's may have a nominal that is no size; and a size may have none.
        specs = dict(routine.characteristics)
        specs["height"] = specs["height"].model_copy(update={"measure": Measure.STEP})
        specs["thickness"] = specs["thickness"].model_copy(update={"nominal": None})
        assert sizes_at(routine.model_copy(update={"characteristics": specs}), reference, state.slots[3]) == (4000.0,)

    @pytest.mark.parametrize(("block", "largest"), [("4 mm", 6000.0), ("8 mm", 8000.0)])
    def test_of_the_part_is_the_largest_that_is_stated(self, block: str, largest: float) -> None:
        draft = (
            Draft()
            .with_table("reference", size=block)
            .with_characteristic("height", measure="size", at="a", nominal="6 mm", upper="3 um")
            .with_characteristic("flat", measure="variation", at=["a", "b"], upper="3 um")
            .with_steps({"do": "zero"}, {"do": "read", "at": "a"}, {"do": "read", "at": "b"}, {"do": "return"})
        )
        state = begun(loaded_of(draft, Catalogue())).state
        assert state.routine is not None
        assert part_size_um(state.routine, state.reference) == largest
        # Before a reference is chosen, the one that the routine asks for.
        assert part_size_um(state.routine, None) == largest
        assert state.reference is not None
        other = state.reference.model_copy(update={"size": 9000.0})
        assert part_size_um(state.routine, other) == 9000.0
