"""A run driven by hand: no process, no clock, an answer a second."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from holdzero import events as e
from holdzero.routine.load import load_routine
from holdzero.run import Run
from holdzero.run.answer import Ended, TakenReading, TakenTemperature, understand
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks


class Bench:
    """Drives the sans-I/O run by hand: an answer a second, events as the session would make them."""

    def __init__(self, routine: str, folder: Path, serials: tuple[str | None, ...] = ("1",)) -> None:
        path = folder / "bench.toml"
        path.write_text(routine, "utf-8")
        self.loaded = load_routine(path)
        self.run = Run()
        self.time_s = 0.0
        self.take(
            e.RunStarted,
            software="test",
            routine=self.loaded.document,
            routine_digest=self.loaded.digest,
            routine_file=path.name,
            member=None,
            operator="T. Ester",
            serials=serials,
            source="keyboard",
            simulated=False,
            overruled={},
        )

    def event(self, kind: type[Any], **fields: Any) -> Any:
        """The next event, not yet taken."""
        wall = (dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC) + dt.timedelta(seconds=self.time_s)).isoformat()
        return kind(seq=self.run.state.seq + 1, wall=wall, time_s=self.time_s, **fields)

    def take(self, kind: type[Any], **fields: Any) -> Bench:
        """Take an event."""
        self.run = self.run.take(self.event(kind, **fields))
        return self

    def answer(self, *texts: str) -> Bench:
        """Answer prompts in their order; a soak is waited for."""
        for text in texts:
            prompt = self.run.prompt
            assert prompt is not None, "nothing is asked"
            self.time_s = max(self.time_s + 1.0, prompt.until_s if prompt.asks is Asks.WAIT else 0.0)
            said = understand(text, prompt, self.run.state.comparator, self.time_s)
            match said:
                case TakenReading(value):
                    self.take(e.ReadingTaken, slot=prompt.slot.id, raw=text, value_um=value)
                case TakenTemperature(value):
                    self.take(e.TemperatureRead, slot=prompt.slot.id, raw=text, value_degC=value)
                case Ended(reason):
                    self.take(e.SoakEnded, slot=prompt.slot.id, reason=reason)
                case _ if prompt.slot.kind is SlotKind.COMPARE:
                    self.take(e.RunFinished, slot=prompt.slot.id)
                case _:
                    self.take(e.StepDone, slot=prompt.slot.id)
        return self

    def strike(self, seq: int, reason: str = "mistyped") -> Bench:
        """Strike out an entry."""
        return self.take(e.AnswerStruck, target=seq, reason=reason)

    def asked(self) -> str:
        """What is asked now, as `kind` or `kind place`; empty where nothing is."""
        slot = self.run.prompt.slot if self.run.prompt else None
        return "" if slot is None else f"{slot.kind.value} {slot.place or ''}".strip()
