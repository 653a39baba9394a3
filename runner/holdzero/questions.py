"""Questions that checks asked at the bench: which stand now, and what came of them."""

from __future__ import annotations

from collections.abc import Iterable

from holdzero.hooks import Act, Finding, Level, Offer
from holdzero.run.kept import Question
from holdzero.run.plan import SlotKind
from holdzero.run.state import State

__all__ = ["question_findings", "questions_now"]


def questions_now(state: State) -> Iterable[Finding]:
    """What was asked since the last entry, about entries that still count: to be shown beside a stop as well."""
    counting = {item.seq for item in state.entries if item.struck is None}
    newest = max((item.seq for item in state.entries), default=0)
    for question in state.questions:
        if question.seq > newest and counting.issuperset(question.entries):
            offer = Offer(act=Act(question.act), entries=question.entries)
            yield Finding(level=Level.DOUBT, code=question.code, text=question.text, offer=offer)


def question_findings(state: State) -> Iterable[Finding]:
    """What was asked, and what came of it, as notes; the doubt itself is the check's own.

    What was asked alike of several entries, and left each time, is told once.
    """
    asked: dict[tuple[str, str], list[Question]] = {}
    for question in state.questions:
        done = _done_about(state, question)
        what = question.code if done else question.code.rstrip("0123456789")
        asked.setdefault((what, done), []).append(question)
    for (_, done), alike in asked.items():
        first, more = alike[0], len(alike) - 1
        again = f" It was asked alike {'once' if more == 1 else f'{more} times'} more." if more else ""
        after = f"Then {done}." if done else "It was left as it was."
        text = f"Asked at {first.wall[11:16]}: {first.text}{again} {after}"
        yield Finding(level=Level.NOTE, code="run/question", text=text)


def _done_about(state: State, question: Question) -> str:
    """What was done after something was asked; empty where it was left."""
    match Act(question.act):
        case Act.STRIKE:
            struck = {item.seq: item.struck for item in state.entries if item.struck is not None}
            out = [number for number in question.entries if number in struck]
            return ", ".join(f"entry {number} was struck out ({struck[number]})" for number in out)
        case Act.SOAK:
            return "it soaked again" if any(soak.seq > question.seq for soak in state.soaks) else ""
        case Act.PREPARE:
            return _prepared_after(state, question)
        case Act.ANEW:
            before = max((r.zero for r in state.readings if r.seq < question.seq), default=0)
            return _anew_after(state, before) if before in state.lost_zeros else ""
        case Act.LOOK:
            return ""


def _anew_after(state: State, zero: int) -> str:
    """What giving up a zero came to: readings that a return had closed stay."""
    stays = any(r.zero == zero and r.kind is SlotKind.READ and r.seq not in state.gone for r in state.counted)
    return (
        "the zero was given up, and what a return had closed stays"
        if stays
        else ("the zero was given up, and all was read anew")
    )


def _prepared_after(state: State, question: Question) -> str:
    """The first preparing step that was done again since something was asked."""
    known = {step.slot.id for step in state.prepared if step.seq < question.seq}
    again = (step.slot for step in state.prepared if step.seq > question.seq and step.slot.id in known)
    slot = next(again, None)
    return f"a preparing step was done again ({slot.of or slot.say})" if slot is not None else ""
