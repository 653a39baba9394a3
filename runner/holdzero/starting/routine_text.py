"""From answers to the text of a routine: TOML with comments that say why each table is there, and where to look.

Comments hold fixed words alone; whatever a person typed stands in escaped texts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

import tomli_w

from holdzero.starting.answers import Answers, Device
from holdzero.starting.checked import DESCRIBED, REQUIRED

__all__ = ["routine_text", "toml_value"]

_HEAD = """\
# A new routine, ready to be tried (holdzero run FILE --trial). Before anybody measures with it, go through the lines
# that say LOOK, and take the word out where you have looked: nothing is approved before. The numbers there were typed
# or assumed once, and every result rests on them.
format = 1
"""


def toml_value(value: Any) -> str:
    """A value on one line, whatever a text in it holds.

    >>> toml_value({"value": "1 um", "coverage": 2})
    '{ value = "1 um", coverage = 2 }'
    """
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return tomli_w.dumps({"v": value}).removeprefix("v = ").rstrip("\n")


def _key(name: str) -> str:
    return tomli_w.dumps({name: 0}).removesuffix(" = 0\n")


def _table(head: str, keys: Mapping[str, Any], *comments: str) -> str:
    """A table with comments above it; a key of None is left out."""
    lines = [f"# {comment}" for comment in comments]
    lines.append(head)
    lines.extend(f"{_key(key)} = {toml_value(item)}" for key, item in keys.items() if item is not None)
    return "\n".join(lines) + "\n"


def _step(keys: Mapping[str, Any], *comments: str) -> str:
    return _table("[[steps]]", keys, *comments)


def routine_text(answers: Answers) -> str:
    """The whole file."""
    tables = (
        _HEAD,
        _header(answers),
        _reference(answers.reference),
        *_check_standard(answers.check_standard),
        _table("[part]", {"material": answers.material}, "For its expansion."),
        _comparator(answers.comparator),
        _decision(),
        _bracket(answers),
        *_characteristics(answers),
        _thermal(answers),
        *_steps(answers),
    )
    return "\n".join(tables)


def _header(answers: Answers) -> str:
    keys = {"title": answers.title, "part": answers.part, "units": answers.units}
    return _table(
        "[routine]",
        keys,
        "What screen and record call it. LOOK: add revision, that of the drawing, and author.",
    )


def _as_device(device: Device) -> dict[str, Any]:
    """As written in the register, the due day as a day."""
    table = dict(device.table)
    if isinstance(table.get("due"), str):
        table["due"] = dt.date.fromisoformat(table["due"])
    return table


def _copied(device: Device) -> tuple[str, ...]:
    if device.origin == DESCRIBED:
        return ("LOOK: add due, the day of its next calibration: then it is refused when that is past.",)
    return ("Copied from the register. LOOK: after its next calibration write the new numbers here too.",)


def _reference(device: Device) -> str:
    if device.origin == REQUIRED:
        return _table(
            "[reference]",
            device.table,
            "What a block of the register must be; the inspector names one at the run, or --reference does.",
        )
    return _table(
        "[reference]",
        _as_device(device),
        "The known block that the zero is taken on. LOOK: deviation and uncertainty as certified, and the sign.",
        *_copied(device),
    )


def _check_standard(device: Device | None) -> Iterable[str]:
    if device is None:
        yield (
            "# LOOK: no check standard. A second known block, well away in size, shows a wrong master, unit, sign or\n"
            '# gain before the part is read: [check_standard] with a step do = "check" after the zero.\n'
        )
        return
    yield _table(
        "[check_standard]",
        _as_device(device),
        "A second known block, well away in size: it shows a wrong master, unit, sign or gain before the part is read.",
        "LOOK: limit is how far a reading on it may lie from its certificate.",
        *_copied(device),
    )


def _comparator(device: Device) -> str:
    return _table(
        "[comparator]",
        _as_device(device),
        "The indicator on its stand. LOOK: error is that of a difference over the travel that is really used.",
        *_copied(device),
    )


def _decision() -> str:
    return _table(
        "[decision]",
        {"rule": "guarded"},
        "ISO 14253-1: pass where conformity is shown, fail where nonconformity is, undecided between.",
    )


def _bracket(answers: Answers) -> str:
    limit, why = answers.bracket_limit
    return _table(
        "[bracket]",
        {"limit": limit, "longest_absence": "30 min"},
        f"When a zero still counts. The limit is {why} (common practice, no source).",
        "LOOK: a return that lies further off its zero leaves all that was read since undecided. Where the dial is not "
        'set to zero on purpose, say how far it may stand from it: zero_within = "20 um".',
    )


def _characteristics(answers: Answers) -> Iterable[str]:
    several = len(answers.places) > 1
    counts = ('LOOK: the mean of the places counts; of = "largest" or "smallest" where the drawing asks for it.',)
    open_ended = answers.lower is None or answers.upper is None
    yield _table(
        "[characteristics.size]",
        {
            "measure": "size",
            "at": list(answers.places),
            "nominal": answers.nominal,
            "lower": answers.lower,
            "upper": answers.upper,
        },
        "What is asked of the part. Limits are deviations from the nominal.",
        *(counts if several else ()),
        *(("LOOK: a limit that is not there decides nothing.",) if open_ended else ()),
    )
    if several:
        yield _table(
            "[characteristics.parallelism]",
            {"measure": "variation", "at": list(answers.places)},
            "Largest less smallest of the places. LOOK: without an upper limit it is reported and decides nothing.",
        )


_STATED, _ASSUMED = "stated when the routine was written", "assumed when the routine was written"


def _thermal(answers: Answers) -> str:
    own = answers.assumed & {"temperature", "temperature_within"}
    keys: dict[str, Any] = {
        "part_temperature": {
            "value": answers.temperature,
            "halfwidth": answers.temperature_within,
            "why": _ASSUMED if own else _STATED,
        },
        "difference": {
            "value": "0 K",
            "halfwidth": answers.difference_within,
            "why": _ASSUMED if "difference_within" in answers.assumed else _STATED,
        },
    }
    if answers.expansion is not None:
        value, within = answers.expansion
        keys["part_expansion"] = {"value": value, "halfwidth": within, "why": _STATED}
    return _table(
        "[checks.thermal]",
        keys,
        "The size at the bench becomes the size at 20 °C (ISO 1). LOOK: this is often most of the uncertainty;",
        "holdzero budget shows its share. Log the bench's temperature, or measure it: [thermometer] and steps.",
    )


_CLEAN = (
    "Its cautions (solvent, burrs) are shown before the step. LOOK: solvent = false where none is used, and say in",
    "caution what else can hurt at this bench; any step can have one. Safety sheets and local rules come before it.",
)
_LOAD = "LOOK: where the part carries load, say in a caution here who decides whether it is used; a pass does not."
_HEAVY = (
    "Plates and masters can be heavy, and their edges sharp: lift with two hands or a lifting aid, fingers and feet "
    "clear. Safety sheets and local rules come before this text."
)


def _steps(answers: Answers) -> Iterable[str]:
    blocks = "reference, check standard and part" if answers.check_standard else "reference and part"
    yield _step({"do": "clean", "what": f"{blocks}, and the anvil"}, "The steps in their order.", *_CLEAN)
    yield _step(
        {"do": "prepare", "say": f"Put {blocks} side by side on the plate, lying flat.", "caution": _HEAVY},
        "So that all come to one temperature.",
    )
    yield _step({"do": "soak", "at_least": answers.soak}, "LOOK: thick parts need longer. Hands off while it lasts.")
    yield _step({"do": "zero", "times": 3}, "The zero on the reference; three readings show how well it can be set.")
    if answers.check_standard is not None:
        yield _step({"do": "check"}, "Before the part: a wrong zero is seen here.")
    reads = [{"do": "read", "at": place} for place in answers.places]
    yield _step(
        {"do": "repeat", "times": answers.repeats, "steps": reads},
        "Round by round, so that a drift shows between the rounds and not between the places.",
    )
    yield _step(
        {"do": "return", "times": 2}, "The reference once more, dial untouched: without it there is no verdict."
    )
    yield _step({"do": "compare"}, "All is read: evaluate and decide.", _LOAD)
