"""What was taken last, in words: the echo that a person looks for before going on."""

from __future__ import annotations

from holdzero import events as e
from holdzero.display import micro_text
from holdzero.page.shown import Echo
from holdzero.page.words import sentence
from holdzero.run.prompt import back_text
from holdzero.run.state import State
from holdzero.wording import typed_length, typed_temperature

__all__ = ["echo_of"]


def echo_of(  # noqa: C901, PLR0911, PLR0912  one arm a kind
    event: e.AnyEvent, state: State, units: str, *, blind: bool
) -> Echo | None:
    """What was taken last, in words; None where nothing has to be said of it.

    Args:
        event: that was taken.
        state: after it.
        units: of the routine.
        blind: whether a reading is kept back.
    """
    match event:
        case e.ReadingTaken():
            value_um = float(event.value_um)
            return Echo(
                "" if blind else micro_text(value_um, units),
                "Taken" if blind or event.line else f"Taken: {typed_length(event.raw, value_um, units)}",
            )
        case e.TemperatureRead():
            value = float(event.value_degC)
            return Echo(f"{value:.2f} °C", "Taken" if event.line else f"Taken: {typed_temperature(event.raw, value)}")
        case e.AnswerGiven():
            return Echo(event.raw.strip(), "Taken")
        case e.EntryChosen():
            return Echo(str(event.entry.get("id", "")), f"{event.role}: {event.entry.get('name', '')}")
        case e.PreparedAgain():
            return Echo("", "Done again; the time is on record.")
        case e.SoakBegunAgain():
            return Echo("", "The soak begins again. What was read before it stays: strike it out to read it again.")
        case e.AnswerStruck():
            return Echo("", f"Entry {event.target} is struck out: {sentence(event.reason)} Take it again when asked.")
        case e.NoteAdded():
            return Echo("", "Noted.")
        case e.ZeroRenewed():
            return Echo(
                "", f"The zero is given up: {sentence(event.reason)} Set it anew, and read again what is asked."
            )
        case e.RunContinued():
            return Echo("", back_text(event, state))
        case e.SoakEnded():
            return Echo("", "The soak is over.")
        case e.StepDone():
            return Echo("", "Done.")
        case _:
            return None
