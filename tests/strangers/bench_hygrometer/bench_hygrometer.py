"""Humidity at the bench: one module that adds a step kind, a check, a source and a writer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import Field

from holdzero.hooks import (
    Answer,
    Asks,
    CharacteristicView,
    Check,
    Command,
    Finding,
    Level,
    Prompt,
    RunView,
    Settings,
    Source,
    SourceError,
    SourceExhaustedError,
    StepKind,
    Writer,
    hookimpl,
)

HOLDZERO_API = 1


class HumiditySettings(Settings):
    """`[checks.humidity]`."""

    highest: float = Field(60.0, strict=True, gt=0.0, le=100.0, description="Highest relative humidity [%].")


class HumidityStep(Settings):
    """`do = "humidity"`."""

    where: str = Field("at the bench", description="Where the hygrometer stands.")


def steps(settings: HumidityStep) -> Sequence[Mapping[str, Any]]:
    """One question."""
    say = f"Read the hygrometer {settings.where}."
    return [{"do": "ask", "name": "humidity", "answer": "number", "unit": "%", "say": say}]


def _findings(settings: HumiditySettings, run: RunView) -> Iterable[Finding]:
    read = [given for given in run.given if given.slot.of == "humidity"]
    if not read:
        if run.finished:
            yield Finding(level=Level.STOP, code="humidity/none", text="The humidity was not read.")
        return
    highest = max(float(given.value) for given in read)
    yield Finding(
        level=Level.STOP,
        code="humidity/high",
        text=f"The humidity is {highest:g} %, at most {settings.highest:g} % is allowed: steel may rust.",
        data={"humidity_percent": highest},
        holds=highest > settings.highest,
    )


def watch(settings: HumiditySettings, run: RunView) -> Iterable[Finding]:
    """Too damp to go on."""
    return _findings(settings, run)


def judge(settings: HumiditySettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Too damp, or nobody looked."""
    del characteristics
    return _findings(settings, run)


class Tape:
    """Answers from a text file, a line each; what only needs confirming is confirmed."""

    def __init__(self, path: Path) -> None:
        try:
            self.lines = iter(path.read_text("utf-8").splitlines())
        except OSError as error:
            raise SourceError(f"{path}: {error.strerror}") from None

    def answer(self, prompt: Prompt, now_s: float) -> Answer:
        """The next line."""
        if prompt.asks in (Asks.CONFIRM, Asks.WAIT):
            return Answer("", max(now_s, prompt.until_s))
        line = next(self.lines, None)
        if line is None:
            raise SourceExhaustedError("the tape is at its end")
        return Answer(line)

    def blame(self, reason: str) -> SourceError:
        """The tape is to blame."""
        return SourceError(f"the tape: {reason}")

    def close(self) -> None:
        """Nothing is held."""


def open_tape(argument: str, ask: Callable[[Prompt], Answer | Command]) -> Tape:
    """Open `--source tape:FILE`."""
    del ask
    return Tape(Path(argument))


def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
    """A card for the part's box."""
    run, routine = record["run"], record["routine"]
    return {".card.txt": f"{routine['part']} {run['serial']}: {record['verdict']}\n".encode()}


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The step."""
    return [StepKind(name="humidity", title="read the hygrometer", settings=HumidityStep, steps=steps)]


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check."""
    return [
        Check(name="humidity", title="not too damp", settings=HumiditySettings, watch=watch, judge=judge, arrays=True)
    ]


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The source."""
    return [
        Source(
            name="tape",
            title="answers from a text file, a line each",
            open=open_tape,
            interactive=False,
            keeps_time=True,
            simulated=False,
        )
    ]


@hookimpl
def holdzero_writers() -> Sequence[Writer]:
    """The writer."""
    return [Writer(name="card", title="a card for the box", write=write)]
