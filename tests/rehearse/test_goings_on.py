"""What a bench shows from moment to moment while nobody touches it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.expect import begun
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.run import Run
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

FINE = 0.001
STEPS = ({"do": "zero", "times": 2}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
Sit = Callable[..., tuple[Run, VirtualBench]]


@pytest.fixture
def sit(catalogue: Catalogue) -> Sit:
    """A run that has begun, and its bench, whose readings do not scatter."""

    def go(**tables: Any) -> tuple[Run, VirtualBench]:
        draft = Draft().with_table("comparator", resolution=f"{FINE} um").with_steps(*STEPS)
        loaded = loaded_of(draft, catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        scenario = Scenario.model_validate({"format": 1, "title": "something", **tables})
        what = Rehearsal(document=loaded.document, digest=loaded.digest, checks=checks, of="thickness", scatter_um=0.0)
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
            runs=1,
            scenario=scenario,
        )
        return run, bench

    return go


class TestAZeroThatCreeps:
    def test_is_seen_to_creep_from_the_moment_at_which_the_dial_was_set(self, sit: Sit) -> None:
        run, bench = sit(drift="60 um")  # a micrometre a minute
        assert run.prompt is not None
        seen = [float(bench.shown_um(run.state, run.prompt.slot, at_s)[0]) for at_s in (600.0, 630.0, 660.0)]  # type: ignore[index]
        assert seen == pytest.approx([0.0, 0.5, 1.0], abs=FINE)

    def test_goes_on_creeping_from_one_reading_to_the_next(self, sit: Sit) -> None:
        run, bench = sit(drift="60 um", every="60 s")
        shown = []
        while (prompt := run.prompt) is not None and prompt.slot.kind.is_reading:
            event = bench.answer(run, prompt)
            run = run.take(event)
            shown.append(float(run.state.readings[-1].value_um[0]))  # type: ignore[index]
        zeros, back = shown[:2], shown[-1]
        assert [*zeros, back] == pytest.approx([0.0, 1.0, 3.0], abs=FINE)
