"""What the check for slips asks about, and how often it asks for nothing.

    python tests/benchmarks/slips_table.py [runs]

It prints the table of `plugins/SLIPS.md`. The shapes of the faults are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import math
import sys
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdzero.hooks import Reading, RunView
from holdzero.routine.schema import Comparator, Reference, Routine
from holdzero.run.plan import Slot, SlotKind
from holdzero_plugins.checks.slips import SlipsSettings, alike, watch

SEED, RUNS = 20260302, 2000
SCATTER_UM, STEP_UM, TURN_UM = 0.2, 0.1, 100.0
PLACES = ("a", "b", "c")
LIFTS = ROUNDS = 3
GAP_S = 20.0
FAULT_ROUND, FAULT_PLACE = 1, 1  # the second round's second place, counted from 0

ROUTINE = Routine.model_validate(
    tomllib.loads("""
format = 1
routine = { title = "Ring", part = "R-1" }
reference = { name = "Block", size = "12 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "500 um", turn = "100 um" }
characteristics.t = { measure = "size", at = ["a", "b", "c"], nominal = "12 mm", lower = "-10 um", upper = "10 um" }
characteristics.v = { measure = "variation", at = ["a", "b", "c"], upper = "6 um" }
steps = [
    { do = "zero", times = 3 },
    { do = "repeat", times = 3, steps = [
        { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "read", at = "c" },
    ] },
    { do = "return" },
]
""")
)


@dataclass(frozen=True)
class Entry:
    """One entry: what is read, the text, and how long after the one before [s]."""

    kind: SlotKind
    place: str | None
    text: str
    after_s: float = GAP_S


@dataclass(frozen=True)
class Fault:
    """A fault: its name, the entry that has it, what it does, and which question would be right, and where.

    Where it is `known`, the routine states the scatter.
    """

    name: str
    entry: int
    asked: str
    spoil: Callable[[list[Entry], int, np.random.Generator], Entry | None]
    mean_um: tuple[float, float] = (2.0, 8.0)
    seen_at: int | None = None
    known: bool = False


def text_of(value_um: float) -> str:
    return f"{round(value_um / STEP_UM) * STEP_UM:z.1f}"


def good_run(chance: np.random.Generator, mean_um: tuple[float, float]) -> list[Entry]:
    """Zero, and three rounds at three places that differ by a scatter or so."""
    mean = chance.uniform(*mean_um) * chance.choice([-1.0, 1.0])
    means = mean + chance.normal(0.0, SCATTER_UM, len(PLACES))
    lifts = [Entry(SlotKind.ZERO, None, text_of(chance.normal(0.0, SCATTER_UM))) for _ in range(LIFTS)]
    rounds = [
        Entry(SlotKind.READ, place, text_of(chance.normal(at, SCATTER_UM)))
        for _ in range(ROUNDS)
        for place, at in zip(PLACES, means, strict=True)
    ]
    return [*lifts, *rounds]


AT = LIFTS + FAULT_ROUND * len(PLACES) + FAULT_PLACE
FIRST = LIFTS


def scaled(factor: float) -> Callable[[list[Entry], int, np.random.Generator], Entry]:
    return lambda run, at, _: replace(run[at], text=text_of(float(run[at].text) * factor))


def shifted(low_um: float, high_um: float) -> Callable[[list[Entry], int, np.random.Generator], Entry]:
    return lambda run, at, chance: replace(run[at], text=text_of(float(run[at].text) + chance.uniform(low_um, high_um)))


def turned(run: list[Entry], at: int, chance: np.random.Generator) -> Entry:
    return replace(run[at], text=text_of(float(run[at].text) + TURN_UM * chance.choice([-1.0, 1.0])))


def swapped(run: list[Entry], at: int, _: np.random.Generator) -> Entry | None:
    text = run[at].text
    digits = [index for index, sign in enumerate(text) if sign.isdigit()]
    one, other = digits[-2:]
    if text[one] == text[other]:
        return None
    signs = list(text)
    signs[one], signs[other] = signs[other], signs[one]
    return replace(run[at], text="".join(signs))


def copied(run: list[Entry], at: int, _: np.random.Generator) -> Entry:
    return replace(run[at], text=run[at - 1].text, after_s=0.2)


def left_behind(run: list[Entry], at: int, _: np.random.Generator) -> Entry:
    """The place before lies 3 um away; its value is sent for this place, in good time."""
    there = text_of(float(run[at].text) + 3.0)
    for index in range(LIFTS, len(run)):
        if run[index].place == run[at - 1].place:
            run[index] = replace(run[index], text=there)
    return replace(run[at], text=run[at - 1].text)


def zeroed(run: list[Entry], at: int, _: np.random.Generator) -> Entry:
    return replace(run[at], text="0.0")


FAULTS: Sequence[Fault] = (
    Fault("one turn of the dial", AT, "turn", turned),
    Fault("one turn of the dial, first reading of all", FIRST, "turn", turned),
    Fault("sign turned round, 8 s from zero", AT, "sign", scaled(-1.0), (8 * SCATTER_UM, 8 * SCATTER_UM)),
    Fault("sign turned round, 3 s from zero", AT, "sign", scaled(-1.0), (3 * SCATTER_UM, 3 * SCATTER_UM)),
    Fault("decimal point, ten times too much", AT, "decimal", scaled(10.0)),
    Fault("decimal point, ten times too little", AT, "decimal", scaled(0.1)),
    Fault("decimal point, hundred times too much", AT, "decimal", scaled(100.0), (2.0, 4.0)),
    Fault("millimetres read as inches, × 25.4", AT, "unit", scaled(25.4)),
    Fault("inches read as millimetres, ÷ 25.4", AT, "unit", scaled(1.0 / 25.4)),
    Fault("two digits changed places", AT, "digits", swapped, (12.0, 18.0)),
    Fault("the value before sent again at once", AT, "twice", copied),
    Fault("the value of the place before sent again", AT, "before", left_behind),
    Fault("zero set on the part", AT, "zero", zeroed),
    Fault("dust under the part, 1 to 3 um", AT, "dust", shifted(1.0, 3.0)),
    Fault("dust under the part, 1 to 3 um, scatter known", AT, "dust", shifted(1.0, 3.0), known=True),
    Fault(
        "dust under the part, first reading of a place",
        FIRST,
        "dust_before",
        shifted(1.0, 3.0),
        seen_at=FIRST + len(PLACES),
    ),
    Fault("dirt under the reference at the last lift, 1 to 3 um", LIFTS - 1, "zero_dirt", shifted(1.0, 3.0)),
    Fault("another part, 70 um larger", FIRST, "part", shifted(70.0, 74.0)),
)


def readings_of(entries: Sequence[Entry]) -> tuple[Reading, ...]:
    readings: list[Reading] = []
    time_s = 0.0
    for seq, entry in enumerate(entries, 2):
        time_s += entry.after_s
        slot = Slot(id=str(seq), group=str(seq), kind=entry.kind, place=entry.place)
        text = entry.text
        readings.append(Reading(seq=seq, slot=slot, raw=text, value_um=float(text), time_s=time_s, wall="", zero=1))
    return tuple(readings)


def view_of(entries: Sequence[Entry]) -> RunView:
    comparator, reference = ROUTINE.comparator, ROUTINE.reference
    assert isinstance(comparator, Comparator)
    assert isinstance(reference, Reference)
    return RunView(
        routine=ROUTINE,
        serial=None,
        reference=reference,
        comparator=comparator,
        thermometer=None,
        readings=readings_of(entries),
        temperatures=(),
        soaks=(),
        prepared=(),
        given=(),
        operator=None,
        day=dt.date(2026, 3, 2),
        now_s=0.0,
        materials={},
        finished=False,
    )


def asked(entries: Sequence[Entry], settings: SlipsSettings) -> list[str]:
    """What is asked after each entry; empty where nothing is."""
    whole = view_of(entries)
    found = []
    for count in range(1, len(entries) + 1):
        questions = list(watch(settings, replace(whole, readings=whole.readings[:count])))
        found.append(questions[0].code.split("/")[1] if questions else "")
    return found


@dataclass(frozen=True)
class Row:
    """Shares of the runs [%]: the faulty entry asked about, rightly named, and a good entry asked about."""

    name: str
    asked: float
    named: float
    false: float

    @property
    def cells(self) -> str:
        """As a row of the table."""
        shares = ["–" if math.isnan(share) else f"{share:.1f}" for share in (self.asked, self.named, self.false)]
        return f"| {self.name} | {' | '.join(shares)} |"


def row_of(fault: Fault, runs: int, settings: SlipsSettings) -> Row:
    chance = np.random.default_rng([SEED, FAULTS.index(fault)])
    hit, named, false, done = 0, 0, 0, 0
    while done < runs:
        entries = good_run(chance, fault.mean_um)
        good = entries[fault.entry]
        spoilt = fault.spoil(entries, fault.entry, chance)
        if spoilt is None or (spoilt.text == good.text and fault.asked != "twice"):
            continue
        entries[fault.entry] = spoilt
        seen_at = fault.entry if fault.seen_at is None else fault.seen_at
        found = asked(entries, settings)
        done += 1
        hit += bool(found[seen_at])
        named += found[seen_at] == fault.asked
        if any(found):
            # The first question is looked into, and the bad reading taken again.
            entries[fault.entry] = good
            after = next(index for index, what in enumerate(found) if what)
            found = found[:after] + asked(entries, settings)[after:]
        false += any(found)
    return Row(fault.name, 100.0 * hit / runs, 100.0 * named / runs, 100.0 * false / runs)


def good_row(name: str, runs: int, settings: SlipsSettings) -> Row:
    chance = np.random.default_rng([SEED, len(FAULTS)])
    false = sum(any(asked(good_run(chance, (0.0, 8.0)), settings)) for _ in range(runs))
    return Row(name, math.nan, math.nan, 100.0 * false / runs)


def copied_row(runs: int) -> Row:
    """Repeats that were copied and not seated anew, against honest ones; the scatter is known."""
    settings = SlipsSettings.model_validate({"scatter": f"{SCATTER_UM} um"})
    chance = np.random.default_rng([SEED, len(FAULTS) + 1])
    hit = false = 0
    for _ in range(runs):
        entries = good_run(chance, (2.0, 8.0))
        false += any(bool(np.all(f.holds)) for f in alike(settings, view_of(entries)))
        first = {entry.place: entry.text for entry in entries[LIFTS : LIFTS + len(PLACES)]}
        same = [replace(e, text=first[e.place]) if e.kind is SlotKind.READ else e for e in entries]
        hit += any(bool(np.all(f.holds)) for f in alike(settings, view_of(same)))
    return Row("repeats copied, scatter known", 100.0 * hit / runs, 100.0 * hit / runs, 100.0 * false / runs)


NONE, NONE_KNOWN = "no fault, scatter of the run", "no fault, scatter known"


def table(runs: int) -> list[Row]:
    """All rows."""
    settings = SlipsSettings.model_validate({})
    known = SlipsSettings.model_validate({"scatter": f"{SCATTER_UM} um"})
    return [
        good_row(NONE, runs, settings),
        good_row(NONE_KNOWN, runs, known),
        *(row_of(fault, runs, known if fault.known else settings) for fault in FAULTS),
        copied_row(runs),
    ]


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    print("| fault | asked about, % | named rightly at once, % | a good reading asked about, % of runs |")
    print("|---|---|---|---|")
    for row in table(runs):
        print(row.cells)


if __name__ == "__main__":
    main()
