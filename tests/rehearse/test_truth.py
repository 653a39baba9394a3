"""What the virtual bench calls true, held to a computation by hand from what it shows and what was asked of it.

Lengths follow JCGM 100:2008, H.1.2, eq. (H.1), ISO 1, written out here: l·(1 + α·θ) = l_ref·(1 + α_ref·θ_ref) + d.
The bench is at 25 °C, the part of steel on a reference of ceramic; the expansions are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.evaluate import evaluate
from holdzero.expect import begun, conducted
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.curve import true_sizes_um
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.many import Rehearsal, Tally, least_um, rehearsed
from holdzero.rehearse.scenario import Part, Scenario
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

ALPHA, ALPHA_REF, THETA = 11.5e-6, 4.0e-6, 5.0
REFERENCE_UM = 20_000.4
GROWN, REFERENCE_GROWN = 1.0 + ALPHA * THETA, 1.0 + ALPHA_REF * THETA
MORE_UM = 1.25

THREE: Mapping[str, Any] = {"at": ["a", "b", "c"]}
SIZE: Mapping[str, Any] = {"measure": "size", "nominal": "20.003 mm", "lower": "-4 um", "upper": "+4 um"}


def deviation_um(difference_um: float) -> float:
    """Length at 20 °C less the nominal one, where so much more than the reference is shown [um]."""
    return (REFERENCE_UM * REFERENCE_GROWN + difference_um) / GROWN - 20_003.0


@dataclass(frozen=True)
class Seen:
    """What the bench shows at each place, what it calls true, and what the routine reports [um]."""

    shown: Mapping[str, float]
    true_um: float
    value_um: float


class Bench:
    """A routine at a virtual bench whose readings do not scatter."""

    def __init__(
        self, catalogue: Catalogue, keys: Mapping[str, Any], places: Mapping[str, float], **tables: Any
    ) -> None:
        draft = (
            Draft()
            .without_table("characteristics.thickness")
            .with_table("comparator", resolution="0.0001 um")
            .with_table("reference", size="20 mm", deviation="0.4 um")
            .with_table("bracket", limit="5 um")
            .with_check(
                "thermal",
                part_temperature="25 degC",
                difference="0 K",
                part_expansion=f"{ALPHA} 1/K",
                reference_expansion=f"{ALPHA_REF} 1/K",
            )
            .with_characteristic("x", **keys)
        )
        for name, table in tables.items():
            draft = draft.with_check(name, **table)
        order = "SCXXCS" if "drift" in tables else "abcabc"
        steps = [{"do": "zero"}, *({"do": "read", "at": place} for place in order), {"do": "return"}]
        loaded = loaded_of(draft.with_steps(*steps, {"do": "compare"}), catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        self.what = Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=checks,
            of="x",
            scatter_um=0.0,
            scenario=Scenario(format=1, title="places", part=Part.model_construct(more=None, places=dict(places))),
        )

    def seen(self, more_um: float = MORE_UM) -> Seen:
        """One run, of a part that is so much more than in the middle of its limits."""
        what, run = self.what, begun(self.what.document, self.what.digest)
        bench = VirtualBench(
            run,
            ideal=what.ideal(),
            of="x",
            more_um=more_um,
            scatter_um=0.0,
            entries={},
            contrasts=what.checks.contrasts,
            draws=draws_of(7),
            runs=1,
            scenario=what.scenario,
            shows=what.checks.shows_um,
        )
        state = conducted(run, bench).state
        made = evaluate(state, None, what.checks)
        (result,) = made.results
        assert result.propagated is not None
        shown = {str(r.slot.place): float(np.ravel(r.value_um)[0]) for r in state.readings if r.slot.place}
        return Seen(shown, float(np.ravel(bench.true_um())[0]), float(np.ravel(result.propagated.value_um)[0]))

    def tally(self, more_um: float) -> Tally:
        """What comes of a hundred such parts."""
        return rehearsed(self.what, self.what.ideal(), self.what.middle_um + more_um, 100)


@pytest.fixture
def of(catalogue: Catalogue) -> Callable[..., Bench]:
    """A bench of one characteristic, with what the scenario says of places."""

    def made(keys: Mapping[str, Any], places: Mapping[str, float] | None = None, **tables: Any) -> Bench:
        return Bench(catalogue, keys, places or {}, **tables)

    return made


PLACES = {"a": 0.3, "b": -0.7, "c": 1.6}


class TestWithinOnePart:
    """All places lie at what was asked for, in the middle of the limits and more, and the scenario moves them apart."""

    @pytest.mark.parametrize(
        ("choice", "pick"),
        [("mean", np.mean), ("largest", np.max), ("smallest", np.min)],
        ids=["mean", "largest", "smallest"],
    )
    def test_a_size(self, of: Callable[..., Bench], choice: str, pick: Callable[[list[float]], float]) -> None:
        seen = of({**SIZE, **THREE, "of": choice}, PLACES).seen()
        by_hand = deviation_um(float(pick([seen.shown[place] for place in "abc"])))
        # the scenario's micrometres are the bench's: they shrink by 0.06 nm/um to 20 °C
        assert seen.true_um == pytest.approx(MORE_UM + float(pick(list(PLACES.values()))) / GROWN, abs=1e-6)
        assert by_hand == pytest.approx(seen.true_um, abs=2e-4)
        assert seen.value_um == pytest.approx(by_hand, abs=1e-6)

    @pytest.mark.parametrize(("choice", "own"), [("mean", (0.3 - 0.7) / 2), ("largest", 0.3), ("smallest", -0.7)])
    def test_a_step(self, of: Callable[..., Bench], choice: str, own: float) -> None:
        keys = {"measure": "step", "at": ["a", "b"], "from_": ["c"], "of": choice, "lower": "4 um", "upper": "10 um"}
        seen = of(keys, PLACES).seen()
        lying = sorted(seen.shown[place] for place in "ab")
        picked = {"mean": sum(lying) / 2.0, "largest": lying[1], "smallest": lying[0]}[choice]
        assert seen.true_um == pytest.approx(7.0 + MORE_UM + (own - 1.6) / GROWN, abs=1e-6)
        assert (picked - seen.shown["c"]) / GROWN == pytest.approx(seen.true_um, abs=2e-4)
        assert seen.value_um == pytest.approx(seen.true_um, abs=2e-4)

    def test_a_variation(self, of: Callable[..., Bench]) -> None:
        # a is lifted by what was asked for; c lies highest all the same
        seen = of({"measure": "variation", **THREE, "upper": "5 um"}, {**PLACES, "c": 3.0}).seen()
        assert seen.true_um == pytest.approx((3.0 + 0.7) / GROWN, abs=1e-6)
        assert (max(seen.shown.values()) - min(seen.shown[p] for p in "abc")) / GROWN == pytest.approx(
            seen.true_um, abs=2e-4
        )
        assert seen.value_um == pytest.approx(seen.true_um, abs=2e-4)

    @pytest.mark.parametrize(
        ("measure", "weights"), [("crown", (-0.5, 1.0, -0.5)), ("taper", (1.0, 0.0, -1.0))], ids=["crown", "taper"]
    )
    def test_a_contrast(self, of: Callable[..., Bench], measure: str, weights: tuple[float, ...]) -> None:
        # crown: the middle less the mean of the ends; taper: the first less the last
        seen = of({"measure": measure, **THREE, "lower": "-3 um", "upper": "3 um"}, PLACES).seen()
        of_places = sum(w * p for w, p in zip(weights, PLACES.values(), strict=True))
        shown = sum(w * seen.shown[place] for w, place in zip(weights, "abc", strict=True))
        assert seen.true_um == pytest.approx(MORE_UM + of_places / GROWN, abs=1e-6)
        assert shown / GROWN == pytest.approx(seen.true_um, abs=2e-4)
        assert seen.value_um == pytest.approx(seen.true_um, abs=2e-4)


class TestTrueSizes:
    """A true size that is asked for is what the part is in truth, however the scenario lays its places."""

    @pytest.mark.parametrize(
        ("keys", "own_um"),
        [
            ({**SIZE, **THREE}, 0.4),
            ({**SIZE, **THREE, "of": "largest"}, 1.6),
            ({**SIZE, **THREE, "of": "smallest"}, -0.7),
            ({"measure": "taper", **THREE, "lower": "-4 um", "upper": "4 um"}, -1.3),
        ],
        ids=["mean", "largest", "smallest", "taper"],
    )
    def test_so_that_marks_stand_where_parts_are_bad(
        self, of: Callable[..., Bench], keys: Mapping[str, Any], own_um: float
    ) -> None:
        # limits of 4 um: with the places on top these would lie on the other side of them
        side = np.sign(own_um)
        inside, outside = of(keys, PLACES).tally(side * 3.9), of(keys, PLACES).tally(-side * 4.1)
        assert (inside.good, inside.passed) == (100, 100)
        assert (outside.good, outside.failed) == (0, 100)

    def test_of_a_variation_begin_with_the_least_that_its_places_leave(self, of: Callable[..., Bench]) -> None:
        what = of({"measure": "variation", **THREE, "upper": "5 um"}, PLACES).what
        # b and c lie 2.3 um apart whatever a does
        least = least_um(what, what.ideal())
        assert least == pytest.approx(2.3 / GROWN, abs=1e-6)
        assert true_sizes_um(what.ideal(), "x", 0.0, least)[0] == least
        for size, good in ((4.9, 100), (5.1, 0)):
            assert rehearsed(what, what.ideal(), size, 100).good == good

    def test_of_parts_of_many_sizes_are_so_too(self, of: Callable[..., Bench]) -> None:
        what = of({**SIZE, **THREE}, PLACES).what
        sizes = np.linspace(-5.0, 5.0, 101)
        assert rehearsed(what, what.ideal(), sizes, 101).good == 81


DESIGN: Mapping[str, Any] = {**SIZE, "at": "X", "from_": ["S"], "with_": ["C"]}
CHECK: Mapping[str, Any] = {"place": "C", "value": "-0.07 um"}
ACCEPTED: Mapping[str, Any] = {"standard": "0.01 um", "dof": 60}


class TestADesign:
    def test_the_part_is_as_asked_for(self, of: Callable[..., Bench]) -> None:
        seen = of(DESIGN, {"X": 0.5}, drift={}).seen()
        assert seen.true_um == pytest.approx(MORE_UM + 0.5 / GROWN, abs=1e-6)
        assert deviation_um(seen.shown["X"] - seen.shown["S"]) == pytest.approx(seen.true_um, abs=2e-4)
        assert seen.value_um == pytest.approx(seen.true_um, abs=2e-4)

    def test_a_master_that_is_too_long_makes_the_value_wrong_and_no_other_part(self, of: Callable[..., Bench]) -> None:
        seen = of(DESIGN, {"S": 0.5}, drift={}).seen()
        assert seen.true_um == pytest.approx(MORE_UM, abs=1e-6)
        assert seen.value_um == pytest.approx(MORE_UM - 0.5 / GROWN, abs=2e-4)

    def test_such_a_master_passes_bad_parts(self, of: Callable[..., Bench]) -> None:
        # 0.2 um beyond the limit, and read 0.5 um short
        tally = of(DESIGN, {"S": 0.5}, drift={}).tally(4.2)
        assert (tally.good, tally.bad_passed) == (0, 100)

    def test_its_blocks_lie_apart_as_accepted(self, of: Callable[..., Bench]) -> None:
        seen = of(DESIGN, drift={"accepted": ACCEPTED, "check": CHECK}).seen()
        assert seen.shown["C"] - seen.shown["S"] == pytest.approx(-0.07, abs=2e-4)
        assert seen.value_um == pytest.approx(seen.true_um, abs=2e-4)

    def test_two_masters_of_which_one_is_the_check_standard_are_the_reference_in_the_mean(
        self, of: Callable[..., Bench]
    ) -> None:
        both = {**SIZE, "at": "X", "from_": ["S", "C"]}
        # 300 um of ceramic at 25 °C: 300.006 um
        check = {"place": "C", "against": "S", "value": "300 um"}
        seen = of(both, drift={"accepted": ACCEPTED, "check": check}).seen()
        assert seen.shown["C"] - seen.shown["S"] == pytest.approx(300.0 * REFERENCE_GROWN, abs=2e-4)
        mean = 0.5 * (seen.shown["S"] + seen.shown["C"])
        assert deviation_um(seen.shown["X"] - mean) == pytest.approx(MORE_UM, abs=2e-4)
        assert (seen.true_um, seen.value_um) == pytest.approx((MORE_UM, MORE_UM), abs=2e-4)

    def test_nothing_stops_an_ideal_run(self, of: Callable[..., Bench]) -> None:
        made = of(DESIGN, drift={"accepted": ACCEPTED, "check": CHECK}).what.ideal()
        assert [f.code for f in made.findings if f.level.value == "stop"] == []
        assert {f.code for f in made.findings} >= {"drift/check_good"}

    def test_a_check_standard_that_is_not_as_accepted_stops_it(self, of: Callable[..., Bench]) -> None:
        tally = of(DESIGN, {"C": 0.5}, drift={"accepted": ACCEPTED, "check": CHECK}).tally(0.0)
        assert tally.findings["stop drift/check"] == 100

    def test_its_spread_from_run_to_run_shows(self, of: Callable[..., Bench]) -> None:
        # three sigma: NIST Monograph 180, 4.4.2 (from memory); one in 370 beyond
        bench = of(
            DESIGN,
            drift={"accepted": ACCEPTED, "check": {"place": "C", "value": {"value": "-0.07 um", "standard": "0.1 um"}}},
        )
        tally = rehearsed(bench.what, bench.what.ideal(), 0.0, 20_000)
        stopped = tally.findings.get("stop drift/check", 0)
        assert 20 <= stopped <= 95  # mean 54: the readings do not scatter, and the limit counts that they do


# What the indicator shows, and its error there (invented) [um].
POINTS = ((-20.0, -0.9), (0.0, 0.3), (4.0, 0.8), (20.0, -0.4))
TABLE = {"table": [{"at": f"{at} um", "error": f"{error} um"} for at, error in POINTS]}


def error_um(shown_um: float) -> float:
    """By the table, on straight lines between its points."""
    (low, at_low), (high, at_high) = next(pair for pair in pairwise(POINTS) if pair[0][0] <= shown_um <= pair[1][0])
    return at_low + (at_high - at_low) * (shown_um - low) / (high - low)


class TestATableOfTheIndicator:
    """The dial shows s where the way from its zero is s − e(s) + e(0): shown less its error is true (VIM, 2.16)."""

    @pytest.mark.parametrize("more_um", [-6.0, -1.25, 0.0, 3.5])
    def test_is_in_what_is_shown_and_taken_out_of_it(self, of: Callable[..., Bench], more_um: float) -> None:
        seen = of({**SIZE, **THREE}, indicator=TABLE).seen(more_um)
        assert seen.true_um == pytest.approx(more_um, abs=0.001)
        assert seen.value_um == pytest.approx(more_um, abs=0.001)
        for shown_um in seen.shown.values():
            way_um = shown_um - error_um(shown_um) + error_um(0.0)
            assert deviation_um(way_um) == pytest.approx(more_um, abs=0.001)

    def test_shows_differently_at_places_that_lie_apart(self, of: Callable[..., Bench]) -> None:
        seen = of({"measure": "variation", **THREE, "upper": "5 um"}, {"b": 6.0}, indicator=TABLE).seen(0.0)
        assert seen.shown["b"] == pytest.approx(6.0 + error_um(seen.shown["b"]) - error_um(0.0), abs=0.001)
        assert seen.value_um == pytest.approx(6.0 / GROWN, abs=0.001)
        assert seen.true_um == pytest.approx(seen.value_um, abs=0.001)

    def test_leaves_u_what_it_is(self, of: Callable[..., Bench]) -> None:
        # of parts 3.5 µm beyond the middle: without errors of the dial no value lies within U
        assert of({**SIZE, **THREE}, indicator=TABLE).tally(3.5).covered == 100
