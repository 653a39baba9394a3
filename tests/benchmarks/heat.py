"""Hand heat with a known truth: how often a bad part passes, a good one is held up, and when a question came.

    python tests/benchmarks/heat.py [--draws 100] [--case WORD] [--seed 1] [--texts]
    python tests/benchmarks/heat.py --coverage 500
    python tests/benchmarks/heat.py --block

The first conducts whole runs: a part that is too short by 0.22 um and reads longer as it is warm, good ones with the
same heat and with none, tilts. `--block` prints what the warm block is held to. `--coverage` is in `heat_coverage.py`:
how often an interval of 95 % of the value where a fade settles has the true one. It prints; it does not judge. How often
a sound run is asked about in all is told by `python tests/benchmarks/questions.py`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, cast

import numpy as np
from heat_block import ALUMINIUM, PLACES, STEEL, Floats, Held, Metal, verified
from heat_coverage import covered
from scipy.special import betaincinv

from holdzero import events as e
from holdzero.catalogue import load_catalogue
from holdzero.checks import Checks, bind
from holdzero.errors import FileFaultsError
from holdzero.hooks import Answer, Asks, Finding, Level, Prompt, Source, SourceError
from holdzero.journal import Journal
from holdzero.record import make_record
from holdzero.register import Register
from holdzero.routine.load import LoadedRoutine
from holdzero.run import Run
from holdzero.session import Clock, Session
from holdzero.software import software_of
from holdzero.testing.drive import begun, loaded_of

FIRST_UM = 0.55  # heat in the length at the first reading
BEYOND_UM, INSIDE_UM, SOUND_UM = -0.62, -0.25, 0.0
SCATTER_UM, DIAL_UM = 0.025, 0.02
LAID_S = 20.0  # from the hand to the first reading
ZEROS_S, FIRST_S, PACE_S = (5.0, 20.0, 35.0), 60.0, 15.0
TILT_UM, MASK_UM = 0.48, 0.5  # in truth, and of it hidden by heat at the first reading
ACROSS = (0.0, -0.5, 0.5, -0.5, 0.5)  # share of a tilt at each place

ROUTINE = """
format = 1

[routine]
title = "Spacer bar {size_mm} mm, length and parallelism"
part = "SB-{size_mm}"

[reference]
name = "Setting block {size_mm} mm"
size = "{size_mm} mm"
deviation = {{ value = "0 um", expanded = "0.06 um", coverage = 2, why = "certificate" }}
material = "{material}"

[part]
material = "{material}"

[comparator]
name = "Comparator"
resolution = "{dial_um} um"
travel = "20 um"
error = {{ halfwidth = "0.02 um", why = "own calibration" }}

[decision]
rule = "guarded"

[bracket]
limit = "0.2 um"

[characteristics.length]
measure = "size"
at = "centre"
nominal = "{size_mm} mm"
lower = "-0.4 um"
upper = "+0.4 um"

[characteristics.parallelism]
measure = "variation"
at = {places}
upper = "0.3 um"

[checks.repeatability]
limit = "0.3 um"

[checks.heat]

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = {rounds}
steps = [{reads}]

[[steps]]
do = "return"
times = 2

[[steps]]
do = "compare"
"""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A part, what heat does to it, and how it is read.

    Attributes:
        name: of the table's row.
        rounds, span_min: how often each place is read, and within what time [1, min].
        true_um: its length less the nominal one [um].
        tilt_um: what its places truly differ by [um].
        metal: that it is of.
        size_mm: its length [mm].
        heat: where its heat comes from: "" for none, "hand" for conduction, "even" for a fade of `tau_min`, "tilt"
            for one that hides the tilt.
        tau_min: of a fade that is made up [min].
        stand_um, stand_min: how much the stand moves, all readings alike, and its time constant [um, min].
        dial_um, scatter_um: of the comparator [um].
        of: characteristic that is counted.
        wanted: what would be right to say of it.
    """

    name: str
    rounds: int
    span_min: float
    true_um: float = BEYOND_UM
    tilt_um: float = 0.0
    metal: Metal = STEEL
    size_mm: int = 100
    heat: str = "hand"
    tau_min: float = 0.0
    stand_um: float = 0.0
    stand_min: float = 45.0
    dial_um: float = DIAL_UM
    scatter_um: float = SCATTER_UM
    of: str = "length"
    wanted: str = "fail"

    @property
    def times_s(self) -> Floats:
        """Of the part's readings, from the first one [s]."""
        period_s = 60.0 * self.span_min / self.rounds
        pace_s = min(PACE_S, period_s / len(PLACES))
        return np.add.outer(period_s * np.arange(self.rounds), pace_s * np.arange(len(PLACES))).ravel()

    @property
    def text(self) -> str:
        """The routine."""
        reads = ", ".join(f'{{ do = "read", at = "{place}" }}' for place in PLACES)
        return ROUTINE.format(
            size_mm=self.size_mm,
            material=self.metal.name,
            dial_um=self.dial_um,
            places=list(PLACES),
            rounds=self.rounds,
            reads=reads,
        )


SPANS = ((3, 15.0), (4, 5.0), (6, 15.0), (10, 15.0), (10, 30.0), (15, 45.0))


def _cases() -> Iterator[Case]:
    for rounds, span in SPANS:
        yield Case(name="beyond, hand heat", rounds=rounds, span_min=span)
    for rounds, span in SPANS:
        yield Case(name="beyond, and the stand moves", rounds=rounds, span_min=span, stand_um=0.15)
    for rounds, span in ((4, 5.0), (10, 15.0), (15, 45.0)):
        yield Case(name="beyond, coarse dial 0.1", rounds=rounds, span_min=span, dial_um=0.1)
    for rounds, span in ((4, 5.0), (10, 15.0)):
        short = Case(name="beyond, short block 25 mm, 15 min", rounds=rounds, span_min=span, heat="even", tau_min=15.0)
        yield replace(short, size_mm=25)
        yield Case(name="beyond, aluminium", rounds=rounds, span_min=span, metal=ALUMINIUM)
    for rounds, span in ((4, 5.0), (10, 15.0)):
        for tau in (15.0, 1.0):
            name = f"tilt 0.48 hidden by heat, {tau:g} min"
            tilt = Case(name=name, rounds=rounds, span_min=span, true_um=0.0, tilt_um=TILT_UM, heat="tilt")
            yield replace(tilt, tau_min=tau, of="parallelism")
    for name, true, heat, stand in (
        ("good −0.25, hand heat", INSIDE_UM, "hand", 0.0),
        ("good −0.25, hand heat, stand", INSIDE_UM, "hand", 0.15),
        ("good −0.25, no heat", INSIDE_UM, "", 0.0),
        ("good 0, no heat", SOUND_UM, "", 0.0),
    ):
        for rounds, span in SPANS:
            good = Case(name=name, rounds=rounds, span_min=span, true_um=true, heat=heat, stand_um=stand)
            yield replace(good, wanted="pass")
    for rounds, span in ((4, 5.0), (10, 15.0)):
        coarse = Case(name="good 0, no heat, coarse dial 0.1", rounds=rounds, span_min=span, true_um=0.0, heat="")
        yield replace(coarse, dial_um=0.1, wanted="pass")


@cache
def _held(metal: Metal) -> Held:
    return Held(metal)


def heat_um(case: Case) -> Floats:
    """Heat in each of the part's readings, in order [um]."""
    times, place = case.times_s, np.tile(np.arange(len(PLACES)), case.rounds)
    if case.heat == "hand":
        block = _held(case.metal)
        scale = FIRST_UM / block.mean_um(np.array([LAID_S]))[0]
        return np.asarray(scale * block.longer_um(LAID_S + times)[np.arange(times.size), place])
    if not case.heat:
        return np.zeros(times.size)
    faded = np.exp(-times / (60.0 * case.tau_min))
    return FIRST_UM * faded if case.heat == "even" else -MASK_UM * np.array(ACROSS)[place] * faded


def course(case: Case) -> tuple[Floats, Floats]:
    """When each reading of a run is taken [s], and what it would be without scatter and rounding [um]."""
    reads = FIRST_S + case.times_s
    times = np.concatenate([ZEROS_S, reads, reads[-1] + np.array([20.0, 35.0])])
    part = case.true_um + case.tilt_um * np.tile(ACROSS, case.rounds) + heat_um(case)
    stand = case.stand_um * np.exp(-times / (60.0 * case.stand_min))
    return times, stand + np.concatenate([np.zeros(len(ZEROS_S)), part, np.zeros(2)])


# --- one run ----------------------------------------------------------------------------------


class _Said:
    """Answers of a run, with their times; what only needs confirming is confirmed."""

    def __init__(self, times_s: Floats, values_um: Floats, decimals: int) -> None:
        self._left = [
            Answer(f"{value:+.{decimals}f}", float(at)) for at, value in zip(times_s, values_um, strict=True)
        ][::-1]

    def answer(self, prompt: Prompt, now_s: float) -> Answer:
        del now_s
        return Answer("") if prompt.asks is Asks.CONFIRM else self._left.pop()

    def blame(self, reason: str) -> SourceError:
        return SourceError(reason)

    def close(self) -> None:
        """Nothing is held."""


class _Ear:
    """A face that nobody looks at: it keeps what was asked, and when first."""

    def __init__(self) -> None:
        self.heard: dict[str, tuple[int, str]] = {}

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del prompt
        entry = len(run.state.readings)
        for finding in findings:
            if finding.level is not Level.NOTE:
                self.heard.setdefault(finding.code, (entry, finding.text))

    def refused(self, reason: str) -> None:
        raise AssertionError(reason)

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """It was given, it is known."""


class _Nowhere:
    """A journal of a run that nobody wants back."""

    def append(self, event: e.AnyEvent) -> None:
        """It is forgotten."""


SOURCE = Source(
    name="made up",
    title="readings with a known truth",
    open=cast("Any", None),
    interactive=False,
    keeps_time=True,
    simulated=False,
)


def conducted(loaded: LoadedRoutine, checks: Checks, said: _Said) -> tuple[Run, _Ear]:
    """A whole run, and what was asked in it."""
    ear = _Ear()
    session = Session(
        run=begun(loaded),
        journal=cast("Journal", _Nowhere()),
        checks=checks,
        source=SOURCE,
        feed=said,
        face=cast("Any", ear),
        clock=Clock(lambda: "2026-03-02T08:00:00+00:00", lambda: 0.0),
        register=Register(),
        choices={},
        overrule=None,
        started_at_s=0.0,
    )
    return session.conduct(), ear


# --- many runs --------------------------------------------------------------------------------


@dataclass
class Count:
    """What came of the runs of a case.

    Attributes:
        verdicts: of the characteristic that counts; "refused" where the routine itself is.
        moments: of the first question about heat, as round and entry, one a run that was asked.
        others: runs that were asked something else, by code.
        held: runs by code that is a doubt or a stop on the record.
        texts: of the first question about heat, the first of each code; and of the record.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    moments: list[tuple[int, int]] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    held: Counter[str] = field(default_factory=Counter)
    texts: dict[str, str] = field(default_factory=dict)


def _kind(code: str) -> str:
    """A code without the number at its end."""
    head, _, tail = code.rpartition("/")
    return head if tail.isdigit() else code


def counted(case: Case, draws: int, seed: int) -> Count:
    """Conduct the runs of a case."""
    count, catalogue = Count(), load_catalogue()
    try:
        loaded = loaded_of(case.text, catalogue)
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
    except FileFaultsError as error:
        faults, checks = error.faults, None  # type: ignore[assignment]
    if faults:
        count.verdicts["refused"] = draws
        count.texts["refused"] = "; ".join(f"{fault.key}: {fault.found}; {fault.mend}" for fault in faults)
        return count
    software = software_of(checks.plugins)
    times, exact = course(case)
    decimals = 2 if case.dial_um < 0.1 else 1
    for number in range(draws):
        # The same draws whatever the tool makes of them; the count of the dial nearest to the zero is anywhere.
        random = np.random.default_rng([seed, number])
        shown = exact + case.scatter_um * random.standard_normal(exact.size) + case.dial_um * (random.random() - 0.5)
        shown = case.dial_um * np.rint(shown / case.dial_um) + 0.0
        run, ear = conducted(loaded, checks, _Said(times, shown, decimals))
        _note(count, case, make_record(run, "1", checks, software), ear)
    return count


def _note(count: Count, case: Case, record: dict[str, Any], ear: _Ear) -> None:
    count.verdicts[record["results"][case.of]["verdict"]] += 1
    about = sorted((entry, code, text) for code, (entry, text) in ear.heard.items() if code.startswith("heat"))
    if about:
        entry, code, text = about[0]
        count.moments.append((1 + (entry - len(ZEROS_S) - 1) // len(PLACES), entry))
        count.texts.setdefault(f"live {_kind(code)}", text)
    count.others.update({_kind(code) for code in ear.heard if not code.startswith("heat")})
    weighty = [found for found in record["findings"] if found["level"] != "note"]
    count.held.update({f"{found['level']} {_kind(found['code'])}" for found in weighty})
    for found in weighty:
        if found["code"].startswith("heat"):
            count.texts.setdefault(f"record {found['level']} {_kind(found['code'])}", found["text"])


def interval(hits: int, of: int) -> tuple[float, float]:
    """The exact interval of 95 % of a share [%]: Clopper and Pearson, Biometrika 26 (1934) 404 (from memory)."""
    low = float(betaincinv(hits, of - hits + 1, 0.025)) if hits else 0.0
    high = float(betaincinv(hits + 1, of - hits, 0.975)) if hits < of else 1.0
    return 100.0 * low, 100.0 * high


HEAD = (
    f"{'case':34} {'rounds':>6} {'min':>4} | {'pass':>4} {'fail':>4} {'und.':>4} {'ref.':>4} |"
    f" {'% pass, 95 %':>14} | asked first (rounds; middle entry)"
)


def row(case: Case, count: Count, draws: int) -> str:
    """A row of the table."""
    passed, failed, undecided, refused = (count.verdicts[key] for key in ("pass", "fail", "undecided", "refused"))
    low, high = interval(passed, draws)
    asked = "never"
    if count.moments:
        rounds = sorted(Counter(number for number, _ in count.moments).items())
        entry = int(np.median([entry for _, entry in count.moments]))
        asked = f"{len(count.moments)}: " + ", ".join(f"round {number} {many}×" for number, many in rounds[:4])
        asked += ("…" if len(rounds) > 4 else "") + f"; {entry}"
    return (
        f"{case.name:34} {case.rounds:6} {case.span_min:4g} | {passed:4} {failed:4} {undecided:4} {refused:4} |"
        f" {low:5.1f} to {high:5.1f} | {asked}"
    )


def table(word: str, draws: int, seed: int, *, texts: bool) -> None:
    """Print the table, and under it what was said."""
    cases = [case for case in _cases() if word in f"{case.name} {case.rounds}/{case.span_min:g}"]
    if not cases:
        sys.exit(f"no case has {word!r} in its name")
    for wanted, title in (
        ("fail", f"Parts beyond their limit, {draws} runs each: none should pass"),
        ("pass", f"Good parts, {draws} runs each: those without heat should pass, and not be asked about it"),
    ):
        own = [case for case in cases if case.wanted == wanted]
        if not own:
            continue
        print(f"{title}\n\n{HEAD}")
        counts = []
        for case in own:
            counts.append(counted(case, draws, seed))
            print(row(case, counts[-1], draws), flush=True)
        print("\nDoubts and stops on the record, and other questions, in runs:")
        for case, count in zip(own, counts, strict=True):
            held = ", ".join(f"{code} {many}" for code, many in count.held.most_common()) or "nothing"
            others = ", ".join(f"{code} {many}" for code, many in count.others.most_common()) or "nothing"
            print(f"  {case.name}, {case.rounds}/{case.span_min:g}: {held}; also asked: {others}")
            for code, text in count.texts.items() if texts else ():
                print(f"      {code}: {text}")
        print()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--case", default="", help="a part of the names of the cases")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--texts", action="store_true", help="what was said, the first of each kind")
    parser.add_argument("--coverage", type=int, default=0, help="so many cases of each kind")
    parser.add_argument("--block", action="store_true", help="what the warm block is held to")
    asked = parser.parse_args()
    begun_s = time.process_time()
    if asked.block or not asked.coverage:
        print("The block:", *verified(), sep="\n  ", end="\n\n")
    if asked.coverage:
        covered(asked.coverage, asked.seed)
    elif not asked.block:
        table(asked.case, asked.draws, asked.seed, texts=asked.texts)
    print(f"{time.process_time() - begun_s:.0f} s")


if __name__ == "__main__":
    main()
