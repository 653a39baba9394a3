"""When what stands still may end a soak: a slow fade shows only where it was watched for as long as it may take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.model_version import MODEL_VERSION
from holdzero.oversight import run_findings
from holdzero.record import digest_of_record, make_record
from holdzero.run import soaking as soaking_module
from holdzero.run.fold import take
from holdzero.run.kept import Observed
from holdzero.run.plan import Slot
from holdzero.run.soaking import may_end, missing_text, outlooks_of
from holdzero.run.state import State
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of
from holdzero.verify import Outcome, recompute

# V/A of 5 mm by 35 mm by 9 mm, its foot not counted: 1575/755 mm; 3.9e6 J/(m³·K) of nickel (from memory); in still air
# 5 W/(m²·K) (common practice, from memory): worked out by hand.
SLOWEST_S = 3.9e6 * (1575.0 / 755.0 * 1e-3) / 5.0


def soaking(draft: Draft | None = None, **keys: Any) -> tuple[State, Slot]:
    """A run in which a soak is asked for."""
    soak = {"do": "soak", "at_least": "2 h", "within": "0.5 um", **keys}
    steps = (soak, {"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
    state = begun(loaded_of((draft or Draft()).with_steps(*steps), Catalogue()), simulated=False).state
    slot = state.slot
    assert slot is not None
    return state, slot


def still(state: State, slot: Slot, of: str, until_s: float, from_s: float = 0.0) -> State:
    """Every ten seconds the same, but for a thousandth."""
    times = [from_s + 10.0 * number for number in range(int((until_s - from_s) / 10.0) + 1)]
    value = 20.0 if of else 0.0
    seen = [Observed(slot=slot, of=of, value=value + 1e-3 * (-1) ** n, time_s=at) for n, at in enumerate(times)]
    return replace(state, observed=tuple(sorted((*state.observed, *seen), key=lambda item: item.time_s)))


def ends(state: State, slot: Slot, *, over: bool = False) -> bool:
    return may_end(outlooks_of(state, slot), over=over)


class TestTheReadingAlone:
    @pytest.mark.parametrize(("until_s", "ended"), [(SLOWEST_S - 20.0, False), (SLOWEST_S + 20.0, True)])
    def test_ends_a_soak_once_the_slowest_fade_of_the_part_would_show(self, until_s: float, ended: bool) -> None:
        state, slot = soaking(at_least="60 min")
        assert ends(still(state, slot, "", until_s), slot) is ended

    def test_is_watched_from_its_last_pause(self) -> None:
        state, slot = soaking(at_least="90 min")
        state = still(still(state, slot, "", 600.0), slot, "", SLOWEST_S + 620.0, from_s=900.0)
        assert not ends(state, slot)

    def test_ends_it_with_its_time(self) -> None:
        state, slot = soaking(at_least="10 min")
        state = still(state, slot, "", 600.0)
        assert (ends(state, slot), ends(state, slot, over=True)) == (False, True)

    @pytest.mark.parametrize(
        ("section", "minutes", "ended"),
        # A cube of 5 mm by 5 mm by 5 mm: V/A = 1 mm, 13 min by hand; a long bar across which the tip stands is slower.
        [(["5 mm", "5 mm"], 13.2, True), (["5 mm", "5 mm"], 12.5, False), (["500 mm", "100 mm"], 40.0, False)],
    )
    def test_knows_the_section_of_the_part(self, section: list[str], minutes: float, ended: bool) -> None:
        state, slot = soaking(Draft().with_table("part", section=section), at_least="50 min")
        assert ends(still(state, slot, "", 60.0 * minutes), slot) is ended

    @pytest.mark.parametrize(("minutes", "ended"), [(44.5, False), (45.5, True)])
    def test_of_a_part_whose_size_nobody_states_counts_the_slowest_that_is_looked_for(
        self, minutes: float, ended: bool
    ) -> None:
        text = Draft().text
        at = text.index("[reference]"), text.index("[comparator]")
        text = text[: at[0]] + '[reference]\nplace = "b"\n\n' + text[at[1] :]
        text = text.replace('measure = "size"', 'measure = "variation"').replace(
            'at = "a"\nnominal = "5 mm"', 'at = ["a", "b"]'
        )
        text = text.replace('lower = "-3 um"\n', "")
        state, slot = soaking(Draft.of(text))
        assert ends(still(state, slot, "", 60.0 * minutes), slot) is ended


class TestAThermometerOnThePart:
    def watched(self, of: str, **keys: Any) -> bool:
        state, slot = soaking(at_least="40 min", **keys)
        return ends(still(still(state, slot, "", 700.0), slot, of, 700.0), slot)

    def test_that_is_at_rest_shows_that_nothing_hides(self) -> None:
        assert self.watched("part", within_temperature="0.05 K")

    def test_shows_nothing_where_no_limit_is_set_for_it(self) -> None:
        assert not self.watched("part")

    def test_is_not_one_on_the_reference(self) -> None:
        assert not self.watched("reference", within_temperature="0.05 K")

    def test_ends_a_soak_by_itself_where_the_reading_has_no_limit(self) -> None:
        state, slot = soaking(at_least="40 min", within_temperature="0.05 K")
        slot = replace(slot, within_um=None)
        assert ends(still(still(state, slot, "", 700.0), slot, "part", 700.0), slot)


class TestARecordOfAnotherVersion:
    """Whose model let a reading alone end a soak early."""

    @pytest.fixture
    def made(self, start: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
        soak = {"do": "soak", "at_least": "20 min", "within": "0.5 um"}
        steps = (soak, {"do": "zero", "times": 3}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
        with monkeypatch.context() as before:
            before.setattr(soaking_module, "looked_behind", lambda outlook, *_: outlook)
            bench = start(Draft().with_steps(*steps).text)
            for number in range(60):
                bench.time_s += 9.0
                value = 1e-3 * (-1) ** number
                bench.take(e.SoakObserved, slot="1", of="", raw=f"{value} um", value=value)
            bench.take(e.SoakEnded, slot="1", reason=None).answer("0", "0.1", "-0.1", "1", "0", "")
            checks, _ = bind(bench.run.state.routine, load_catalogue())
            return make_record(bench.run, "1", checks, {})

    def of_version(self, record: dict[str, Any], model: int) -> Outcome:
        older = {**record, "model": model}
        return recompute({**older, "digest": digest_of_record(older)}, load_catalogue()).outcome

    def test_is_neither_confirmed_nor_refuted(self, made: dict[str, Any]) -> None:
        assert self.of_version(made, MODEL_VERSION - 1) is Outcome.OTHER_MODEL

    def test_is_refuted_where_it_names_this_version(self, made: dict[str, Any]) -> None:
        assert self.of_version(made, MODEL_VERSION) is Outcome.DIFFERS

    def test_is_refuted_where_a_reading_is_not_what_was_typed(self, made: dict[str, Any]) -> None:
        reading = next(event for event in made["events"] if event["event"] == "reading_taken")
        reading["value_um"] += 1.0
        assert self.of_version(made, MODEL_VERSION - 1) is Outcome.DIFFERS


class TestInWords:
    def test_it_says_what_may_hide_and_what_would_show_it(self) -> None:
        state, slot = soaking(at_least="60 min")
        outlooks = outlooks_of(still(state, slot, "", 1200.0), slot)
        # 27.1 min in all, 7.1 min of them to go
        assert missing_text(slot, 2400.0, outlooks) == (
            "40 min of 60 min are missing. It seems at rest, but a part of 5 mm may have a fade of 28 min, which "
            "nothing shows yet: 8 min more, or a thermometer on it."
        )

    def test_the_record_notes_that_it_ended_by_time(self) -> None:
        state, slot = soaking(at_least="10 min")
        state = still(state, slot, "", 600.0)
        ended = e.SoakEnded(seq=state.seq + 1, wall=state.wall, time_s=600.0, slot=slot.id, reason=None)
        (told,) = [found for found in run_findings(take(state, ended)) if found.code.startswith("soak/")]
        assert (told.code, told.level.value) == ("soak/by_time", "note")
        assert told.text == (
            "The soak of 10 min ended by time: it seems at rest, but a part of 5 mm may have a fade of 28 min, which "
            "nothing shows."
        )
