"""The terminal face: one instruction at a time, large and plain, for a person with busy hands."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from holdzero import events as e
from holdzero.cli.digits import large
from holdzero.cli.lines import Lines
from holdzero.cli.words import LEVELS, clock_text, reading_label, readings_so_far
from holdzero.display import micro_text
from holdzero.errors import SourceExhaustedError
from holdzero.hooks import Answer, Asks, Finding, Prompt
from holdzero.run import Run
from holdzero.run.commands import (
    STRIKE_REASONS,
    Abandon,
    Acknowledge,
    AddNote,
    Again,
    Command,
    Pause,
    RenewZero,
    Strike,
)
from holdzero.run.plan import SlotKind
from holdzero.run.state import State

__all__ = ["Terminal"]

_HELP = """\
  Type the answer, then Enter. A reading: +1.5, -0,5 um, 20 uin, 3 div.
  Or one of these letters, then Enter:
    s  strike out an earlier reading, with a reason, and take it again
    n  write a note
    d  a preparing step was done again, such as wiping
    z  the dial was moved: take the zero again
    p  pause
    q  give this run up for good
    l  list all readings so far
    ?  this help
  To stop now and go on later: Ctrl-C. Every accepted reading is saved already."""
_TICK_S = 0.5
_BAR = 20
_RECENT = 8


class Terminal:
    """Shows a run on a console and reads lines.

    Args:
        console: where to write.
        lines: where lines come from.
        now_s: the run's counter [s].
    """

    def __init__(self, console: Console, lines: Lines, now_s: Callable[[], float]) -> None:
        self.console = console
        self.lines = lines
        self.now_s = now_s
        self.run = Run()
        self._refused: tuple[Prompt, int] | None = None
        self._shown: tuple[Prompt, int] | None = None

    # --- showing ------------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Title, place in the routine, caution, instruction, readings, findings."""
        self.run = run
        self.lines.drop_early()
        state, out = run.state, self.console
        if state.routine is None:
            return
        self._shown = (prompt, state.seq)
        if self._shown == self._refused:
            # The same once more: the reason stands above, and the rest is still on the screen.
            self._say(prompt.title.upper(), "bold")
            return
        header = state.routine.routine
        out.print()
        out.rule(style="dim")
        only = state.serials[0] if len(state.serials) == 1 else None
        serial = f"   serial {prompt.slot.serial or only}" if prompt.slot.serial or only else ""
        out.print(f"{header.title}   {header.part} {header.revision}{serial}", style="dim")
        rounds = f"   {prompt.slot.round_text}" if prompt.slot.round_text else ""
        following = f"   next: {prompt.following}" if prompt.following else ""
        out.print(f"Step {prompt.number} of {prompt.count}{rounds}{following}", style="dim")
        self._readings(state, header.units)
        for finding in findings:
            self._finding(finding)
        if prompt.caution:
            out.print()
            self._say(f"CAUTION  {prompt.caution}", "bold yellow")
        out.print()
        self._say(prompt.title.upper(), "bold")
        self._say(prompt.say)
        out.print()

    def _say(self, text: str, style: str = "") -> None:
        """A paragraph, set in by two columns in every line."""
        self.console.print(Padding(Text(text, style=style), (0, 0, 0, 2), expand=False))

    def _readings(self, state: State, units: str) -> None:
        live = state.live[-_RECENT:]
        if live:
            told = "  ".join(f"{reading_label(r, state)} {micro_text(float(r.value_um), units)}" for r in live)
            more = "… " if len(state.live) > _RECENT else ""
            self.console.print(Text(f"Read so far: {more}{told}", style="dim"))

    def _finding(self, finding: Finding) -> None:
        word, sign = LEVELS[finding.level]
        self.console.print(Text(f"{sign}{word}: {finding.text}", style="bold" if word != "note" else ""))

    def refused(self, reason: str) -> None:
        """Why an answer was not taken."""
        self.console.print()
        self._say(f"Not taken: {reason}.", "bold red")
        self._refused = self._shown

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Echo a value large; say in words what else happened."""
        self.run = run
        units = run.state.routine.routine.units if run.state.routine else "mm"
        match event:
            case e.ReadingTaken():
                self._echo(micro_text(float(event.value_um), units))
            case e.TemperatureRead():
                self._echo(f"{float(event.value_degC):.2f} °C")
            case e.AnswerGiven():
                self._say(f"{event.raw.strip()}", "bold")
            case e.PreparedAgain():
                self._say("Done again; the time is on record.")
            case e.AnswerStruck():
                self._say(f"Entry {event.target} is struck out: {event.reason}. Take it again when asked.")
            case e.NoteAdded():
                self._say("Noted.")
            case e.ZeroRenewed():
                self._say("The zero counts no more. Set a fresh one now.", "bold")
            case e.EntryChosen():
                self._say(f"{event.role}: {event.entry.get('id', '')} {event.entry.get('name', '')}", "bold")
            case e.RunContinued():
                self._back(event)
            case _:
                pass

    def _back(self, event: e.RunContinued) -> None:
        """How long the bench was left, and what follows."""
        state = self.run.state
        self.console.print()
        self._say(f"Back after {clock_text(event.away_s)} (h:mm:ss or m:ss).")
        added = {slot.kind for slot in state.slots if slot.group.startswith(f"x{event.seq}.")}
        if state.routine is None or not added:
            return
        limit = clock_text(state.routine.bracket.longest_absence)
        first = "the reference once more, then " if SlotKind.RETURN in added else ""
        self._say(f"That is longer than {limit}: {first}a fresh zero before you go on.", "bold")

    def _echo(self, text: str) -> None:
        number, _, unit = text.partition(" ")
        rows = large(number)
        rows[-1] += f"  {unit}"
        self.console.print()
        for row in rows:
            self.console.print(Text(f"    {row}"))

    # --- asking -------------------------------------------------------------------------------

    def ask(self, prompt: Prompt) -> Answer | Command:
        """The inspector's answer, or what else was wanted."""
        while True:
            text = self._wait(prompt) if prompt.asks is Asks.WAIT else self.line(_mark(prompt))
            if text is None:
                return Answer("")
            letter = text.strip().lower()
            if letter not in _LETTERS:
                return Answer(text)
            command = self._letter(letter)
            if command is not None:
                return command

    def _letter(self, letter: str) -> Command | None:  # noqa: PLR0911  one arm a letter
        """The command of a letter; None where something was only shown, or the inspector thought better of it."""
        match letter:
            case "l":
                self._list()
            case "s":
                return self._strike()
            case "p":
                return Pause()
            case "n":
                text = self.line("  Note: ").strip()
                return AddNote(text) if text else None
            case "d":
                return self._again()
            case "z":
                reason = self.line("  The dial was moved. Why? (Enter alone: leave it) ").strip()
                return RenewZero(reason) if reason else None
            case "q":
                reason = self.line("  Give this run up for good. Why? (Enter alone: go on) ").strip()
                return Abandon(reason) if reason else None
            case _:
                self.console.print(_HELP)
        return None

    def _list(self) -> None:
        state = self.run.state
        units = state.routine.routine.units if state.routine else "mm"
        for line in readings_so_far(state, units) or ["  nothing read so far"]:
            self.console.print(line)

    def _strike(self) -> Strike | None:
        self._list()
        number = self.line("  Number of the entry to strike out (Enter alone: none): ").strip()
        state = self.run.state
        live = {item.seq for item in state.entries if item.struck is None}
        if number not in map(str, live):
            self._say("Nothing was struck out." if not number else f"There is no entry {number} that counts.")
            return None
        for index, reason in enumerate(STRIKE_REASONS, 1):
            self.console.print(f"    {index}  {reason}")
        said = self.line("  Reason, a number or your own words: ").strip()
        if said.isascii() and said.isdigit() and 1 <= int(said) <= len(STRIKE_REASONS):
            said = STRIKE_REASONS[int(said) - 1]
        if not any(letter.isalpha() for letter in said):
            self._say("Nothing was struck out: a reason is needed.")
            return None
        return Strike(int(number), said)

    def _again(self) -> Again | None:
        """Which of the preparing steps was done once more."""
        steps = {done.slot.id: done.slot for done in self.run.state.prepared}
        if not steps:
            self._say("No preparing step was done so far.")
            return None
        for number, slot in enumerate(steps.values(), 1):
            self.console.print(Text(f"    {number}  {_in_a_line(slot.of or slot.say)}"))
        said = self.line("  Number of the step that was done again (Enter alone: none): ").strip()
        if not (said.isascii() and said.isdigit() and 1 <= int(said) <= len(steps)):
            self._say("Nothing was noted.")
            return None
        return Again(list(steps)[int(said) - 1])

    def line(self, mark: str) -> str:
        """What is typed after `mark`."""
        self.console.print(mark, end="")
        try:
            return self.lines.line() or ""
        except EOFError:
            raise SourceExhaustedError("the keyboard was closed") from None

    def _wait(self, prompt: Prompt) -> str | None:
        """A countdown that ends by itself, or with a typed line.

        The countdown has a line of its own, so that what is typed below it stays whole.
        """
        if self.now_s() >= prompt.until_s:
            return None
        end = dt.datetime.now().astimezone() + dt.timedelta(seconds=prompt.until_s - self.now_s())
        self._say(f"Ends by itself at {end:%H:%M}. To end it early, type the reason, then Enter.")
        self.console.print(self._countdown(prompt))
        self.console.print("  (? for help): ", end="")
        text = None
        while text is None and (left := prompt.until_s - self.now_s()) > 0.0:
            try:
                text = self.lines.line(min(_TICK_S, left))
            except EOFError:
                raise SourceExhaustedError("the keyboard was closed") from None
            if text is None:
                self._redraw(self._countdown(prompt))
        if text is None:
            self.console.bell()
            self.console.print()
        return text

    def _countdown(self, prompt: Prompt) -> str:
        left, length = max(0.0, prompt.until_s - self.now_s()), prompt.slot.at_least_s
        done = round(_BAR * (1.0 - min(1.0, left / length))) if length else _BAR
        return f"  [{'█' * done}{'·' * (_BAR - done)}] {clock_text(left)} to go "

    def _redraw(self, text: str) -> None:
        """Write over the line above, and leave what is being typed as it is."""
        if self.console.is_terminal and not self.console.is_dumb_terminal and not self.console.legacy_windows:
            self.console.file.write(f"\x1b7\x1b[1A\r\x1b[2K{text}\x1b8")
            self.console.file.flush()

    def stopped(self, run: Run, finding: Finding) -> Command:
        """A finding that stops the result: strike out and read again, go on undecided, or give up."""
        self.run = run
        self.lines.drop_early()
        self.console.bell()
        self.console.print()
        self._finding(finding)
        again = "    d  a preparing step was done again just now\n" if run.state.prepared else ""
        while True:
            self.console.print(
                "    s  strike out a reading and take it again\n"
                f"{again}"
                "    c  carry on; the result will be undecided if this stands\n"
                "    q  give this run up for good"
            )
            letter = self.line("  s, d, c or q: " if again else "  s, c or q: ").strip().lower()
            if letter == "c":
                return Acknowledge(finding.code)
            command = self._letter(letter) if letter in _LETTERS else None
            if command is not None:
                return command

    def paused(self, run: Run) -> None:
        """Wait until the inspector is back."""
        self.run = run
        self.lines.drop_early()
        self.console.print()
        self._say(f"PAUSED at {run.state.wall[11:16]}. Every reading is saved.", "bold")
        self.line("  Enter to go on: ")

    def overrule(self, reason: str) -> str | None:
        """A reason to use an unfit device all the same."""
        self._say(f"{reason}.", "bold")
        said = self.line("  To use it all the same, type the reason; Enter alone to name another: ").strip()
        return said or None


_LETTERS = frozenset({"?", "s", "n", "d", "z", "p", "q", "l"})


def _in_a_line(text: str) -> str:
    return text if len(text) <= _LINE else f"{text[: _LINE - 1]}…"


_LINE = 60


def _mark(prompt: Prompt) -> str:
    if prompt.asks is Asks.CONFIRM:
        return (
            "  Enter when done (? for help): " if prompt.slot.kind is not SlotKind.COMPARE else "  Enter to compare: "
        )
    unit = {"degC": "°C", "um": "µm", "uin": "µin"}.get(prompt.unit, prompt.unit)
    return f"  [{unit}] (? for help): " if unit else "  (? for help): "
