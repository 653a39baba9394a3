"""A rehearsed bench far from 20 °C: what it shows follows from the same model, so that no value lies off the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.stats import binom

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.expect import conducted, expect
from holdzero.foresee import foreseen
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.many import Rehearsal, rehearsed
from holdzero.rehearse.scenario import Scenario
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

RUNS = 20_000
SELDOM = 1e-5  # so seldom a count of covered runs is beyond its bound where U holds what it says
PART, REFERENCE, BLOCK = Fraction("23.1e-6"), Fraction("11.5e-6"), Fraction("4.5e-6")  # [1/K]
# Aluminium on steel at 35 °C, 0.2 K warmer than the reference: 100.5 mm on 100 mm, and a step of 5 mm from it.
EXACT = (
    Draft()
    .without_table("characteristics.thickness")
    .with_table("reference", size="100 mm", deviation="+0.3 um")
    .with_table("comparator", resolution="0.0001 um", travel="20000 um")
    .with_table("check_standard", size="104 mm", deviation="-0.1 um", limit="1.2 um")
    .with_table("bracket", limit="1 um")
    .with_characteristic("size", measure="size", at="a", nominal="100.5 mm", lower="-5 um", upper="+9 um")
    .with_characteristic("step", measure="step", at="b", from_="a", lower="4990 um", upper="5010 um")
    .with_check("check_standard", expansion="4.5e-6 1/K")
    .with_check("thermal", part_temperature="35 degC", difference="0.2 K")
    .with_check("thermal", part_expansion="23.1e-6 1/K", reference_expansion="11.5e-6 1/K")
    .with_steps(
        {"do": "zero"},
        {"do": "check"},
        {"do": "repeat", "times": 2, "steps": [{"do": "read", "at": "a"}, {"do": "read", "at": "b"}]},
        {"do": "return"},
        {"do": "compare"},
    )
)
UNCERTAIN = EXACT.with_table("reference", deviation={"value": "+0.3 um", "standard": "0.02 um"}).with_check(
    "thermal",
    part_temperature={"value": "35 degC", "standard": "0.2 K"},
    difference={"value": "0.2 K", "standard": "0.05 K"},
    part_expansion={"value": "23.1e-6 1/K", "standard": "0.3e-6 1/K"},
    reference_expansion={"value": "11.5e-6 1/K", "standard": "0.1e-6 1/K"},
)

Prepared = Callable[[Draft, str], Rehearsal]


@pytest.fixture
def prepared(catalogue: Catalogue) -> Prepared:
    def go(draft: Draft, of: str) -> Rehearsal:
        loaded = loaded_of(draft, catalogue)
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
        assert not faults
        return Rehearsal(document=loaded.document, digest=loaded.digest, checks=checks, of=of, scatter_um=0.05, seed=3)

    return go


def shown(what: Rehearsal, more_um: float, **true: str) -> tuple[dict[str, float], dict[str, Fraction]]:
    """What a virtual bench shows on each place and on the check standard, and what is true of each characteristic [um].

    Args:
        what: is rehearsed.
        more_um: by how much more than in its middle the characteristic is whose truth is set [um].
        true: inputs of the routine that are something else than it states.
    """
    scenario = Scenario.model_validate({"format": 1, "title": "otherwise", "true": true}) if true else None
    bench = VirtualBench(
        what.begun,
        ideal=what.ideal(),
        of=what.of,
        more_um=more_um,
        scatter_um=0.0,
        entries={},
        contrasts=what.checks.contrasts,
        draws=draws_of(5),
        runs=1,
        scenario=scenario,
    )
    state = conducted(what.begun, bench).state
    read = {str(r.slot.place or r.kind.value): float(np.ravel(r.value_um)[0]) for r in state.readings}
    return read, {truth.name: Fraction(truth.true_um) for truth in bench.hidden(state).truths}


class TestWhatIsShown:
    """l·(1 + α·θ) − l_ref·(1 + α_ref·θ_ref), JCGM 100:2008, H.1.2, eq. (H.1), to the comparator's last digit."""

    @pytest.mark.parametrize(("of", "more", "true"), [("size", 1.5, "100503.5"), ("step", -4.0, "4996")])
    def test_of_true_lengths_is_the_formula_s(self, prepared: Prepared, of: str, more: float, true: str) -> None:
        read, truths = shown(prepared(EXACT, of), more)
        # The middle of the size is 100 502 µm, that of the step 5000 µm.
        assert float(truths[of] + (100_500 if of == "size" else 0)) == pytest.approx(float(Fraction(true)), abs=1e-6)
        lower, zero = 100_500 + truths["size"], Fraction("100000.3") * (1 + REFERENCE * Fraction("14.8"))
        assert read["a"] == pytest.approx(float(lower * (1 + PART * 15) - zero), abs=1e-4)
        assert read["b"] == pytest.approx(float((lower + truths["step"]) * (1 + PART * 15) - zero), abs=1e-4)

    def test_of_the_check_standard_too(self, prepared: Prepared) -> None:
        read, _ = shown(prepared(EXACT, "size"), 0.0)
        above = Fraction("14.8")
        wanted = Fraction("103999.9") * (1 + BLOCK * above) - Fraction("100000.3") * (1 + REFERENCE * above)
        assert read["check"] == pytest.approx(float(wanted), abs=1e-4)

    def test_follows_what_is_in_truth_otherwise(self, prepared: Prepared) -> None:
        # The part is half a kelvin warmer than stated, and so is the reference; both expand otherwise.
        true = {
            "temperature of the part": "35.5 degC",
            "expansion of the part": "24.6e-6 1/K",
            "expansion of the reference": "11.1e-6 1/K",
            "deviation of the reference": "0.75 um",
        }
        read, truths = shown(prepared(EXACT, "size"), -3.0, **true)
        own = 1 + Fraction("24.6e-6") * Fraction("15.5")
        zero = Fraction("100000.75") * (1 + Fraction("11.1e-6") * Fraction("15.3"))
        lower = 100_500 + truths["size"]
        assert float(truths["size"]) == pytest.approx(-1.0, abs=1e-6)
        assert read["a"] == pytest.approx(float(lower * own - zero), abs=1e-4)
        assert read["b"] == pytest.approx(float((lower + truths["step"]) * own - zero), abs=1e-4)
        wanted = Fraction("103999.9") * (1 + BLOCK * Fraction("15.3")) - zero
        assert read["check"] == pytest.approx(float(wanted), abs=1e-4)


class TestManyRuns:
    @pytest.mark.parametrize(("of", "true_um"), [("size", 3.0), ("step", 4996.5)])
    def test_lie_off_by_nothing_where_nothing_errs(self, prepared: Prepared, of: str, true_um: float) -> None:
        what = prepared(EXACT, of)
        tally = rehearsed(what, what.ideal(), true_um, RUNS)
        # Each reading scatters by 0.05 µm: the mean of 20 000 values by 0.0005 µm at most.
        assert tally.off_um / RUNS == pytest.approx(0.0, abs=0.002)
        assert tally.passed > 0.99 * RUNS

    @pytest.mark.parametrize(("of", "true_um"), [("size", 3.0), ("step", 4996.5)])
    def test_lie_off_by_nothing_in_the_mean_where_the_routine_is_uncertain(
        self, prepared: Prepared, of: str, true_um: float
    ) -> None:
        # Hardly any scatter: what the routine states of temperatures and expansions makes U.
        what = replace(prepared(UNCERTAIN, of), scatter_um=0.001)
        tally = rehearsed(what, what.ideal(), true_um, RUNS)
        # By 0.55 µm from run to run: the mean of 20 000 by 0.004 µm. U stands for 95.45 % (JCGM 100:2008, G.1.3).
        assert tally.off_um / RUNS == pytest.approx(0.0, abs=0.016)
        assert binom.ppf(SELDOM, RUNS, 0.9545) <= tally.covered <= binom.ppf(1.0 - SELDOM, RUNS, 0.9545)

    def test_are_not_stopped_by_a_check_standard_that_is_right(self, prepared: Prepared) -> None:
        # Of carbide, 4 mm longer than the reference: it shows 10 µm less than its certificate has.
        what = prepared(UNCERTAIN, "size")
        tally = rehearsed(what, what.ideal(), 2.0, RUNS)
        assert tally.findings["note check_standard/good"] == RUNS
        assert "stop check_standard/limit" not in tally.findings


class TestBeforeAnyReading:
    def test_the_part_lies_in_the_middle_of_its_limits(self, prepared: Prepared) -> None:
        what = prepared(UNCERTAIN, "size")
        evaluation, _ = expect(what.document, what.digest, what.checks)
        values = {r.name: float(r.propagated.value_um) for r in evaluation.results if r.propagated is not None}
        assert values == {"size": pytest.approx(2.0, abs=1e-9), "step": pytest.approx(5000.0, abs=1e-9)}

    def test_nobody_is_told_that_nothing_can_pass(self, catalogue: Catalogue) -> None:
        # 60 mm of brass on steel at 24 °C: 1.8 µm longer than the reference, within ±1 µm at 20 °C.
        draft = (
            Draft()
            .with_table("reference", size="60 mm")
            .with_characteristic("thickness", nominal="60 mm", lower="-1 um", upper="+1 um")
            .with_check("thermal", part_temperature="24 degC", difference="0 K")
            .with_check("thermal", part_expansion="19e-6 1/K", reference_expansion="11.5e-6 1/K")
        )
        loaded = loaded_of(draft, catalogue)
        checks, _ = bind(loaded.routine, catalogue, loaded.origins)
        assert foreseen(loaded, checks) == ()

    def test_a_size_without_a_middle_is_that_of_the_reference(self, prepared: Prepared) -> None:
        bare = EXACT.without_table("characteristics.step").without_table("characteristics.size")
        draft = bare.with_characteristic("size", measure="size", at="a")
        what = prepared(draft, "size")
        (result,) = expect(what.document, what.digest, what.checks)[0].results
        assert result.propagated is not None
        growth = (1 + REFERENCE * Fraction("14.8")) / (1 + PART * 15)
        assert float(result.propagated.value_um) == pytest.approx(float(Fraction("100000.3") * growth), abs=1e-6)
