"""Whatever characteristics share places: the value ends at the truth, and the errors that are stated show in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pytest
from scipy.stats import binom

from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, bind
from holdzero.evaluate import evaluate
from holdzero.expect import begun, conducted
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.many import Rehearsal
from holdzero.run.state import State
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

RUNS = 10_000
SELDOM = 1e-5  # so seldom a count of covered runs is beyond its bound where U holds what it says
SIZE: dict[str, Any] = {"measure": "size", "nominal": "5 mm", "lower": "-3 um", "upper": "+3 um"}
STEP: dict[str, Any] = {"measure": "step", "at": ["a"], "from_": ["b"], "lower": "4 um", "upper": "10 um"}
LARGEST: dict[str, Any] = {
    "measure": "size",
    "of": "largest",
    "at": ["a", "b", "c"],
    "nominal": "5.001 mm",
    "lower": "-1 um",
    "upper": "6 um",
}
THIN: dict[str, Any] = {
    "measure": "step",
    "at": ["a", "b"],
    "from_": ["c"],
    "of": "smallest",
    "lower": "4 um",
    "upper": "6 um",
}
OF_THREE: dict[str, Any] = {"at": ["a", "b", "c"]}


@dataclass(frozen=True)
class Seen:
    """Of the characteristic whose truth is set: in truth, how far off its values lie in the mean, how they scatter."""

    true_um: float
    off_um: float
    spread_um: float
    covered: float


See = Callable[..., Seen]


Watch = Callable[..., tuple[VirtualBench, State, Checks]]


@pytest.fixture
def watch(catalogue: Catalogue) -> Watch:
    """Many runs of a routine with some characteristics; by default readings do not scatter."""

    def go(
        of: str, specs: Mapping[str, Mapping[str, Any]], *, scatter_um: float = 0.0, **tables: Any
    ) -> tuple[VirtualBench, State, Checks]:
        draft = Draft().without_table("characteristics.thickness").with_table("comparator", resolution="0.001 um")
        for name, keys in specs.items():
            draft = draft.with_characteristic(name, **keys)
        for name, keys in tables.items():
            draft = draft.with_table(name, **keys)
        places = [{"do": "read", "at": place} for place in ("a", "b", "c")]
        steps = ({"do": "zero"}, {"do": "repeat", "times": 3, "steps": places}, {"do": "return"}, {"do": "compare"})
        loaded = loaded_of(draft.with_steps(*steps), catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        what = Rehearsal(document=loaded.document, digest=loaded.digest, checks=checks, of=of, scatter_um=scatter_um)
        run = begun(what.document, what.digest)
        bench = VirtualBench(
            run,
            ideal=what.ideal(),
            of=of,
            more_um=1.0,
            scatter_um=scatter_um,
            entries={},
            contrasts=checks.contrasts,
            draws=draws_of(7),
            runs=RUNS,
        )
        return bench, conducted(run, bench).state, checks

    return go


@pytest.fixture
def see(watch: Watch) -> See:
    """The characteristic whose truth is set, in many runs."""

    def go(of: str, specs: Mapping[str, Mapping[str, Any]], **more: Any) -> Seen:
        bench, state, checks = watch(of, specs, **more)
        result = next(result for result in evaluate(state, None, checks).results if result.name == of)
        assert result.propagated is not None
        assert result.decision is not None
        true = np.asarray(bench.true_um())
        off = np.broadcast_to(result.propagated.value_um - true, RUNS)
        covered = np.broadcast_to(np.abs(off) <= result.decision.expanded_uncertainty_um, RUNS)
        return Seen(float(true.mean()), float(off.mean()), float(off.std()), float(covered.mean()))

    return go


class TestTheValue:
    @pytest.mark.parametrize(
        ("of", "specs", "true_um"),
        [
            pytest.param("step", {"size": {**SIZE, "at": "a"}, "step": STEP}, 8.0, id="a step from a size"),
            pytest.param("step", {"step": STEP, "size": {**SIZE, "at": ["a", "b"]}}, 8.0, id="a step between sizes"),
            pytest.param("thin", {"thin": THIN}, 6.0, id="the least of two steps"),
            pytest.param(
                "thin", {"size": {**SIZE, "at": "a"}, "thin": THIN}, 6.0, id="the least of two, one a size too"
            ),
            pytest.param("largest", {"size": {**SIZE, **OF_THREE}, "largest": LARGEST}, 3.5, id="two sizes"),
            pytest.param(
                "taper", {"taper": {"measure": "taper", **OF_THREE, "lower": "1 um", "upper": "5 um"}}, 4.0, id="taper"
            ),
            pytest.param(
                "crown",
                {
                    "size": {**SIZE, **OF_THREE},
                    "crown": {"measure": "crown", **OF_THREE, "lower": "1 um", "upper": "5 um"},
                },
                4.0,
                id="a crown of a size",
            ),
            pytest.param(
                "par",
                {
                    "size": {**SIZE, **OF_THREE},
                    "par": {"measure": "variation", **OF_THREE, "lower": "1 um", "upper": "3 um"},
                },
                3.0,
                id="a variation of a size",
            ),
            pytest.param(
                "par",
                {
                    "size": {**SIZE, "at": "b"},
                    "par": {"measure": "variation", **OF_THREE, "lower": "1 um", "upper": "3 um"},
                },
                3.0,
                id="a variation of places of which one has a size",
            ),
        ],
    )
    def test_is_the_truth_where_nothing_errs(
        self, see: See, of: str, specs: Mapping[str, Mapping[str, Any]], true_um: float
    ) -> None:
        seen = see(of, specs)
        assert seen.true_um == pytest.approx(true_um)
        assert seen.off_um == pytest.approx(0.0, abs=0.002)


class TestAFaceWithASizeAtOnePlace:
    """As a block at its centre, and five places of its face: what differs within the face is not that of its size."""

    SPECS: ClassVar[dict[str, Any]] = {
        "size": {**SIZE, "at": "b"},
        "par": {"measure": "variation", **OF_THREE, "upper": "2 um"},
    }

    def test_varies_by_nothing_whatever_its_size_is_and_the_reference_s(self, watch: Watch) -> None:
        uncertain = {"deviation": {"value": "0.3 um", "standard": "0.5 um"}}
        bench, state, checks = watch("size", self.SPECS, reference=uncertain)
        size, par = (
            next(result for result in evaluate(state, None, checks).results if result.name == name)
            for name in ("size", "par")
        )
        assert np.ptp(np.asarray(size.propagated.value_um)) > 1.0  # type: ignore[union-attr]  # it has a value
        assert float(np.max(par.propagated.value_um)) < 0.002  # type: ignore[union-attr]
        (truth,) = (truth.true_um for truth in bench.hidden(state).truths if truth.name == "par")
        assert truth == pytest.approx(0.0, abs=1e-6)


class TestWhatTheRoutineStates:
    """U stands for 95.45 % (JCGM 100:2008, G.1.3); of a rectangle beside some scatter it holds a little more."""

    COMPARATOR: Mapping[str, Any] = {"error": {"halfwidth": "0.5 um"}}

    @pytest.mark.parametrize(
        ("of", "specs"),
        [
            pytest.param(
                "par",
                {"size": {**SIZE, **OF_THREE}, "par": {"measure": "variation", **OF_THREE, "upper": "5 um"}},
                id="variation",
            ),
            pytest.param("crown", {"crown": {"measure": "crown", **OF_THREE, "upper": "5 um"}}, id="crown"),
            pytest.param("step", {"size": {**SIZE, "at": "b"}, "step": STEP}, id="step"),
        ],
    )
    def test_shows_in_what_differs_within_a_part(
        self, see: See, of: str, specs: Mapping[str, Mapping[str, Any]]
    ) -> None:
        seen = see(of, specs, scatter_um=0.1, comparator=self.COMPARATOR)
        assert seen.spread_um > 0.5 / np.sqrt(3.0)
        assert binom.ppf(SELDOM, RUNS, 0.9545) <= seen.covered * RUNS < 0.995 * RUNS

    def test_of_the_reference_shows_in_no_step(self, see: See) -> None:
        uncertain = {"deviation": {"value": "0.3 um", "standard": "0.5 um"}}
        seen = see("step", {"size": {**SIZE, "at": "b"}, "step": STEP}, reference=uncertain)
        assert seen.spread_um < 0.002
