"""What a check sees of a run: what is asked for next, and which answers stand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.run import Run
from holdzero.run.plan import SlotKind
from holdzero.testing import GOOD, Draft, catalogue_of
from holdzero.testing.drive import begun, loaded_of, taken
from holdzero.views import view_of

Answer: TypeAlias = Callable[..., Run]

BATCH = Draft().with_steps(
    {"do": "repeat", "over": "parts", "steps": [{"do": "ask", "name": "lamp"}, {"do": "zero"}]},
    {"do": "compare"},
)


@pytest.fixture(scope="module")
def answered() -> Answer:
    """A run after some answers, one a second."""
    catalogue = catalogue_of()

    def go(draft: Draft, *texts: str, serials: tuple[str, ...] = ("1",)) -> Run:
        run = begun(loaded_of(draft, catalogue), serials=serials)
        for text in texts:
            assert run.prompt is not None
            run = taken(run, run.prompt, text, run.state.now_s + 1.0)
        return run

    return go


def with_event(run: Run, kind: type[Any], **keys: Any) -> Run:
    return run.take(kind(seq=run.state.seq + 1, wall=run.state.wall, time_s=run.state.now_s, **keys))


class TestWhatIsAskedForNext:
    def test_is_the_first_open_slot(self, answered: Answer) -> None:
        draft = Draft().with_step("prepare", say="Wipe it.")
        asked = [view_of(answered(draft, *("", *GOOD)[:count]).state, "1").asked for count in (0, 1, 4, 7, 8)]
        kinds = [slot.kind for slot in asked if slot is not None]
        assert kinds == [SlotKind.PREPARE, SlotKind.ZERO, SlotKind.READ, SlotKind.RETURN, SlotKind.COMPARE]

    def test_is_opened_again_by_a_strike(self, answered: Answer) -> None:
        run = with_event(answered(Draft(), *GOOD[:4]), e.AnswerStruck, target=5, reason="mistyped")
        asked = view_of(run.state, "1").asked
        assert asked is not None
        assert asked.id == "2/1.1"

    def test_is_nothing_in_a_pause_and_at_the_end(self, answered: Answer) -> None:
        assert view_of(with_event(answered(Draft(), "0"), e.RunPaused).state, "1").asked is None
        assert view_of(answered(Draft(), *GOOD, "").state, "1").asked is None


class TestAnswersThatWereStruckOut:
    def test_are_withdrawn_and_given_no_more(self, answered: Answer) -> None:
        run = with_event(answered(BATCH, "on"), e.AnswerStruck, target=2, reason="mistyped")
        view = view_of(run.state, "1")
        assert view.given == ()
        assert [(given.value, given.struck) for given in view.withdrawn] == [("on", "mistyped")]

    def test_of_one_part_are_not_seen_by_another(self, answered: Answer) -> None:
        run = answered(BATCH, "on", "0", "off", serials=("1", "2"))
        run = with_event(run, e.AnswerStruck, target=4, reason="mistyped")
        seen = {serial: view_of(run.state, serial) for serial in ("1", "2")}
        assert [given.value for given in seen["1"].given] == ["on"]
        assert seen["1"].withdrawn == ()
        assert [given.value for given in seen["2"].withdrawn] == ["off"]
