"""What the engine itself looks after: the bracket of zero and return, and how the run went."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from typing import TypeAlias

import numpy as np

from holdzero.decide import Decision, Truth
from holdzero.display import span_text
from holdzero.hooks import CharacteristicView, Finding, Level, Measure, RunView, mean, stack
from holdzero.limit import exceeds
from holdzero.quantity import Number
from holdzero.questions import question_findings
from holdzero.routine.schema import Characteristic, Selection
from holdzero.run.commands import COMPARATOR
from holdzero.run.kept import Reading, Reopened, SoakTaken
from holdzero.run.plan import SlotKind
from holdzero.run.soaking import hidden_text, left_text
from holdzero.run.state import Phase, State
from holdzero.statistics import expected_range
from holdzero.wording import clock_text

__all__ = ["bracket_findings", "run_findings", "selection_findings", "stop", "told_once"]

_SHORT_SOAK = "soak/short"


def stop(code: str, text: str, characteristic: str | None = None) -> Finding:
    """A finding that stops a characteristic, or the whole part."""
    return Finding(level=Level.STOP, code=code, text=text, characteristic=characteristic)


def bracket_findings(view: RunView, seen: CharacteristicView) -> Iterable[Finding]:
    """No verdict without a closed bracket: zero before, and a return within the limit after."""
    limit = view.bracket_limit_um
    around = [_visits_around(view, reading) for reading in seen.readings]
    if any(after is None for _, after in around):
        text = (
            f"{seen.name}: the reference was not read again after the last readings, so the zero is not known to hold."
        )
        yield stop("bracket/open", text, seen.name)
    visits = {visit[0].seq: visit for both in around for visit in both if visit is not None}
    for visit in visits.values():
        closure = mean([r.value_um for r in visit]) - view.zero_um(visit[0].zero)
        off, allowed = view.against(closure, limit)
        yield Finding(
            level=Level.STOP,
            code="bracket/limit",
            text=f"{seen.name}: on return the reference read {off} off its zero; at most "
            f"{allowed} is allowed. All that was read since the last good zero is undecided.",
            characteristic=seen.name,
            data={"closure_um": float(np.mean(closure)), "limit_um": limit},
            holds=exceeds(np.abs(closure), limit, view.resolution_um),
        )


# A result that is less than so many times what scatter alone would give is not told from it.
_TOLD_FROM_SCATTER = 2.0
# A value that is off by a tenth of U is still covered by it in 95.0 % of cases, in place of 95.45 % (worked out, for a
# normal error and k = 2).
_LITTLE_OF_U = 0.1


def selection_findings(
    view: RunView, seen: CharacteristicView, value_um: Number, decision: Decision | None
) -> Iterable[Finding]:
    """A largest, a smallest or a variation picks its places by their readings, and so picks scatter too.

    A note where that can't matter: it is no more than a tenth of U, or the value passes and would without it. Else a
    doubt.

    Args:
        view: of the run.
        seen: the characteristic.
        value_um: its value [um].
        decision: how that stands against its limits; None where it has no number.
    """
    if len(seen.spec.at) < 2 or not (_varies(seen.spec) or seen.spec.of is not Selection.MEAN):  # noqa: PLR2004
        return
    found, alone, holds = _spread_of_places(view, seen)
    # Of equal places scatter makes a variation of all that it makes them differ by, and puts the largest above their
    # mean by half of that; and neither by more than they do differ.
    picked = np.minimum(alone if _varies(seen.spec) else alone / 2.0, found)
    expanded = 0.0 if decision is None else decision.expanded_uncertainty_um
    little = picked <= _LITTLE_OF_U * expanded
    stands = np.logical_and(_passes_without(seen.spec, value_um, picked, decision), np.logical_not(little))
    nearer = "larger" if _smallest(seen.spec) else "smaller"
    told = (
        (
            Level.DOUBT,
            "; the value is not corrected for it. More rounds tell more.",
            np.logical_not(np.logical_or(little, stands)),
        ),
        (Level.NOTE, f", by about {view.length(picked)}: little beside U = {view.length(expanded)}.", little),
        (Level.NOTE, f"; if anything the true value is {nearer}, and the pass stands.", stands),
    )
    for level, rest, where in told:
        yield Finding(
            level=level,
            code="selection/scatter",
            text=f"{seen.name}: its places differ by {view.length(found)}, and scatter alone would make equal places "
            f"differ by about {view.length(alone)}. What is picked as largest or smallest is partly scatter{rest}",
            characteristic=seen.name,
            data={"found_um": float(np.mean(found)), "scatter_alone_um": float(np.mean(alone))},
            holds=np.logical_and(holds, where),
        )


def _varies(spec: Characteristic) -> bool:
    return spec.measure is Measure.VARIATION


def _smallest(spec: Characteristic) -> bool:
    return spec.of is Selection.SMALLEST and not _varies(spec)


def _spread_of_places(view: RunView, seen: CharacteristicView) -> tuple[Number, Number, Truth]:
    """By how much the places differ, and equal ones would by scatter alone [um]; and where the two are much alike."""
    at = seen.spec.at
    means = [mean([view.difference_um(r) for r in seen.readings if r.slot.place == place]) for place in at]
    each = sum(r.slot.place in at for r in seen.readings) / len(at)
    s, dof = seen.scatter if seen.scatter is not None else view.scatter_um
    alone = s / math.sqrt(each) * expected_range(len(at))
    found = np.ptp(stack(means), axis=-1)
    return found, alone, np.logical_and(dof > 0.0, found < _TOLD_FROM_SCATTER * alone)


def _passes_without(spec: Characteristic, value_um: Number, picked_um: Number, decision: Decision | None) -> Truth:
    """Whether a value passes, and would do so nearer the limit that what was picked keeps it from."""
    if decision is None or decision.chance is None:
        return False
    farther = picked_um + decision.expanded_uncertainty_um
    clear: Truth = True
    if _smallest(spec):
        clear = True if spec.upper is None else value_um + farther <= spec.upper
    elif spec.lower is not None:
        clear = value_um - farther >= spec.lower
    return np.logical_and(np.logical_and(decision.passes, np.logical_not(decision.fails)), clear)


_Visit: TypeAlias = tuple[Reading, ...]


def _visits_around(view: RunView, reading: Reading) -> tuple[_Visit | None, _Visit | None]:
    """The return that opens the bracket of a reading, if there is one, and the one that closes it."""
    visits = view.returns(reading.zero)
    after = bisect_right(visits, reading.seq, key=lambda visit: visit[-1].seq)
    return visits[after - 1] if after else None, visits[after] if after < len(visits) else None


def run_findings(state: State) -> Iterable[Finding]:
    """What the engine saw of the run as a whole, whatever the part."""
    if state.phase is Phase.ABANDONED:
        yield stop("run/abandoned", f"The run was abandoned: {state.abandoned}.")
    elif state.phase is not Phase.FINISHED:
        yield stop("run/unfinished", "The run is not finished.")
    if state.trial:
        text = "A trial of the routine: nothing may be accepted or rejected by it."
        yield Finding(level=Level.DOUBT, code="run/trial", text=text)
    for note in state.notes:
        if note.plugin is not None and note.slow:
            text = f"The check {note.plugin} was slow: {note.text}. What it said was taken all the same."
            yield Finding(level=Level.DOUBT, code=f"{note.plugin}/slow", text=text)
        elif note.plugin is not None:
            text = f"The check {note.plugin} failed in {note.text}. The result can't stand without it."
            yield stop(f"{note.plugin}/failed", text)
        else:
            yield Finding(level=Level.NOTE, code="run/note", text=f"Note of the inspector: {note.text}")
    for item in state.reopened:
        yield _of_break(item)
    yield from _of_history(state)
    for role, chosen in state.devices.items():
        if chosen.overruled:
            text = f"The {role} was used although {chosen.overruled}"
            yield Finding(level=Level.DOUBT, code=f"{role}/overruled", text=text)
    yield from _deviations(state)


def _of_break(item: Reopened) -> Finding:
    """The run was broken off and went on; whether its journal was then as it had been left."""
    length = None if item.away_s is None else f"{clock_text(item.away_s)} (h:mm:ss or m:ss) later"
    when = length or "after a time that is not known, as the clock was set back"
    text = f"The run was broken off before entry {item.seq} and went on {when}; "
    data = {} if item.away_s is None else {"away_s": item.away_s}
    if item.journal == "whole":
        text += "its journal was as it had been left."
        return Finding(level=Level.NOTE, code="run/continued", text=text, data=data)
    if item.journal == "no mark":
        text += (
            "no mark of its end lay beside the journal, so that nobody knows whether entries were cut off. "
            "Keep the .end file with its journal."
        )
        return Finding(level=Level.DOUBT, code="run/continued", text=text, data=data)
    what = (
        f"{item.missing} {'entry was' if item.missing == 1 else 'entries were'} missing at the end of its journal"
        if item.journal == "cut"
        else "its journal had other entries than when it was left"
    )
    text += (
        f"{what}: it was cut or changed, or an older copy of it was put back. What was measured and taken away is not "
        "known, and nothing can be decided. Measure the part anew."
    )
    return Finding(level=Level.STOP, code="run/journal_cut", text=text, data={**data, "missing": float(item.missing)})


def _of_history(state: State) -> Iterable[Finding]:
    """What the book knew: a bench that is not in control, and what was measured of the part before."""
    history = state.history
    if history is None:
        return
    if history.in_control is False:
        text = (
            f"The check standard of this bench is out of control: {history.told} Nothing can be decided on this bench "
            "until the cause is found, mended and written down."
        )
        yield stop("bench/out_of_control", text)
    for item in history.earlier:
        verdict, started = item.get("verdict"), item.get("started")
        serial = f" serial {item['serial']}" if item.get("serial") else ""
        text = (
            f"This part{serial} was measured before, on {started}: {verdict} ({str(item.get('digest'))[:19]}). "
            "Both results stay on record."
        )
        level = Level.NOTE if verdict in ("pass", "reported") else Level.DOUBT
        yield Finding(level=level, code="part/measured_before", text=text)


def _deviations(state: State) -> Iterable[Finding]:
    """Where the run did not go as the routine says."""
    for item in state.entries:
        if item.struck is not None:
            text = f"Entry {item.seq} ({item.raw}) was struck out: {item.struck}."
            yield Finding(level=Level.NOTE, code="run/struck", text=text)
    yield from _often_struck(state)
    yield from _thin_zeros(state)
    yield from question_findings(state)
    for soak in state.soaks:
        yield from _of_soak(soak)
    yield from _absences(state)
    for _, of, why in state.losses:
        text = f"The line to the {of} was lost on the way: {why}. What was read before stands by the return after it."
        yield Finding(level=Level.DOUBT if of == COMPARATOR else Level.NOTE, code="line/lost", text=text)
    if state.unused:
        _, line, why = state.unused[0]
        more = f", and {len(state.unused) - 1} more" if len(state.unused) > 1 else ""
        text = f"A line of the instrument answered nothing ({line!r}: {why}){more}."
        yield Finding(level=Level.NOTE, code="line/unused", text=text)


def _absences(state: State) -> Iterable[Finding]:
    """Where nobody was there for longer than the routine allows, and a bracket was open over it."""
    for absence in state.absences:
        if state.routine is None or not _open_over(state, absence.seq):
            continue
        limit_s = state.routine.bracket.longest_absence
        where = f"between entries {absence.after} and {absence.seq}"
        long = (
            f"How long nothing was done {where} is not known, as the clock was set back"
            if absence.length_s is None
            else f"Nothing was done for {clock_text(absence.length_s)} (h:mm:ss or m:ss) {where}, longer than "
            f"{clock_text(limit_s)}"
        )
        yield Finding(
            level=Level.DOUBT,
            code="run/absence",
            text=f"{long}, and the bracket was open: what moved meanwhile and came back is not seen.",
            data={"limit_s": limit_s} if absence.length_s is None else {"away_s": absence.length_s, "limit_s": limit_s},
        )


def _open_over(state: State, seq: int) -> bool:
    """Whether anything that counts has its zero before an event, and its return only after it, or none."""
    counted = state.counted
    for reading in counted:
        if reading.kind not in (SlotKind.READ, SlotKind.CHECK):
            continue
        own = [other for other in counted if other.zero == reading.zero]
        zeros = [other.seq for other in own if other.kind is SlotKind.ZERO]
        returns = [other.seq for other in own if other.kind is SlotKind.RETURN and other.seq > reading.seq]
        if zeros and min(zeros) < seq <= min(returns, default=seq):
            return True
    return False


def told_once(findings: Iterable[Finding], judged: Iterable[Finding]) -> list[Finding]:
    """The engine's findings, less the doubt of a short soak where a check tells what that one does to a result.

    Args:
        findings: the engine's.
        judged: of the checks; such a one names the soak by `soak_entry` in its data.
    """
    told = {finding.data["soak_entry"] for finding in judged if "soak_entry" in finding.data and np.any(finding.holds)}
    return [finding for finding in findings if finding.code != _SHORT_SOAK or finding.data["soak_entry"] not in told]


# So many of one place may be struck out before it is asked whether it was read until it fitted (common practice, no
# source).
_MOST_STRUCK = 2


def _often_struck(state: State) -> Iterable[Finding]:
    """Places of which several readings were struck out: whoever reads the record is to see them side by side."""
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for r in state.readings:
        groups.setdefault((r.kind, r.slot.serial, r.slot.place, r.slot.force_N), []).append(r)
    counted = {r.seq for r in state.counted}
    for group in groups.values():
        struck = [r for r in group if r.struck is not None]
        if len(struck) <= _MOST_STRUCK:
            continue
        first = group[0].slot
        of = f" of part {first.serial}" if first.serial is not None and len(state.serials) > 1 else ""
        where = f"at {first.place}{of}" if first.kind is SlotKind.READ else _WHERE[first.kind]
        kept = ", ".join(r.raw.strip() for r in group if r.seq in counted) or "none"
        text = (
            f"{len(struck)} readings {where} were struck out ({', '.join(r.raw.strip() for r in struck)}); what counts "
            f"there: {kept}. From {_MOST_STRUCK + 1} on, see whether it was read until it fitted."
        )
        yield Finding(level=Level.DOUBT, code="run/often_struck", text=text)


_WHERE = {
    SlotKind.ZERO: "for the zero",
    SlotKind.RETURN: "on return to the reference",
    SlotKind.CHECK: "on the check standard",
}


def _thin_zeros(state: State) -> Iterable[Finding]:
    """Zeros of which readings were struck out once they were in use: those are not asked for again."""
    in_use = {r.zero for r in state.counted if r.kind in (SlotKind.READ, SlotKind.CHECK)}
    zeros: dict[int, list[Reading]] = {}
    for r in state.live:
        if r.kind is SlotKind.ZERO:
            zeros.setdefault(r.zero, []).append(r)
    for number in sorted(in_use):
        left = zeros.get(number, [])
        if left and len(left) < left[0].slot.lifts:
            text = (
                f"Zero {number} stands on {len(left)} of {left[0].slot.lifts} readings: the others were struck out "
                "after something was read under it. No new zero was set."
            )
            yield Finding(level=Level.DOUBT, code="zero/few_readings", text=text)


def _of_soak(soak: SoakTaken) -> Iterable[Finding]:
    """How a soak ended, where that was not by time alone."""
    whole, part = span_text(soak.slot.at_least_s), span_text(soak.elapsed_s)
    limited = soak.slot.within_um is not None or soak.slot.within_K is not None
    judged = [outlook for outlook in soak.outlooks if outlook.judged]
    told = "; ".join(map(left_text, judged))
    if soak.reason is not None:
        seen = f" ({told})" if told else ""
        text = f"A soak of {whole} ended after {part}: {soak.reason}{seen}."
        yield Finding(level=Level.DOUBT, code=_SHORT_SOAK, text=text, data={"soak_entry": soak.seq})
    elif judged:
        text = f"The soak ended after {part}, at rest: {told}."
        yield Finding(level=Level.NOTE, code="soak/at_rest", text=text)
    elif hiding := [text for outlook in soak.outlooks if (text := hidden_text(outlook, over=True))]:
        text = f"The soak of {part} ended by time: it {hiding[0]}."
        yield Finding(level=Level.NOTE, code="soak/by_time", text=text)
    elif limited:
        text = f"The soak of {part} ended by time: too little was watched to tell what was still to come."
        yield Finding(level=Level.DOUBT, code="soak/unwatched", text=text)
    if not soak.recorded:
        text = f"The time of the soak of {whole} was not recorded: it counts as confirmed."
        yield Finding(level=Level.NOTE, code="soak/unrecorded", text=text)
