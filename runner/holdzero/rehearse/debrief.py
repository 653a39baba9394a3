"""What is told at the end of a run at a virtual bench: how near its result comes to the truth, and what was hidden."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from holdzero import events as e
from holdzero.checks import Checks
from holdzero.decide import Verdict
from holdzero.display import micro_text, span_text
from holdzero.evaluate import evaluate
from holdzero.limit import between, exceeds
from holdzero.result import Result
from holdzero.routine.schema import Characteristic
from holdzero.run import Run
from holdzero.run.kept import Reading
from holdzero.run.state import State

__all__ = ["Hidden", "Share", "Truth", "debriefed", "done_on_the_way", "written_for_another"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of the part.

    Attributes:
        name: of a characteristic.
        spec: the characteristic.
        true_um: its value in truth [um].
    """

    name: str
    spec: Characteristic
    true_um: float

    @property
    def conforms(self) -> bool:
        """Whether it lies within its limits."""
        return bool(between(self.true_um, self.spec.lower, self.spec.upper))


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """By how much one term moved a value.

    Attributes:
        of: name of the term.
        drawn_um: for what was drawn of what the routine states [um].
        set_um: for what the scenario set [um].
    """

    of: str
    drawn_um: float
    set_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """What only the bench knew.

    Attributes:
        truths: of the part.
        told: what was wrong at the bench, in words; None where there was no scenario.
        written_for: the part that these words are written for; empty for any.
        dust: readings that dust lay under, and how high it lifted the part [um].
        warmed_um: what the heat of hands added to readings, by body and number of entry [um].
        of: name of the characteristic that was moved.
        shares: by how much, term by term.
        righted: whether the right reference was taken in place of a wrong one.
    """

    truths: Sequence[Truth]
    told: str | None
    written_for: str = ""
    dust: Sequence[tuple[Reading, float]] = ()
    warmed_um: Mapping[str, Mapping[int, float]] = field(default_factory=dict)
    of: str = ""
    shares: Sequence[Share] = ()
    righted: bool = False


def debriefed(run: Run, checks: Checks, hidden: Hidden, *, sat: bool) -> Sequence[str]:
    """What is told at the end, one characteristic a line; then what was done, and what was hidden.

    Args:
        run: that is over.
        checks: bound to its routine.
        hidden: what only the bench knew.
        sat: whether somebody sat at it, who is told what they did.
    """
    state = run.state
    units = state.routine.routine.units if state.routine is not None else "mm"
    told, valued = [], False
    for serial in state.serials:
        results = {result.name: result for result in evaluate(state, serial, checks).results}
        whose = f"Serial {serial}, " if len(state.serials) > 1 else ""
        truths = [truth for truth in hidden.truths if truth.name in results]
        told += [f"{whose}{_beside(results[truth.name], truth, units)}" for truth in truths]
        told += [f"{whose}{words}" for words in _of_heat(state, serial, checks, hidden, results.get(hidden.of))]
        valued = valued or (hidden.of in results and results[hidden.of].propagated is not None)
    told += _moved(hidden, units, valued=valued)
    if sat:
        told.append(done_on_the_way(run))
    told += _of_dust(state, hidden.dust, units)
    if hidden.told is None:
        told.append("Nothing was hidden: no errors but those that the routine states.")
    elif hidden.told:
        told += [words for words in (written_for_another(hidden.written_for, state),) if words]
        told.append(f"What was hidden: {hidden.told}")
    if hidden.righted:
        told.append("After the zero was given up, the right reference lay under it.")
    return told


def written_for_another(part: str, state: State) -> str:
    """What is said where a scenario was written for another part; empty where it was not.

    Args:
        part: that it was written for; empty for any.
        state: of the run.
    """
    own = state.routine.routine.part if state.routine is not None else ""
    if not part or not own or own == part:
        return ""
    return f"This scenario was written for the part {part}; here it is {own}: its words may not fit."


def _moved(hidden: Hidden, units: str, *, valued: bool) -> list[str]:
    """The largest errors, as they were in this run: what the routine itself states, and what was hidden, apart."""
    moved = f"moved {hidden.of} by" if valued else f"would have moved a value of {hidden.of} by"
    stated = _largest([(share.of, share.drawn_um) for share in hidden.shares], units)
    unstated = _largest([(share.of, share.set_um) for share in hidden.shares], units)
    return [
        *([f"Errors within what the routine states {moved}: {stated}."] if stated else []),
        *([f"What this bench had beyond that {moved}: {unstated}."] if unstated else []),
    ]


def _largest(shares: Sequence[tuple[str, float]], units: str) -> str:
    largest = sorted(shares, key=lambda share: -abs(share[1]))[:_LARGEST]
    return "; ".join(f"{of} {micro_text(um, units, abs(um))}" for of, um in largest if abs(um) > _WORTH_UM)


_LARGEST, _WORTH_UM = 3, 0.005
_TOLD_UM = 0.1  # heat is told to a hundredth of a micrometre


def done_on_the_way(run: Run) -> str:
    """What the person did besides reading, in words.

    Args:
        run: that is over.
    """
    state = run.state
    struck = sorted((item.seq, item.struck) for item in state.entries if item.struck is not None)
    cleaned = len(state.prepared) - len({done.slot.id for done in state.prepared})
    away_s = sum(event.away_s or 0.0 for event in run.events if isinstance(event, e.RunContinued))
    given_up = [event.reason for event in run.events if isinstance(event, e.ZeroRenewed)]
    stops = [event.code for event in run.events if isinstance(event, e.StopAcknowledged)]
    early = [soak.reason for soak in state.soaks if soak.reason]
    notes = [note.text for note in state.notes if note.plugin is None]
    done = [
        *([f"ended {_times(len(early), 'soak')} early ({'; '.join(early)})"] if early else []),
        *([f"struck out {_struck(struck)}"] if struck else []),
        *([f"prepared again {_often(cleaned)}"] if cleaned else []),
        *([f"gave the zero up {_often(len(given_up))} ({'; '.join(given_up)})"] if given_up else []),
        *([f"carried on past {_times(len(stops), 'STOP')} ({'; '.join(map(_bare, stops))})"] if stops else []),
        *([f"paused for {span_text(away_s)}"] if away_s else []),
        *([f"wrote {_times(len(notes), 'note')} ({'; '.join(notes)})"] if notes else []),
        *(["gave the run up: nothing wrong was accepted or rejected"] if state.abandoned else []),
    ]
    return f"On the way you {', '.join(done)}." if done else "On the way you changed nothing."


def _struck(struck: Sequence[tuple[int, str]]) -> str:
    """What was struck out, in the order of the record: 2 entries (9, dirt; 12, dust)."""
    each = "; ".join(f"{seq}, {reason}" for seq, reason in struck)
    return f"{len(struck)} {'entry' if len(struck) == 1 else 'entries'} ({each})"


def _bare(code: str) -> str:
    """The code of a finding without the number of the entry that it is about."""
    name, _, last = code.rpartition("/")
    return name if last.isdigit() else code


def _times(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _often(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _of_dust(state: State, dust: Sequence[tuple[Reading, float]], units: str) -> list[str]:
    """Which readings dust lay under, and which were struck out without need."""
    if not dust:
        return []
    under = {reading.seq for reading, _ in dust}
    lay = []
    for reading, um in dust:
        where = f"place {reading.slot.place}" if reading.slot.place else "the reference"
        stands = "struck out" if reading.struck else "it counts"
        lay.append(f"entry {reading.seq}, {where} ({micro_text(um, units, um)}, {stands})")
    found = [f"Dust lay under {'; '.join(lay)}."]
    needless = [str(r.seq) for r in state.readings if r.struck is not None and r.seq not in under]
    if needless:
        found.append(
            f"Nothing lay under {', '.join(needless)}, which {'was' if len(needless) == 1 else 'were'} struck out too."
        )
    return found


def _of_heat(state: State, serial: str | None, checks: Checks, hidden: Hidden, result: Result | None) -> list[str]:
    """What the heat of hands in each body did to the value: what it would have been without it is worked out."""
    value, units = _value_um(result), state.routine.routine.units if state.routine is not None else "mm"
    if value is None:
        return []
    did = []
    for body, added_um in hidden.warmed_um.items():
        colder = [replace(read, value_um=read.value_um - added_um.get(read.seq, 0.0)) for read in state.readings]
        results = evaluate(replace(state, readings=tuple(colder)), serial, checks).results
        without = _value_um(next((other for other in results if other.name == hidden.of), None))
        own = [read.seq for read in state.counted if read.slot.serial in (serial, None)]
        counted = [added_um[seq] for seq in own if seq in added_um]
        if without is not None and counted:
            moved, first, last = (micro_text(um, units, _TOLD_UM) for um in (value - without, counted[0], counted[-1]))
            did.append(f"{body} {moved} ({first} in its first reading, {last} in its last)")
    return [f"Heat of hands moved {hidden.of} by: {'; '.join(did)}."] if did else []


def _value_um(result: Result | None) -> float | None:
    return None if result is None or result.propagated is None else float(result.propagated.value_um)


def _beside(result: Result, truth: Truth, units: str) -> str:
    """A result beside the truth."""
    limited = truth.spec.lower is not None or truth.spec.upper is not None
    within = f", {'within' if truth.conforms else 'beyond'} its limits" if limited else ""
    known = f"{truth.name}: in truth {micro_text(truth.true_um, units)}{within}."
    if result.propagated is None or result.decision is None:
        return f"{known} No value was found."
    expanded = float(result.decision.expanded_uncertainty_um)
    largest = micro_text(expanded, units, expanded, sign=False)
    off = float(result.propagated.value_um) - truth.true_um
    inside = "more than" if exceeds(abs(off), expanded) else "no more than"
    apart = f"off by {micro_text(off, units, expanded)}, {inside} its U of {largest}"
    return f"{known} The value is {apart}. {_judged(result.verdict, conforms=truth.conforms)}"


def _judged(verdict: Verdict, *, conforms: bool) -> str:
    """What the verdict is worth."""
    if verdict is Verdict.REPORTED:
        return "Nothing is decided of it."
    if verdict is Verdict.PASS:
        return "It passed, and rightly." if conforms else "It passed, and is bad: that part would have gone out."
    if verdict is Verdict.FAIL:
        return "It failed, and is good: that part would have been scrapped." if conforms else "It failed, and rightly."
    return "It stayed undecided: nothing wrong was accepted or rejected."
