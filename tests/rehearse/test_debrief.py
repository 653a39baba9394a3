"""What is told at the end of a run at a virtual bench."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, bind
from holdzero.expect import begun, expect
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.debrief import debriefed
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.scenario import Scenario
from holdzero.run import Run
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

STEPS = (
    {"do": "soak", "at_least": "20 min"},
    {"do": "zero", "times": 2},
    {"do": "read", "at": "a"},
    {"do": "return"},
    {"do": "compare"},
)


class Bench:
    """A run that is led step by step at a virtual bench."""

    def __init__(self, catalogue: Catalogue, **tables: Any) -> None:
        error = {"halfwidth": "0.3 um", "why": "own calibration"}
        loaded = loaded_of(Draft().with_table("comparator", error=error).with_steps(*STEPS), catalogue)
        self.checks: Checks = bind(loaded.routine, catalogue)[0]
        self.run: Run = begun(loaded.document, loaded.digest)
        self.bench = VirtualBench(
            self.run,
            ideal=expect(loaded.document, loaded.digest, self.checks)[0],
            of="thickness",
            more_um=0.0,
            scatter_um=0.1,
            entries={},
            contrasts={},
            draws=draws_of(1),
            runs=1,
            scenario=Scenario.model_validate({"format": 1, "title": "something", "hidden": "It was so.", **tables}),
        )

    def answers(self, times: int) -> None:
        """Answer so many prompts."""
        for _ in range(times):
            assert self.run.prompt is not None
            event = self.bench.answer(self.run, self.run.prompt)
            if isinstance(event, e.ReadingTaken):
                event = replace(event, value_um=float(np.ravel(event.value_um)[0]))
            self.run = self.run.take(event)

    def does(self, kind: type[e.AnyEvent], **fields: Any) -> None:
        """Do something else."""
        state = self.run.state
        self.run = self.run.take(kind(seq=state.seq + 1, wall="", time_s=state.now_s + 5.0, **fields))

    @property
    def told(self) -> str:
        """What is told at the end."""
        return " ".join(debriefed(self.run, self.checks, self.bench.hidden(self.run.state), sat=True))


Sit = Callable[..., Bench]


@pytest.fixture
def sit(catalogue: Catalogue) -> Sit:
    """Sit down at a bench."""
    return lambda **tables: Bench(catalogue, **tables)


class TestOnTheWay:
    def test_all_that_was_done_is_told_with_its_reason(self, sit: Sit) -> None:
        bench = sit()
        soak = bench.run.prompt
        assert soak is not None
        bench.does(e.SoakEnded, slot=soak.slot.id, reason="the shift ends")
        bench.answers(3)
        read, zero = bench.run.state.readings[2].seq, bench.run.state.readings[1].seq
        bench.does(e.AnswerStruck, target=read, reason="dirt")
        bench.does(e.AnswerStruck, target=zero, reason="bumped")
        bench.does(e.NoteAdded, text="the gate was open")
        bench.does(e.StopAcknowledged, code="check_standard/limit/12")
        bench.does(e.ZeroRenewed, reason="the dial was moved")
        told = bench.told
        assert "ended 1 soak early (the shift ends)" in told
        assert f"struck out 2 entries ({zero}, bumped; {read}, dirt)" in told
        assert "gave the zero up once (the dial was moved)" in told
        assert "carried on past 1 STOP (check_standard/limit)" in told
        assert "wrote 1 note (the gate was open)" in told

    def test_nothing_is_told_as_nothing(self, sit: Sit) -> None:
        bench = sit()
        bench.answers(6)
        assert bench.run.prompt is None
        assert "On the way you changed nothing." in bench.told


class TestErrors:
    def test_that_the_routine_states_stand_apart_from_those_that_were_set(self, sit: Sit) -> None:
        bench = sit(reference_error="+4 um")
        bench.answers(6)
        stated, beyond = bench.told.split("What this bench had beyond that moved thickness by: ")
        assert "Errors within what the routine states moved thickness by: " in stated
        assert "reference" not in stated.split("Errors within")[1]
        assert beyond.startswith("reference −4.0 µm.")

    def test_move_no_value_where_there_is_none(self, sit: Sit) -> None:
        bench = sit(reference_error="+4 um")
        bench.does(e.RunAbandoned, reason="called away")
        told = bench.told
        assert "No value was found." in told
        assert "would have moved a value of thickness by: reference −4.0 µm." in told
        assert "that moved" not in told

    def test_of_a_wrong_reference_end_where_the_zero_is_given_up(self, sit: Sit) -> None:
        bench = sit(reference_error="+4 um", reference_error_until="zero given up")
        bench.answers(4)
        assert bench.run.state.readings[-1].value_um == pytest.approx(-4.0, abs=1.0)
        bench.does(e.ZeroRenewed, reason="a wrong block")
        bench.answers(3)
        assert bench.run.state.readings[-1].value_um == pytest.approx(0.0, abs=1.0)
        assert "the right reference lay under it" in bench.told
        assert "What this bench had beyond" not in bench.told

    def test_of_a_wrong_reference_last_where_nothing_says_when_they_end(self, sit: Sit) -> None:
        bench = sit(reference_error="+4 um")
        bench.answers(4)
        bench.does(e.ZeroRenewed, reason="a wrong block")
        bench.answers(3)
        assert bench.run.state.readings[-1].value_um == pytest.approx(-4.0, abs=1.0)
        assert "the right reference" not in bench.told


class TestHeatOfHands:
    """Answers come every ten seconds, the soak takes twenty minutes: zero at 1210 and 1220 s, read at 1230, back at
    1240 s. Each body loses its heat as exp(−t/τ) (Bergman and others, 7th ed., 5.1, from memory).
    """

    HANDS: ClassVar[dict[str, Any]] = {
        "warms": "4 um",
        "fades_in": "20 min",
        "reference": {"warms": "2 um", "fades_in": "20 min"},
        "stand": {"warms": "-0.9 um", "fades_in": "60 min"},
    }

    def test_is_told_by_what_each_body_did_to_the_value(self, sit: Sit) -> None:
        bench = sit(hands=self.HANDS)
        bench.answers(6)
        (part, part_first, part_last, block, block_first, block_last, stand, stand_first, stand_last) = (
            float(number.replace("−", "-"))
            for number in re.findall(r"[+−]\d\.\d\d", bench.told.split("Heat of hands moved thickness by: ")[1])[:9]
        )
        assert part == part_first == part_last == pytest.approx(4.0 * math.exp(-1230.0 / 1200.0), abs=0.006)
        zero, back = (2.0 * math.exp(-at_s / 1200.0) for at_s in (1210.0, 1240.0))
        assert (block_first, block_last) == pytest.approx((zero, back), abs=0.006)
        # what the reference is too long, the part seems too short
        assert block == pytest.approx(-(zero + back) / 2.0, abs=0.01)
        stood = [-0.9 * math.exp(-at_s / 3600.0) for at_s in (1210.0, 1240.0)]
        assert (stand_first, stand_last) == pytest.approx(stood, abs=0.006)
        assert stand == pytest.approx(0.0, abs=0.01)  # alike under all of them

    def test_is_not_told_where_there_was_none(self, sit: Sit) -> None:
        bench = sit()
        bench.answers(6)
        assert "Heat of hands" not in bench.told

    def test_moves_nothing_where_there_is_no_value(self, sit: Sit) -> None:
        bench = sit(hands=self.HANDS)
        bench.does(e.RunAbandoned, reason="called away")
        assert "Heat of hands" not in bench.told


class TestWords:
    def test_that_were_written_for_another_part_are_told_as_such(self, sit: Sit) -> None:
        other, own = sit(written_for="SR-9"), sit(written_for=Draft().tables["routine"]["part"])
        assert "This scenario was written for the part SR-9; here it is " in other.told
        assert "was written for" not in own.told
