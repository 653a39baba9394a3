"""The terminal face: one instruction at a time, large and plain, for a person with busy hands."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.console import Console
from rich.text import Text

from holdzero import events as e
from holdzero.cli.digits import large
from holdzero.cli.lines import Lines
from holdzero.cli.words import LEVELS, clock_text, reading_label, readings_so_far
from holdzero.display import micro_text
from holdzero.errors import SourceExhaustedError
from holdzero.hooks import Answer, Asks, Finding, Prompt
from holdzero.run import Run
from holdzero.run.commands import STRIKE_REASONS, Abandon, Acknowledge, AddNote, Command, Pause, RenewZero, Strike
from holdzero.run.plan import SlotKind
from holdzero.run.state import State

__all__ = ["Terminal"]

_HELP = """\
  Type the answer, then Enter. A reading: +1.5, -0,5 um, 20 uin, 3 div.
  Or one of these letters, then Enter:
    s  strike out an earlier reading, with a reason, and take it again
    n  write a note
    z  the dial was moved: take the zero again
    p  pause
    q  give this run up for good
    l  list all readings so far
    ?  this help
  To stop now and go on later: Ctrl-C. Every accepted reading is saved already."""
_TICK_S = 0.5
_BAR = 40
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

    # --- showing ------------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Title, place in the routine, caution, instruction, readings, findings."""
        self.run = run
        self.lines.drop_early()
        state, out = run.state, self.console
        if state.routine is None:
            return
        header = state.routine.routine
        out.print()
        out.rule(style="dim")
        serial = f"   serial {prompt.slot.serial}" if prompt.slot.serial else ""
        out.print(f"{header.title}   {header.part} {header.revision}{serial}", style="dim", highlight=False)
        rounds = f"   {prompt.slot.round_text}" if prompt.slot.round_text else ""
        following = f"   next: {prompt.following}" if prompt.following else ""
        out.print(f"Step {prompt.number} of {prompt.count}{rounds}{following}", style="dim", highlight=False)
        self._readings(state, header.units)
        for finding in findings:
            self._finding(finding)
        if prompt.caution:
            out.print()
            out.print(Text(f"  CAUTION  {prompt.caution}", style="bold yellow"))
        out.print()
        out.print(Text(f"  {prompt.title.upper()}", style="bold"))
        out.print(Text(f"  {prompt.say}"))
        out.print()

    def _readings(self, state: State, units: str) -> None:
        live = state.live[-_RECENT:]
        if live:
            told = "  ".join(f"{reading_label(r)} {micro_text(float(r.value_um), units)}" for r in live)
            more = "… " if len(state.live) > _RECENT else ""
            self.console.print(Text(f"Read so far: {more}{told}", style="dim"))

    def _finding(self, finding: Finding) -> None:
        word, sign = LEVELS[finding.level]
        self.console.print(Text(f"{sign}{word}: {finding.text}", style="bold" if word != "note" else ""))

    def refused(self, reason: str) -> None:
        """Why an answer was not taken."""
        self.console.print(Text(f"  Not taken: {reason}.", style="bold red"))

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Echo a value large; say in words what else happened."""
        self.run = run
        units = run.state.routine.routine.units if run.state.routine else "mm"
        match event:
            case e.ReadingTaken():
                self._echo(micro_text(float(event.value_um), units))
            case e.TemperatureRead():
                self._echo(f"{float(event.value_degC):.2f} °C")
            case e.AnswerStruck():
                self.console.print(f"  Entry {event.target} is struck out: {event.reason}. Take it again when asked.")
            case e.NoteAdded():
                self.console.print("  Noted.")
            case e.EntryChosen():
                self.console.print(f"  {event.role}: {event.entry.get('id', '')} {event.entry.get('name', '')}")
            case _:
                pass

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

    def _letter(self, letter: str) -> Command | None:
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
            case "z":
                reason = self.line("  The dial was moved. Why? (Enter alone: leave it) ").strip()
                return RenewZero(reason) if reason else None
            case "q":
                reason = self.line("  Give this run up for good. Why? (Enter alone: go on) ").strip()
                return Abandon(reason) if reason else None
            case _:
                self.console.print(_HELP, highlight=False)
        return None

    def _list(self) -> None:
        state = self.run.state
        units = state.routine.routine.units if state.routine else "mm"
        for line in readings_so_far(state, units) or ["  nothing read so far"]:
            self.console.print(line, highlight=False)

    def _strike(self) -> Strike | None:
        self._list()
        number = self.line("  Number of the entry to strike out (Enter alone: none): ").strip()
        if not number.isascii() or not number.isdigit():
            return None
        for index, reason in enumerate(STRIKE_REASONS, 1):
            self.console.print(f"    {index}  {reason}", highlight=False)
        said = self.line("  Reason, a number or your own words: ").strip()
        if said.isascii() and said.isdigit() and 1 <= int(said) <= len(STRIKE_REASONS):
            said = STRIKE_REASONS[int(said) - 1]
        if not any(letter.isalpha() for letter in said):
            self.console.print("  Nothing was struck out: a reason is needed.")
            return None
        return Strike(int(number), said)

    def line(self, mark: str) -> str:
        """What is typed after `mark`."""
        self.console.print(mark, end="", highlight=False, markup=False)
        try:
            return self.lines.line() or ""
        except EOFError:
            raise SourceExhaustedError("the keyboard was closed") from None

    def _wait(self, prompt: Prompt) -> str | None:
        """A countdown that ends by itself, or with a typed line."""
        from rich.progress import BarColumn, Progress, TextColumn

        length = prompt.slot.at_least_s
        if self.now_s() >= prompt.until_s:
            return None
        self.console.print("  Ends by itself. To end it early, type the reason and Enter; ? for help.")
        columns = (
            TextColumn("  {task.description}"),
            BarColumn(bar_width=_BAR),
            TextColumn("{task.fields[left]} to go"),
        )
        with Progress(*columns, console=self.console, auto_refresh=False) as progress:
            task = progress.add_task("soak", total=length, left=clock_text(prompt.until_s - self.now_s()))
            while (left := prompt.until_s - self.now_s()) > 0.0:
                progress.update(task, completed=length - left, left=clock_text(left), refresh=True)
                try:
                    text = self.lines.line(min(_TICK_S, left))
                except EOFError:
                    raise SourceExhaustedError("the keyboard was closed") from None
                if text is not None:
                    return text
        self.console.bell()
        return None

    def stopped(self, run: Run, finding: Finding) -> Command:
        """A finding that stops the result: strike out and read again, go on undecided, or give up."""
        self.run = run
        self.lines.drop_early()
        self.console.bell()
        self.console.print()
        self._finding(finding)
        while True:
            self.console.print(
                "    s  strike out a reading and take it again\n"
                "    c  carry on; the result will be undecided if this stands\n"
                "    q  give this run up for good",
                highlight=False,
            )
            letter = self.line("  s, c or q: ").strip().lower()
            if letter == "c":
                return Acknowledge(finding.code)
            command = self._letter(letter) if letter in _LETTERS else None
            if command is not None:
                return command

    def paused(self, run: Run) -> None:
        """Wait until the inspector is back."""
        self.run = run
        self.console.print()
        self.console.print(Text("  PAUSED", style="bold"))
        self.line("  Enter to go on: ")

    def overrule(self, reason: str) -> str | None:
        """A reason to use an unfit device all the same."""
        self.console.print(Text(f"  {reason}.", style="bold"))
        said = self.line("  To use it all the same, type the reason; Enter alone to name another: ").strip()
        return said or None


_LETTERS = frozenset({"?", "s", "n", "z", "p", "q", "l"})


def _mark(prompt: Prompt) -> str:
    if prompt.asks is Asks.CONFIRM:
        return (
            "  Enter when done (? for help): " if prompt.slot.kind is not SlotKind.COMPARE else "  Enter to compare: "
        )
    unit = {"degC": "°C"}.get(prompt.unit, prompt.unit)
    return f"  [{unit}] (? for help): " if unit else "  (? for help): "
