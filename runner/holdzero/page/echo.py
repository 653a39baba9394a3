"""What was taken last, in words: the echo that a person looks for before going on."""

from __future__ import annotations

from holdzero import events as e
from holdzero.display import micro_text
from holdzero.page.shown import Echo
from holdzero.page.words import sentence
from holdzero.run.prompt import back_text
from holdzero.run.state import State

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
            return Echo("" if blind else micro_text(float(event.value_um), units), "Taken")
        case e.TemperatureRead():
            return Echo(f"{float(event.value_degC):.2f} °C", "Taken")
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
