"""Whether any part could pass: what `validate` says of it against a search over all readings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pytest
from typer.testing import CliRunner

from holdzero.catalogue import Catalogue, House, load_catalogue
from holdzero.checks import Checks, bind
from holdzero.cli import app
from holdzero.errors import Fault
from holdzero.evaluate import evaluate
from holdzero.expansion import kinds_of
from holdzero.expect import Ideal, Lying, begun, conducted
from holdzero.foresee import foreseen
from holdzero.model import Number
from holdzero.result import Result
from holdzero.routine.load import LoadedRoutine, load_routine

THERMAL = {
    "thermal": '{ part_temperature = { value = "20 degC", standard = "0.2 K" },'
    ' difference = { value = "0 K", standard = "0.05 K" } }'
}
WARM = {
    "thermal": '{ part_temperature = { value = "23 degC", standard = "0.1 K" },'
    ' difference = { value = "0 K", standard = "0.05 K" },'
    ' reference_expansion = { value = "11.5e-6 1/K", standard = "0.1e-6 1/K" },'
    ' part_expansion = { value = "23.1e-6 1/K", standard = "0.1e-6 1/K" } }'
}
VAGUE = {
    "thermal": '{ part_temperature = { value = "20 degC", standard = "1.5 K" },'
    ' difference = { value = "0 K", standard = "0.02 K" },'
    ' expansion_difference = { value = "0 1/K", standard = "5e-6 1/K" } }'
}
SHIFT = '[[terms]]\nname = "known shift"\nvalue = "{value}"\nhalfwidth = "0.05 um"\n'


def routine(
    *characteristics: str,
    reference: str = 'size = "10 mm", deviation = { value = "+0.1 um", expanded = "0.06 um", coverage = 2 }',
    comparator: str = 'resolution = "0.1 um", travel = "50 um", error = { halfwidth = "0.1 um" }',
    decision: str = "",
    checks: dict[str, str] = THERMAL,
    terms: str = "",
    units: str = "mm",
    steps: str = "",
    places: tuple[str, ...] = ("a", "b", "c"),
) -> str:
    """The text of a routine."""
    named = "\n".join(f"c{index} = {{ {text} }}" for index, text in enumerate(characteristics))
    tables = "\n".join(f"{name} = {table}" for name, table in checks.items())
    reads = "".join(f'[[steps]]\ndo = "read"\nat = "{place}"\ntimes = 2\n' for place in places)
    return f"""\
format = 1
routine = {{ title = "Washer", part = "W-1", units = "{units}" }}
reference = {{ {reference}, material = "steel" }}
part = {{ material = "aluminium" }}
comparator = {{ {comparator} }}
{decision}
[characteristics]
{named}
[checks]
{tables}
{terms}
{steps}
[[steps]]
do = "zero"
times = 3
{reads}
[[steps]]
do = "return"
"""


def size(lower: str | None, upper: str | None, nominal: str = "10 mm", at: str = '["a", "b"]', more: str = "") -> str:
    return f'measure = "size", at = {at}, nominal = "{nominal}"' + limits(lower, upper) + more


def limits(lower: str | None, upper: str | None) -> str:
    low = f', lower = "{lower}"' if lower is not None else ""
    return low + (f', upper = "{upper}"' if upper is not None else "")


def variation(lower: str | None, upper: str | None, at: str = '["a", "b", "c"]') -> str:
    return f'measure = "variation", at = {at}' + limits(lower, upper)


def step(lower: str | None, upper: str | None) -> str:
    return 'measure = "step", at = "a", from = ["b", "c"]' + limits(lower, upper)


def taper(lower: str | None, upper: str | None) -> str:
    return 'measure = "taper", at = ["a", "b", "c"]' + limits(lower, upper)


HUNDRED = 'size = "100 mm", deviation = { value = "0 um", expanded = "0.1 um", coverage = 2 }'
INCH = 'size = "1 in", deviation = { value = "+2 uin", expanded = "3 uin", coverage = 2 }'
COARSE = 'resolution = "1 um", travel = "100 um", error = { halfwidth = "0.5 um" }'
FINE = 'resolution = "0.01 um", travel = "20 um", error = { halfwidth = "0.02 um" }'
TEMPERATURES = "".join(f'[[steps]]\ndo = "temperature"\nof = "{of}"\n' for of in ("part", "reference"))
THERMOMETER = 'thermometer = { error = { halfwidth = "0.1 K" } }\n'

CASES: dict[str, str] = {
    "plain": routine(size("-2 um", "+2 um")),
    "narrow": routine(size("-0.15 um", "+0.15 um")),
    "just wide enough": routine(size("-0.32 um", "+0.32 um")),
    "off the middle": routine(size("+3 um", "+5 um")),
    "warm, so that the correction is wider than the limits": routine(
        size("-2 um", "+2 um", "100 mm", '"a"'), reference=HUNDRED, checks=WARM
    ),
    "warm and narrow": routine(size("-0.2 um", "+0.2 um", "100 mm", '"a"'), reference=HUNDRED, checks=WARM),
    "a reference that is shorter": routine(size("-1 um", "+1 um", "10.02 mm")),
    "a reference far off its nominal size": routine(
        size("-1 um", "+1 um"), reference='size = "10 mm", deviation = { value = "+4 um", standard = "0.05 um" }'
    ),
    "a reference that nobody knows": routine(
        size("-2 um", "+2 um"), reference='size = "10 mm", deviation = { value = "0 um", standard = "1.5 um" }'
    ),
    "only an upper limit": routine(size(None, "+0.01 um")),
    "only a lower limit": routine(size("-0.01 um", None)),
    "no limit": routine(size(None, None)),
    "a known shift wider than the limits": routine(size("-1 um", "+1 um"), terms=SHIFT.format(value="5 um")),
    "the largest of several": routine(size("-1 um", "+1 um", more=', of = "largest"')),
    "inch": routine(size("-40 uin", "+40 uin", "1 in"), reference=INCH, units="in"),
    "inch, narrow": routine(size("-5 uin", "+5 uin", "1 in"), reference=INCH, units="in"),
    "variation": routine(variation(None, "1 um")),
    "variation, narrow": routine(variation(None, "0.1 um")),
    "variation between limits": routine(variation("1 um", "4 um")),
    "variation from zero": routine(variation("0 um", "2 um")),
    "variation of a shift that is more than its limit": routine(
        variation(None, "1 um"), terms=SHIFT.format(value="3 um")
    ),
    "variation with a shift within": routine(variation(None, "4 um"), terms=SHIFT.format(value="3 um")),
    "variation of a shift below zero": routine(variation(None, "1 um"), terms=SHIFT.format(value="-3 um")),
    "variation whose lower limit a shift passes": routine(
        variation("1 um", "4 um"), terms=SHIFT.format(value="3.5 um")
    ),
    "step": routine(step("4 um", "7 um")),
    "step, narrow": routine(step("4 um", "4.2 um")),
    "step beside a size of the same places": routine(size("-1 um", "+1 um"), step("4 um", "7 um")),
    "step before a size of the same places": routine(
        step("4 um", "7 um"), size("-1 um", "+1 um", at='["a", "b", "c"]')
    ),
    "taper": routine(taper("1 um", "3 um")),
    "taper beside a size": routine(size("-1 um", "+1 um"), taper("3 um", "5 um")),
    "taper, narrow": routine(taper("-0.1 um", "+0.1 um")),
    "coarse": routine(size("-0.6 um", "+0.6 um"), comparator=COARSE),
    "coarse, simple": routine(size("-0.2 um", "+0.2 um"), comparator=COARSE, decision='decision = { rule = "simple" }'),
    "fine": routine(size("-0.1 um", "+0.1 um"), comparator=FINE),
    "guard of U": routine(size("-0.35 um", "+0.35 um"), decision="decision = { guard = 1.0 }"),
    "guard of five U": routine(size("-0.5 um", "+0.5 um"), decision="decision = { guard = 5.0 }"),
    "guard of nothing": routine(size("-0.01 um", "+0.01 um"), decision="decision = { guard = 0.0 }"),
    "probability": routine(size("-0.4 um", "+0.4 um"), decision='decision = { rule = "probability" }'),
    "probability that asks for much": routine(
        size("-0.25 um", "+0.25 um"), decision='decision = { rule = "probability", conformance = 0.999 }'
    ),
    "conformance that asks for much": routine(
        size("-0.25 um", "+0.25 um"), decision="decision = { conformance = 0.999 }"
    ),
    "ratio": routine(size("-2 um", "+2 um"), decision='decision = { rule = "ratio" }'),
    "ratio, too narrow": routine(size("-0.6 um", "+0.6 um"), decision='decision = { rule = "ratio" }'),
    "ratio with one limit": routine(size(None, "+2 um"), decision='decision = { rule = "ratio" }'),
    "few degrees of freedom": routine(
        size("-2 um", "+2 um"),
        checks=THERMAL | {"repeatability": '{ pooled = { standard = "0.3 um", dof = 1, of = "readings" } }'},
    ),
    "measured temperatures": routine(
        size("-1 um", "+1 um"), checks={"thermal": "{}"}, steps=TEMPERATURES, decision=THERMOMETER
    ),
    "one temperature stated far from 20 degC, the other measured": routine(
        size("-1.5 um", "+1.5 um", "100 mm", '"a"'),
        reference=HUNDRED,
        checks={"thermal": '{ part_temperature = "26 degC" }'},
        steps=TEMPERATURES.split("[[steps]]")[2].join(("[[steps]]", "")),
        decision=THERMOMETER,
    ),
    "pairs of second order": routine(size("-3 um", "+3 um", "100 mm", '"a"'), reference=HUNDRED, checks=VAGUE),
    "pairs of second order, narrow": routine(size("-1 um", "+1 um", "100 mm", '"a"'), reference=HUNDRED, checks=VAGUE),
    "tilted plunger": routine(
        size("-0.5 um", "+0.5 um", "10.045 mm"), checks=THERMAL | {"indicator": '{ tilt = { halfwidth = "5 deg" } }'}
    ),
    "comparison": routine('measure = "size", at = "a", from = "b", nominal = "10 mm"' + limits("-1 um", "1 um")),
}
"""Legal routines, by what is in them."""

Foresee: TypeAlias = Callable[[str], list[Fault]]
Loaded: TypeAlias = tuple[LoadedRoutine, Checks]


@pytest.fixture
def load(tmp_path: Path, catalogue: Catalogue) -> Callable[[str], Loaded]:
    def go(text: str) -> Loaded:
        path = tmp_path / "washer.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path, None, kinds_of(catalogue))
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
        assert faults == ()
        return loaded, checks

    return go


@pytest.fixture
def hopeless(load: Callable[[str], Loaded]) -> Foresee:
    return lambda text: [fault for fault in foreseen(*load(text)) if "nothing can be passed" in fault.found]


def found(loaded: Loaded, name: str, heights: dict[str, Number], degC: float) -> Result:  # noqa: N803
    routine_, checks = loaded
    run = begun(routine_.document, routine_.digest)
    # The part is of every size at once, place by place.
    bench = Ideal(run, 0.0, {}, checks.contrasts, {"part": degC, "reference": degC}, Lying(places_um=heights))
    results = evaluate(conducted(run, bench).state, None, checks).results
    return next(result for result in results if result.name == name)


HALF_UM = 40.0


def heights_of(spec: Any, at: Number) -> dict[str, Number]:
    """Heights of the places at which the characteristic is read as `at` [um], worked out by hand for each measure."""
    flat: dict[str, Number] = dict.fromkeys("abc", np.zeros_like(at))
    if spec.measure == "size":
        return flat | dict.fromkeys(spec.at, at)
    if spec.measure == "step":
        return flat | {"a": at}
    if spec.measure == "taper":
        return flat | {"a": at / 2.0, "c": -at / 2.0}
    return flat | {"a": np.maximum(at, 0.0)}


def any_passes(loaded: Loaded, name: str) -> bool:
    """Whether any reading in fine steps over all limits and far beyond passes, at any temperature of a bench."""
    spec = loaded[0].routine.characteristics[name]
    for degC in (20.0, 16.0, 18.0, 22.0, 24.0, 26.0, 28.0):  # noqa: N806
        start = found(loaded, name, heights_of(spec, 0.0), degC)
        assert start.propagated is not None
        constant = float(start.propagated.value_um)
        middle = 0.5 * ((spec.lower or 0.0) + (spec.upper or 0.0)) - constant
        at = middle + np.linspace(-HALF_UM, HALF_UM, 16_001)
        decision = found(loaded, name, heights_of(spec, at), degC).decision
        assert decision is not None
        if np.any(np.logical_and(decision.passes, np.logical_not(decision.fails))):
            return True
    return False


class TestThatNothingCanPass:
    @pytest.mark.parametrize("case", CASES)
    def test_is_said_where_a_search_finds_nothing_and_nowhere_else(
        self, case: str, hopeless: Foresee, load: Callable[[str], Loaded]
    ) -> None:
        text = CASES[case]
        loaded = load(text)
        limited = {
            name: any_passes(loaded, name)
            for name, spec in loaded[0].routine.characteristics.items()
            if spec.lower is not None or spec.upper is not None
        }
        said = hopeless(text)
        assert len(said) == sum(not passes for passes in limited.values()), (limited, said)

    @pytest.mark.parametrize("wider", [0.99, 1.01])
    @pytest.mark.parametrize(
        ("text", "least_u"),
        [
            # JCGM 106:2012, eq. (11), at the middle of two limits: Φ(T/2u) − Φ(−T/2u) = 0.95 at T = 3.9199 u.
            (lambda half: routine(size(f"-{half} um", f"{half} um")), 3.9199),
            (lambda half: routine(step(f"{5 - half} um", f"{5 + half} um")), 3.9199),
            (lambda half: routine(taper(f"{3 - half} um", f"{3 + half} um")), 3.9199),
            (
                lambda half: routine(
                    size(f"-{half} um", f"{half} um", "100 mm", '"a"'), reference=HUNDRED, checks=WARM
                ),
                3.9199,
            ),
            # With one limit at 1.6449 u of it (normal distribution, 95 %); half of the "width" here.
            (lambda half: routine(variation(None, f"{half} um")), 2.0 * 1.6449),
            # Two guard bands of U = 2 u (8.3.2).
            (lambda half: routine(size(f"-{half} um", f"{half} um"), decision="decision = { guard = 1.0 }"), 4.0),
        ],
        ids=["size", "step", "taper", "warm", "variation", "guard"],
    )
    def test_turns_where_published_factors_say(
        self,
        text: Callable[[float], str],
        least_u: float,
        wider: float,
        *,
        hopeless: Foresee,
        load: Callable[[str], Loaded],
    ) -> None:
        loaded = load(text(3.0))
        (name,) = loaded[0].routine.characteristics
        propagated = found(loaded, name, heights_of(loaded[0].routine.characteristics[name], 0.0), 20.0).propagated
        assert propagated is not None
        half = 0.5 * least_u * wider * float(propagated.standard_uncertainty_um)
        assert bool(hopeless(text(half))) == (wider < 1.0)

    def test_names_what_lets_it_pass_once_it_is_known(self, hopeless: Foresee) -> None:
        text = CASES["warm and narrow"]
        (fault,) = hopeless(text)
        first, second = "temperature of the part", "error of the comparator"
        assert fault.mend.startswith(f"the largest contribution is that of: {first}, then that of {second}: ")
        one = text.replace('value = "23 degC", standard = "0.1 K"', 'value = "23 degC"')
        assert len(hopeless(one)) == 1
        assert hopeless(one.replace(', error = { halfwidth = "0.1 um" }', "")) == []

    def test_names_an_input_that_counts_in_a_pair_alone(self, hopeless: Foresee) -> None:
        text = CASES["pairs of second order, narrow"]
        (fault,) = hopeless(text)
        assert fault.mend.startswith("the largest contribution is that of: temperature of the part: check its")
        assert hopeless(text.replace(', standard = "1.5 K"', "")) == []

    def test_names_the_term_that_shifts_a_variation(self, hopeless: Foresee) -> None:
        text = CASES["variation of a shift that is more than its limit"]
        (fault,) = hopeless(text)
        assert fault.key == "terms[1].value"
        assert fault.line == text.splitlines().index('value = "3 um"') + 1
        assert hopeless(text.replace('value = "3 um"', 'value = "0 um"')) == []

    @pytest.mark.parametrize(
        ("case", "why"),
        [
            ("plain", ""),
            ("warm, so that the correction is wider than the limits", ""),
            ("narrow", "U is too much for its limits"),
            ("guard of five U", "its guard band of 5 U at each limit leaves nothing"),
            ("ratio with one limit", "the rule ratio passes nothing here, and the rule guarded would"),
        ],
    )
    def test_is_said_by_the_budget_too(self, case: str, why: str, tmp_path: Path) -> None:
        path = tmp_path / "washer.toml"
        path.write_text(CASES[case], "utf-8")
        said = " ".join(CliRunner().invoke(app, ["budget", str(path)]).output.split())
        assert ("Nothing can be passed" in said) == bool(why)
        assert f"Nothing can be passed: {why}." in said or not why

    @pytest.mark.parametrize(
        ("case", "key"),
        [
            ("guard of five U", "decision.guard"),
            ("probability that asks for much", "decision.conformance"),
            ("conformance that asks for much", "decision.conformance"),
            ("ratio, too narrow", "decision.rule"),
            ("ratio with one limit", "decision.rule"),
        ],
    )
    def test_names_the_rule_where_the_usual_one_would_pass(self, case: str, key: str, hopeless: Foresee) -> None:
        (fault,) = hopeless(CASES[case])
        assert fault.key == key
        rule = CASES[case].replace(next(line for line in CASES[case].splitlines() if line.startswith("decision")), "")
        assert hopeless(rule) == []


STRANGER = """\
from holdzero.hooks import Check, Estimate, Input, Settings, Term, Weighting, hookimpl
def terms(settings, run, characteristic):
    item = Input(name="less", estimate=Estimate.exact(-3.0), unit="um", evaluation="B")
    return [Term(name="less", inputs=(item,), function=lambda less: less)]
def weigh(settings, run, characteristic):
    return Weighting(weights=characteristic.weights, scatter=(0.0, 9.0))
@hookimpl
def holdzero_checks():
    return [Check(name="stranger", title="a stranger's", settings=Settings, WHAT=WHAT)]
"""


class TestAStrangersCheck:
    """It is not run before anybody measures: where it may make a pass of what is judged here, nothing is said."""

    @pytest.mark.parametrize(
        ("what", "case", "silent"),
        [
            ("terms", "variation of a shift that is more than its limit", True),
            ("terms", "narrow", False),
            ("weigh", "narrow", True),
        ],
    )
    def test_leaves_unsaid_what_it_may_change(self, what: str, case: str, tmp_path: Path, *, silent: bool) -> None:
        (tmp_path / "stranger.py").write_text(STRANGER.replace("WHAT", what), "utf-8")
        house = load_catalogue(house=House(folder=tmp_path, enabled=("stranger",)))
        path = tmp_path / "washer.toml"
        path.write_text(CASES[case].replace("[checks]\n", "[checks]\nstranger = {}\n"), "utf-8")
        loaded = load_routine(path, None, kinds_of(house))
        checks, _ = bind(loaded.routine, house, loaded.origins)
        assert "stranger" in [item.check.name for item in checks.bound]
        said = [fault for fault in foreseen(loaded, checks) if "nothing can be passed" in fault.found]
        assert bool(said) != silent
