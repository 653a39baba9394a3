"""What each thing that goes on at a virtual bench does to a value, by its own formula."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.evaluate import evaluate
from holdzero.expect import begun, conducted
from holdzero.rehearse import rehearsed, true_sizes_um
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.run.state import State
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

RUNS = 4_000
SELDOM = 1e-5  # so seldom a count of covered runs is beyond its bound where U holds what it says
SURE = 5.0 / math.sqrt(RUNS)  # five standard deviations of a mean, in those of a run
ZERO, RETURN, COMPARE = {"do": "zero"}, {"do": "return"}, {"do": "compare"}
PREPARE = {"do": "prepare", "say": "Wipe."}
FINE = 0.001


def read(place: str = "a", **more: Any) -> dict[str, Any]:
    """A step that reads a place."""
    return {"do": "read", "at": place, **more}


class Seen:
    """Values of many runs [um], and how the run went."""

    def __init__(self, state: State, values: NDArray[np.float64]) -> None:
        self.state, self.values = state, values

    @property
    def mean(self) -> float:
        """Of the runs [um]."""
        return float(self.values.mean())

    @property
    def spread(self) -> float:
        """Standard deviation over the runs [um]."""
        return float(self.values.std())


Look = Callable[..., Seen]


@pytest.fixture
def what_of(catalogue: Catalogue) -> Callable[..., Rehearsal]:
    """A routine to rehearse, whose readings do not scatter but for what goes on."""

    def go(draft: Draft, *steps: dict[str, Any], **tables: Any) -> Rehearsal:
        loaded = loaded_of(draft.with_table("comparator", resolution=f"{FINE} um").with_steps(*steps), catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        return Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=checks,
            of="thickness",
            scatter_um=0.0,
            scenario=Scenario.model_validate({"format": 1, "title": "something", **tables}),
        )

    return go


@pytest.fixture
def look(what_of: Callable[..., Rehearsal]) -> Look:
    """Values of many runs of a routine with a part in the middle of its limits."""

    def go(*steps: dict[str, Any], draft: Draft | None = None, **tables: Any) -> Seen:
        what = what_of(draft or Draft(), *steps, **tables)
        run = begun(what.document, what.digest)
        bench = VirtualBench(
            run,
            ideal=what.ideal(),
            of=what.of,
            more_um=0.0,
            scatter_um=0.0,
            entries={},
            contrasts={},
            draws=draws_of(1),
            runs=RUNS,
            scenario=what.scenario,
        )
        run = conducted(run, bench)
        result = evaluate(run.state, None, what.checks).results[0]
        assert result.propagated is not None
        return Seen(run.state, np.broadcast_to(np.asarray(result.propagated.value_um), RUNS))

    return go


class TestAFilm:
    def test_lifts_by_what_does_not_give_way(self, look: Look) -> None:
        film = {"thickness": "2 um", "gives": "0.5 um", "at": ["a"]}
        assert look(ZERO, read(), RETURN, COMPARE, film=film).mean == pytest.approx(1.5, abs=FINE)

    def test_gives_way_with_the_force(self, look: Look) -> None:
        film = {"thickness": "2 um", "gives": "0.5 um", "at": ["a"]}
        draft = Draft().with_table("comparator", force="0.5 N").with_characteristic("thickness", force="1.5 N")
        steps = (ZERO, read(force="1.5 N"), RETURN, COMPARE)
        assert look(*steps, draft=draft, film=film).mean == pytest.approx(0.5, abs=FINE)

    def test_is_never_below_the_part(self, look: Look) -> None:
        film = {"thickness": "0.2 um", "gives": "0.2 um", "at": ["a"]}
        draft = Draft().with_table("comparator", force="0.5 N").with_characteristic("thickness", force="1.5 N")
        steps = (ZERO, read(force="1.5 N"), RETURN, COMPARE)
        assert look(*steps, draft=draft, film=film).mean == pytest.approx(0.0, abs=FINE)

    @pytest.mark.parametrize(("wipes_off", "left"), [(True, 0.0), (False, 2.0)])
    def test_is_gone_once_it_is_wiped_off(self, look: Look, left: float, *, wipes_off: bool) -> None:
        film = {"thickness": "2 um", "at": ["a"], "wipes_off": wipes_off}
        steps = (PREPARE, ZERO, PREPARE, read(), RETURN, COMPARE)
        assert look(*steps, film=film).mean == pytest.approx(left, abs=FINE)


class TestTheZero:
    """Between zero and return it is taken to have gone evenly with time, and that much is taken out."""

    def test_that_drifts_evenly_is_corrected_for(self, look: Look) -> None:
        # 36 µm an hour are 0.1 µm in ten seconds
        assert look(ZERO, read(), RETURN, COMPARE, drift="36 um").mean == pytest.approx(0.0, abs=2 * FINE)
        first, _, last = look(ZERO, read(), RETURN, COMPARE, drift="36 um").state.readings
        assert float(np.mean(last.value_um) - np.mean(first.value_um)) == pytest.approx(0.2, abs=2 * FINE)

    def test_that_wanders_does_so_with_the_root_of_time(self, look: Look) -> None:
        zero, *later = look(ZERO, *[read()] * 3, RETURN, COMPARE, wander="6 um").state.readings
        # A random walk: variances of steps that know nothing of each other add (worked out).
        for number, reading in enumerate(later, 1):
            gone = float(np.std(np.asarray(reading.value_um) - np.asarray(zero.value_um)))
            assert gone == pytest.approx(6.0 * math.sqrt(10.0 * number / 3600.0), rel=SURE)

    def test_that_swings_comes_back(self, look: Look) -> None:
        swing = {"size": "1 um", "every": "20 s"}
        # Half a swing later it shows as much to the other side: 2·sin, whose root mean square is √2.
        assert look(ZERO, read(), RETURN, COMPARE, swing=swing).spread == pytest.approx(math.sqrt(2.0), rel=SURE)
        # A whole swing later it shows the same.
        late = look(ZERO, PREPARE, read(), PREPARE, RETURN, COMPARE, swing=swing)
        assert late.spread < 2 * FINE

    def test_is_off_where_the_tip_comes_from_the_other_side_now_and_then(self, look: Look) -> None:
        seen = look(ZERO, read(), RETURN, COMPARE, approach={"chance": 0.5, "backlash": "2 um"})
        # Each is 0 or 2 µm, with the variance 1 µm²; the reading less half of zero and return has 1 + 1/4 + 1/4.
        assert seen.spread == pytest.approx(math.sqrt(1.5), rel=SURE)
        always = look(ZERO, read(), RETURN, COMPARE, approach={"chance": 1.0, "backlash": "2 um"})
        assert always.mean == pytest.approx(0.0, abs=FINE)


class TestHeat:
    def test_is_less_where_less_of_it_is(self, look: Look) -> None:
        whole = {"warms": "10 um", "fades_in": "10 min"}
        some = {**whole, "share": {"a": 0.3}}
        full, part = (look(ZERO, read(), RETURN, COMPARE, hands=hands).mean for hands in (whole, some))
        assert full == pytest.approx(10.0 * math.exp(-20.0 / 600.0), abs=2 * FINE)
        assert part == pytest.approx(0.3 * full, abs=2 * FINE)

    def test_is_seen_by_a_thermometer_on_the_part(self, look: Look) -> None:
        hands = {"warms": "0 um", "fades_in": "10 min", "warmer": "4 K"}
        steps = ({"do": "temperature", "of": "part"}, {"do": "temperature", "of": "reference"})
        seen = look(ZERO, *steps, read(), RETURN, COMPARE, hands=hands, temperatures={"reference": "21 degC"})
        part, reference = (float(taken.value_degC) for taken in seen.state.temperatures)
        assert part == pytest.approx(20.0 + 4.0 * math.exp(-20.0 / 600.0), abs=0.001)
        assert reference == pytest.approx(21.0)


def shown(seen: Seen) -> list[float]:
    """Mean of each reading over the runs [um]."""
    return [float(np.mean(reading.value_um)) for reading in seen.state.readings]


def left(seconds: float) -> float:
    """What is left of a heat that falls to 37 % in ten minutes: a lumped body, Bergman and others, 7th ed., 5.1 (from
    memory).
    """
    return math.exp(-seconds / 600.0)


class TestHeatOfTheReference:
    """Answers come every ten seconds; the dial is set to zero on whatever the reference is then."""

    def test_makes_the_part_seem_as_much_shorter_and_fades_until_the_return(self, look: Look) -> None:
        reference = {"warms": "10 um", "fades_in": "10 min"}
        seen = look(PREPARE, ZERO, read(), RETURN, COMPARE, hands={"reference": reference})
        # cleaned at 10 s, set to zero at 20 s, read at 30 s, back at 40 s
        on_zero, back = 10.0 * left(10.0), 10.0 * left(30.0)
        assert shown(seen) == pytest.approx([0.0, -on_zero, back - on_zero], abs=2 * FINE)
        assert seen.mean == pytest.approx(-(on_zero + back) / 2.0, abs=2 * FINE)

    def test_is_given_once_a_visit_however_often_it_is_read(self, look: Look) -> None:
        reference = {"touch": "2 um", "fades_in": "10 min"}
        steps = ({"do": "zero", "times": 2}, read(), {"do": "return", "times": 2}, COMPARE)
        seen = look(*steps, hands={"reference": reference})
        # touched at 10 s for the zero, at 40 s for the return; the part is not
        zero, part = 2.0 * left(10.0) - 2.0, -2.0
        back = [2.0 * (left(since) + left(since - 30.0)) - 2.0 for since in (30.0, 40.0)]
        assert shown(seen) == pytest.approx([0.0, zero, part, *back], abs=2 * FINE)

    def test_closes_the_bracket_where_every_visit_is_alike(self, look: Look) -> None:
        """A hand that warms it as much each time is seen by no return: the part is too short all the same."""
        seen = look(ZERO, read(), RETURN, COMPARE, hands={"reference": {"touch": "0.3 um", "fades_in": "5 s"}})
        zero, _, back = shown(seen)
        assert back - zero == pytest.approx(0.3 * math.exp(-4.0), abs=2 * FINE)
        assert seen.mean == pytest.approx(-0.3 - 0.15 * math.exp(-4.0), abs=2 * FINE)

    def test_comes_not_again_where_the_part_alone_is_cleaned_again(self, look: Look) -> None:
        hands = {
            "warms": "4 um",
            "fades_in": "10 min",
            "reference": {"warms": "10 um", "fades_in": "10 min"},
        }
        seen = look(PREPARE, ZERO, PREPARE, read(), RETURN, COMPARE, hands=hands)
        # cleaned at 10 s, zero at 20 s, the part again at 30 s, read at 40 s
        on_zero = 10.0 * left(10.0)
        assert shown(seen)[1] == pytest.approx(4.0 * left(10.0) - on_zero, abs=2 * FINE)
        assert shown(seen)[2] == pytest.approx(10.0 * left(40.0) - on_zero, abs=2 * FINE)

    def test_is_seen_by_a_thermometer_on_it_and_on_nothing_else(self, look: Look) -> None:
        reference = {"warms": "1 um", "fades_in": "10 min", "warmer": "3 K"}
        steps = ({"do": "temperature", "of": "part"}, {"do": "temperature", "of": "reference"})
        seen = look(ZERO, *steps, read(), RETURN, COMPARE, hands={"reference": reference})
        part, block = (float(taken.value_degC) for taken in seen.state.temperatures)
        assert part == pytest.approx(20.0)
        assert block == pytest.approx(20.0 + 3.0 * left(30.0), abs=0.001)


class TestHeatOfTheStand:
    def test_shows_alike_on_reference_and_part(self, look: Look) -> None:
        # a column of 200 mm that is 0.1 K warmer: 11.5e-6/K · 200 mm · 0.1 K = 0.23 µm less (worked out)
        stand = {"warms": "-0.23 um", "fades_in": "10 min"}
        seen = look(ZERO, read(), RETURN, COMPARE, hands={"stand": stand})
        gone = [-0.23 * (left(since) - left(10.0)) for since in (10.0, 20.0, 30.0)]
        assert shown(seen) == pytest.approx(gone, abs=FINE)
        assert seen.mean == pytest.approx(0.0, abs=FINE)

    def test_is_given_each_time_that_something_else_comes_under_the_tip(self, look: Look) -> None:
        stand = {"touch": "1 um", "fades_in": "10 min"}
        seen = look(ZERO, read(times=2), read("b"), RETURN, COMPARE, hands={"stand": stand})
        # touched at 10, 20, 40 and 50 s, and set to zero at the first
        assert shown(seen) == pytest.approx(
            [
                0.0,
                left(10.0),
                left(20.0) + left(10.0) - 1.0,
                left(30.0) + left(20.0),
                left(40.0) + left(30.0) + left(10.0),
            ],
            abs=2 * FINE,
        )


class TestHeatOfOneEdge:
    HANDS: ClassVar[dict[str, Any]] = {
        "warms": "8 um",
        "fades_in": "10 min",
        "share": {"b": 0.0},
        "evens_out_in": "10 s",
    }

    def test_evens_out_within_the_part_long_before_it_is_gone(self, look: Look) -> None:
        seen = look(ZERO, read(), read("b"), read(), read("b"), RETURN, COMPARE, hands=self.HANDS)
        # of the 8 µm at one edge both have half in the end; exp(−t/10 s) is left of what they differ from that
        expected = [
            8.0 * left(since) * (0.5 + sign * 0.5 * math.exp(-since / 10.0))
            for since, sign in ((20.0, 1.0), (30.0, -1.0), (40.0, 1.0), (50.0, -1.0))
        ]
        assert shown(seen)[1:-1] == pytest.approx(expected, abs=2 * FINE)

    def test_keeps_its_share_where_nothing_says_how_fast(self, look: Look) -> None:
        hands = {key: value for key, value in self.HANDS.items() if key != "evens_out_in"}
        seen = look(ZERO, read(), read("b"), read(), read("b"), RETURN, COMPARE, hands=hands)
        assert shown(seen)[1:-1] == pytest.approx([8.0 * left(20.0), 0.0, 8.0 * left(40.0), 0.0], abs=2 * FINE)

    @pytest.mark.parametrize(("length_mm", "time_s"), [(35.0, 10.0), (100.0, 80.0), (250.0, 507.0)])
    def test_times_that_are_told_are_those_of_steel(self, length_mm: float, time_s: float) -> None:
        # L²/(π²·D): Bergman and others, 7th ed., 5.5 (from memory)
        # k = 45 W/mK, ρ = 7850 kg/m³, c = 460 J/kgK: gauge steel (handbook values, from memory)
        diffusivity = 45.0 / (7850.0 * 460.0)
        assert (length_mm / 1e3) ** 2 / (math.pi**2 * diffusivity) == pytest.approx(time_s, rel=0.03)


class TestWhatIsTrueOfAnInput:
    def test_shows_by_the_formula_of_the_check(self, look: Look) -> None:
        draft = (
            Draft()
            .with_table("part", material="steel")
            .with_check(
                "thermal",
                part_temperature="20 degC",
                difference="0 K",
                reference_expansion="11.5e-6 1/K",
                part_expansion="11.5e-6 1/K",
            )
        )
        seen = look(ZERO, read(), RETURN, COMPARE, draft=draft, true={"temperature, part less reference": "1 K"})
        # 5 mm · 11.5e-6/K · 1 K too long, and not corrected for (JCGM 100:2008, H.1.2, eq. (H.3))
        assert seen.mean == pytest.approx(0.0575, abs=FINE)


class TestTheTruth:
    @pytest.mark.parametrize("temperature", ["20 degC", "32 degC"])
    def test_is_where_the_value_ends_whatever_is_corrected(
        self, what_of: Callable[..., Rehearsal], temperature: str
    ) -> None:
        # A part of aluminium at 32 °C on a reference of steel: 1.4 µm are taken out of 10 mm.
        draft = (
            Draft()
            .with_table("part", material="aluminium")
            .with_table("reference", material="steel")
            .with_check("thermal", part_temperature=temperature, difference={"value": "0 K", "standard": "0.01 K"})
        )
        what = what_of(draft, ZERO, read(), read(), RETURN, COMPARE)
        tally = rehearsed(what, what.ideal(), 0.5, RUNS)
        # U stands for 95.45 %; rounding and whole degrees of freedom make it a little more (JCGM 100:2008, G.4.1).
        assert tally.covered >= binom.ppf(SELDOM, RUNS, 0.9545)


class TestTheReference:
    def test_on_dust_is_a_zero_that_is_too_high(self, look: Look) -> None:
        always = look(ZERO, read(), RETURN, COMPARE, dust={"chance": 0.0, "reference": 1.0, "size": "1 um"})
        # Each lift stands on up to 1 µm, half of it in the mean: so much shorter the part seems.
        assert always.mean == pytest.approx(-0.5, abs=SURE)


class TestTheTimeOfAnAnswer:
    def test_lets_a_zero_go_further(self, look: Look) -> None:
        zero, reading, _ = look(ZERO, read(), RETURN, COMPARE, drift="36 um", every="50 s").state.readings
        # 36 µm an hour are 0.5 µm in fifty seconds
        assert float(np.mean(reading.value_um) - np.mean(zero.value_um)) == pytest.approx(0.5, abs=2 * FINE)


class TestHowFarValuesLieOff:
    def test_is_told_and_moves_the_sizes_that_are_tried(self, what_of: Callable[..., Rehearsal]) -> None:
        what = what_of(Draft(), ZERO, read(), RETURN, COMPARE, hands={"warms": "2 um", "fades_in": "60 h"})
        ideal = what.ideal()
        tally = rehearsed(what, ideal, 0.0, RUNS)
        assert tally.off_um / tally.runs == pytest.approx(2.0, abs=0.01)
        plain, moved = true_sizes_um(ideal, what.of), true_sizes_um(ideal, what.of, 2.0)
        u = float(ideal.results[0].propagated.standard_uncertainty_um) if ideal.results[0].propagated else 0.0
        # The limits are ±3 µm: verdicts turn at −5 µm and at +1 µm now.
        for turn in (-5.0, 1.0):
            assert (
                sum(abs(size - turn) < 4.0 * u for size in moved)
                > 6
                > sum(abs(size - turn) < 4.0 * u for size in plain)
            )
        assert {-3.0, 3.0} <= {round(size, 6) for size in moved}
