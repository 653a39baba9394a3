"""Sample records for a conformance suite of writers: every verdict, and texts that mean harm.

They are made by runs, as at the bench, so that nothing in them is what no record could hold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.record import amend_record, digest_of_record, make_record
from holdzero.run import Run
from holdzero.software import software_of
from holdzero.testing.draft import GOOD, Draft
from holdzero.testing.drive import begun, driven, loaded_of, scripted
from holdzero.testing.samples import FULL, say_for

__all__ = ["HOSTILE", "MARK", "sample_records"]

MARK = "holdzero-mark"
"""Stands in every hostile text; an element of this name in a file was not escaped."""

HOSTILE = (
    f"</script></style></title></textarea>\"'><script>{MARK}()</script><{MARK} onload='x'>",
    f"=cmd|'/c {MARK}'!A1",
    f"@SUM({MARK})",
    f"+{MARK}",
    f"-{MARK}",
    f"a \"b\" 'c', d; <{MARK}/>\\ & &lt;{MARK}&gt;\n={MARK}\r\n@{MARK}",
    f"{MARK} Prüfmaß µΩ − 測定 \U0001d6fc \u202e\u00a0",
)
"""Texts as somebody might type them who means harm, or does not know better."""


def sample_records(catalogue: Catalogue) -> Iterator[tuple[str, dict[str, Any]]]:
    """Records with what each is a sample of."""
    fail, undecided = (*GOOD[:3], "+9", "+9.1", "+8.9", "0"), (*GOOD[:3], "+3", "+3.1", "+2.9", "0")
    reported = Draft().without_table("characteristics.thickness.lower").without_table("characteristics.thickness.upper")
    yield "a pass", _record(catalogue, Draft(), GOOD)
    yield "a fail", _record(catalogue, Draft(), fail)
    yield "undecided", _record(catalogue, Draft(), undecided)
    yield "no limits", _record(catalogue, reported, GOOD)
    yield "simulated", _record(catalogue, Draft(), GOOD, simulated=True)
    yield "a trial", _record(catalogue, Draft(), GOOD, trial=True)
    yield "without serial and operator", _record(catalogue, Draft(), GOOD, serial=None, operator=None)
    yield "abandoned, a characteristic without a number", _record(catalogue, Draft(), GOOD[:3], abandoned="no time")
    yield "with a little of everything", _record(catalogue, FULL, None)
    yield "an amendment", _amended(_record(catalogue, Draft(), GOOD), "2")
    for text in HOSTILE:
        record = _hostile(catalogue, text)
        yield f"the text {text!r}", record
        yield f"an amendment with the text {text!r}", _amended(record, text)


def _record(
    catalogue: Catalogue,
    draft: Draft,
    answers: Sequence[str] | None,
    *,
    serial: str | None = "1",
    operator: str | None = "T. Ester",
    simulated: bool = False,
    trial: bool = False,
    abandoned: str | None = None,
) -> dict[str, Any]:
    loaded = loaded_of(draft, catalogue)
    checks, _ = bind(loaded.routine, catalogue)
    run = begun(loaded, serials=(serial,), operator=operator, simulated=simulated, trial=trial)
    if abandoned is None:
        *_, run = driven(run, say_for(loaded, answers))
    else:
        read = len(answers or ())
        so_far = driven(run, scripted(answers or ()))
        run = _noted(next(r for r in so_far if len(r.state.readings) == read), e.RunAbandoned, reason=abandoned)
    return make_record(run, serial, checks, software_of(checks.plugins))


def _amended(record: dict[str, Any], text: str) -> dict[str, Any]:
    """Another record of the same events, with a text wherever a person can put one."""
    changes = {"serial": f"{text} again", "operator": f"{text} again"}
    return amend_record(record, reason=text, by=text, at="2026-03-03T08:00:00.000+01:00", changes=changes)


_FIRST_READ = next(number for number, step in enumerate(FULL.tables["steps"]) if step["do"] == "repeat")


def _noted(run: Run, kind: type[Any], **fields: Any) -> Run:
    state = run.state
    return run.take(kind(seq=state.seq + 1, wall=state.wall, time_s=state.now_s, **fields))


def _hostile(catalogue: Catalogue, text: str) -> dict[str, Any]:
    """A record with one text wherever a person can put one."""
    name = "".join(sign for sign in " ".join(text.split()) if sign.isprintable()).strip()
    draft = (
        FULL.with_table("routine", title=_TYPED, part=_TYPED, revision=_TYPED, author=_TYPED)
        .with_table("reference", id=_TYPED, name=_TYPED, certificate=_TYPED, material=_TYPED)
        .with_table("comparator", id=_TYPED, name=_TYPED, certificate=_TYPED)
        .with_table("comparator.error", why=_TYPED)
        .with_table("thermometer", id=_TYPED, name=_TYPED, certificate=_TYPED)
        .with_table("check_standard", id=_TYPED, name=_TYPED, certificate=_TYPED)
        .with_table("part", material=_TYPED)
        .with_table("approval", by=_TYPED, on="2026-03-01", digest="sha256:0", note=_TYPED)
        .with_characteristic(name, measure="size", at=name, nominal="5 mm", lower="-3 um", upper="3 um")
        .with_step("read", at=name, say=_TYPED, caution=_TYPED, index=_FIRST_READ)
        .with_step("ask", name=_TYPED, choices=[name])
        .with_step("prepare", name=_TYPED, say=_TYPED, caution=_TYPED)
    )
    draft = Draft({**draft.tables, "terms": [{"name": f"known {name}", "value": "0.1 um", "standard": "0.1 um"}]})
    loaded = loaded_of(draft, catalogue)
    checks, _ = bind(loaded.routine, catalogue)
    *_, before_the_end, _ = driven(begun(loaded, serials=(name,), operator=_TYPED), say_for(loaded, None))
    run = _noted(before_the_end, e.NoteAdded, text=text)
    run = _noted(run, e.AnswerStruck, target=run.state.readings[-1].seq, reason=text)
    run = _noted(run, e.RunAbandoned, reason=text)
    made: dict[str, Any] = _forged(make_record(run, name, checks, software_of(checks.plugins)), text)
    return {**made, "digest": digest_of_record(made)}


# What a routine's file says in place of a text that no file may hold, but a record of somebody else's may.
_TYPED = f"{MARK} in place of a text"


def _forged(raw: Any, text: str) -> Any:
    """Data with the text in each place where a file has another in its place."""
    if isinstance(raw, dict):
        return {key: _forged(item, text) for key, item in raw.items()}
    if isinstance(raw, list):
        return [_forged(item, text) for item in raw]
    return raw.replace(_TYPED, text) if isinstance(raw, str) else raw
