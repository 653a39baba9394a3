"""From a snapshot to the sheet that is shown: every text of the page, and nothing of a browser.

What a pedal may do is decided here, in one place: it accepts and confirms; it never strikes out, overrules,
ends early or gives up, and to finish it has to be held.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from holdzero.display import in_micro, length_text
from holdzero.hooks import Asks, Prompt
from holdzero.page.chart import Dot, readings_picture
from holdzero.page.choosing import choosing_of
from holdzero.page.echo import echo_of
from holdzero.page.ended import part_of
from holdzero.page.shown import Box, Break, EntryField, Option, Row, Sheet
from holdzero.page.snapshot import Snapshot, Stage
from holdzero.page.soaked import soak_of
from holdzero.page.words import entry_row, marks_of, prepared_row, sentence, told, told_all, wall_time
from holdzero.questions import questions_now
from holdzero.run.commands import STRIKE_REASONS
from holdzero.run.kept import Prepared, Reading
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import again_text, prompt_of
from holdzero.run.state import Phase, State
from holdzero.wording import clock_text, limits_text

__all__ = ["sheet_of"]

_RECENT = 8
_UNITS = {"degC": "°C", "um": "µm", "uin": "µin"}


def sheet_of(snapshot: Snapshot) -> Sheet:
    """All that the page shows now."""
    match snapshot.stage:
        case Stage.CHOOSING:
            return choosing_of(snapshot)
        case Stage.FINISHED | Stage.ABANDONED | Stage.INTERRUPTED:
            return _ended(snapshot)
        case _:
            return _running(snapshot)


def _ended(snapshot: Snapshot) -> Sheet:
    state = snapshot.run.state if snapshot.run else State()
    titles = {
        Stage.FINISHED: "The run is over",
        Stage.ABANDONED: "Given up",
        Stage.INTERRUPTED: "The run was interrupted",
    }
    units = state.routine.routine.units if state.routine else "mm"
    abandoned = f"Reason: {sentence(state.abandoned)}" if state.abandoned else ""
    say = {Stage.ABANDONED: abandoned, Stage.INTERRUPTED: _interrupted(snapshot.ended, len(state.entries))}
    parts = tuple(map(part_of, snapshot.records))
    verdict = f"{parts[0].word}: " if len(parts) == 1 else ""
    return Sheet(
        state=snapshot.stage.value,
        seq=snapshot.seq,
        key=f"end-{snapshot.stage.value}",
        tab=f"{verdict}{titles[snapshot.stage]}",
        title=titles[snapshot.stage],
        template="end.html",
        say=say.get(snapshot.stage, ""),
        tone="stop" if snapshot.stage is Stage.INTERRUPTED else "accepted",
        marks=_marks(snapshot, state),
        head=_head(state, None),
        parts=parts,
        rows=_rows(state, units, blind=False),
        picture=_picture(state, units),
        files=tuple(name for name in snapshot.files if not name.endswith(".html")),
        pages=tuple(name for name in snapshot.files if name.endswith(".html")),
        problems=snapshot.problems,
        debrief=snapshot.debrief,
    )


def _interrupted(ended: str, kept: int) -> str:
    """Why a run was interrupted, and what is left of it; how a terminal goes on with it is of no use here."""
    why = [
        line
        for line in ended.splitlines()
        if not line.startswith("holdzero resume ") and not line.endswith("to go on:")
    ]
    saved = "1 reading or answer is saved" if kept == 1 else f"All {kept} readings and answers are saved"
    return f"{sentence('; '.join(why))} {saved if kept else 'Nothing was read yet'}. Go on from the list of open runs."


def _marks(snapshot: Snapshot, state: State) -> tuple[str, ...]:
    return marks_of(
        simulated=snapshot.simulated or state.simulated,
        trial=snapshot.trial or state.trial,
        practice=bool(snapshot.greeting),
        unapproved=state.routine is not None and state.routine.approval is None,
    )


def _running(snapshot: Snapshot) -> Sheet:
    run, prompt = snapshot.run, snapshot.prompt
    state = run.state if run else State()
    units = state.routine.routine.units if state.routine else "mm"
    blind = state.routine is not None and state.routine.routine.blind
    rows = _rows(state, units, blind=blind)
    live = [row for row in rows if row.number is not None and not row.out]
    sheet = Sheet(
        state="busy",
        seq=snapshot.seq,
        key="busy",
        tab="One moment",
        title="One moment",
        say="The record is being made." if state.done and not state.open_slots else "Getting ready.",
        marks=_marks(snapshot, state),
        head=_head(state, prompt),
        taken=None if snapshot.taken is None else echo_of(snapshot.taken, state, units, blind=blind),
        refused=sentence(snapshot.refused.reason) if snapshot.refused else "",
        tone=_tone(snapshot),
        findings=told_all(snapshot.findings),
        limits=() if blind else _limits(state, units),
        rows=rows[-_RECENT:],
        earlier=rows[:-_RECENT],
        last=live[-1] if live else None,
        picture=None if blind else _picture(state, units),
        blind=blind,
        # One that was given up already, and not set anew yet, can't be given up again.
        can_zero=bool(state.zeros) and len(state.zeros) not in state.lost_zeros,
        again=tuple(Option(slot.id, again_text(slot)) for slot in state.repeatable),
        reasons=STRIKE_REASONS,
    )
    # A run that is paused asks for nothing; the place it stands at is shown all the same.
    place = prompt or prompt_of(replace(state, phase=Phase.RUNNING))
    if place is not None:
        sheet = replace(
            sheet,
            step=f"Step {place.number} of {place.count}",
            number=place.number,
            count=place.count,
            rounds=place.slot.round_text,
            following=place.following,
        )
    match snapshot.stage:
        case Stage.STOPPED if snapshot.stop is not None:
            return _stopped(sheet, snapshot, state)
        case Stage.PAUSED:
            since = f"Since {wall_time(state.wall)}. " if state.wall else ""
            lasts_s = max(0.0, snapshot.now_s - state.now_s)
            pause = Break(lasts=clock_text(lasts_s), lasts_s=lasts_s, pace=snapshot.pace)
            say = f"{since}Every reading is saved."
            return replace(_stated(sheet, "paused", "Paused", say, accept="Go on", what="go_on"), pause=pause)
        case Stage.OVERRULE:
            say = "Name another device; or, to use it all the same, say why. The reason is on record."
            return replace(
                _stated(sheet, "overrule", "This device must not be used", say), refused=sentence(snapshot.unfit)
            )
        case _ if prompt is not None:
            return _asked(sheet, snapshot, prompt, state)
        case _:
            return sheet


def _stated(sheet: Sheet, state: str, title: str, say: str, *, accept: str = "", what: str = "answer") -> Sheet:
    pedal = "accept" if accept else "none"
    return replace(
        sheet, state=state, key=state, tab=title, title=title, say=say, accept=accept, what=what, pedal=pedal
    )


def _stopped(sheet: Sheet, snapshot: Snapshot, state: State) -> Sheet:
    stop = told(snapshot.stop) if snapshot.stop is not None else None
    asked = told_all(tuple(questions_now(state)))
    known = {found.code for found in (*asked, *((stop,) if stop is not None else ()))}
    findings = (*asked, *(found for found in sheet.findings if found.code not in known))
    stated = _stated(sheet, "stopped", "Stop: choose how to go on", "")
    # The head stays at what was done last: the next step is not asked yet.
    done = sheet.number - 1
    newest = max(state.entries, key=lambda item: item.seq, default=None)
    if done > 0 and newest is not None:
        rounds = newest.slot.round_text
        stated = replace(stated, step=f"After step {done} of {sheet.count}", rounds=rounds, following="")
    return replace(stated, stop=stop, findings=findings, more=True, tone="stop")


def _asked(  # noqa: PLR0911  one arm a kind
    sheet: Sheet, snapshot: Snapshot, prompt: Prompt, state: State
) -> Sheet:
    slot = prompt.slot
    sheet = replace(
        sheet, key=f"{prompt.asks.value} {slot.id}", tab=prompt.title, title=prompt.title, caution=prompt.caution,
        say=prompt.say, more=True,
    )  # fmt: skip
    unit = _UNITS.get(prompt.unit, prompt.unit)
    match prompt.asks:
        case Asks.CONFIRM if slot.kind is SlotKind.COMPARE:
            return replace(sheet, state="compare", pedal="hold", accept="Compare and finish")
        case Asks.CONFIRM:
            return replace(sheet, state="confirm", pedal="accept", what="accept", accept="Done")
        case Asks.CHOICE:
            options = tuple(Option(entry.identifier, entry.identifier, entry.name) for entry in snapshot.register)
            entry = EntryField(label=f"Identifier of the {slot.of}", options=options)
            return replace(sheet, state="choice", entry=entry)
        case Asks.ANSWER:
            options = tuple(Option(choice, choice) for choice in slot.choices)
            numeric = slot.answer != "text" and not options
            entry = EntryField(label=prompt.title, unit=unit, options=options, numeric=numeric)
            return replace(sheet, state="ask", entry=entry)
        case Asks.WAIT:
            soak = soak_of(prompt, state, now_s=snapshot.now_s, pace=snapshot.pace)
            hint = "What the dial shows, or a thermometer: part 20.31. To end early: why, in words."
            entry = EntryField(label="Seen meanwhile", hint=hint, numeric=True)
            accept = "Settled: go on" if soak.may_end else ""
            pedal = "accept" if accept else "none"
            return replace(sheet, state="soak", soak=soak, entry=entry, live=snapshot.live, accept=accept, pedal=pedal)
        case Asks.TEMPERATURE:
            entry = EntryField(label=f"Temperature of the {slot.of}", unit=unit, numeric=True)
            return replace(_takes(sheet, snapshot), state="temperature", entry=entry, thermometer=slot.of)
        case Asks.READING:
            last = (
                f"The last one was typed in {prompt.typed_in}; a bare number is in {unit}." if prompt.typed_in else ""
            )
            entry = EntryField(label="What the dial shows", unit=unit, numeric=True, hint=last)
            if snapshot.source.partition(":")[0] == "keyboard":
                return replace(sheet, state="reading", entry=entry)
            hint = (
                f"Accept takes the live value as soon as it stands still. Or type what the dial shows. {last}".rstrip()
            )
            return replace(_takes(sheet, snapshot), state="reading", entry=replace(entry, hint=hint))


def _takes(sheet: Sheet, snapshot: Snapshot) -> Sheet:
    """With the live value to accept, where there is one."""
    if not snapshot.live:
        return sheet
    return replace(sheet, live=True, pedal="accept", what="accept", accept="Accept")


def _head(state: State, prompt: Prompt | None) -> tuple[Box, ...]:
    if state.routine is None:
        return ()
    header = state.routine.routine
    serials = [serial for serial in state.serials if serial]
    now = prompt.slot.serial if prompt else None
    serial = now or (serials[0] if len(serials) == 1 else ", ".join(serials))
    return (
        Box("Routine", header.title),
        Box("Part", header.part),
        Box("Revision", header.revision or "none"),
        Box("Serial", serial or "none"),
        Box("Operator", state.operator or "not named"),
    )


def _rows(state: State, units: str, *, blind: bool) -> tuple[Row, ...]:
    return tuple(
        prepared_row(item)
        if isinstance(item, Prepared)
        else entry_row(item, state, units, blind=blind and isinstance(item, Reading))
        for item in sorted((*state.entries, *state.prepared), key=lambda item: item.seq)
    )


def _picture(state: State, units: str) -> Any:
    dots = []
    for reading in state.readings:
        if reading.kind is SlotKind.CHECK:
            continue  # well away in size, it would flatten all the rest
        row = entry_row(reading, state, units)
        words = ", ".join(filter(None, (f"entry {reading.seq}", row.what, row.rounds, row.value, row.out)))
        value = in_micro(float(reading.value_um), units)
        kind = "part" if reading.kind is SlotKind.READ else reading.kind.value
        out = "struck" if reading.struck else "replaced" if row.out else ""
        dots.append(Dot(number=reading.seq, value=value, kind=kind, state=out, words=words))
    return readings_picture(dots, {"mm": "µm", "in": "µin"}[units]) if dots else None


def _limits(state: State, units: str) -> tuple[str, ...]:
    if state.routine is None:
        return ()
    told_limits = []
    for name, asked in state.routine.characteristics.items():
        nominal = f"{length_text(asked.nominal, units)}, " if asked.nominal is not None else ""
        text = limits_text(asked.lower, asked.upper, units)
        told_limits.append(f"{name}: {nominal}{text if text != 'none' else 'no limits'}")
    return tuple(told_limits)


def _tone(snapshot: Snapshot) -> str:
    if snapshot.refused is not None:
        return "question"
    if any(finding.level != "note" for finding in snapshot.findings):
        return "question"
    return "accepted" if snapshot.taken is not None else ""
