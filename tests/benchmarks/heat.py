"""Hand heat with a known truth: how often a bad part passes, a good one is held up, and when a question came.

    python tests/benchmarks/heat.py [--draws 100] [--case WORD] [--seed 1] [--texts]
    python tests/benchmarks/heat.py --coverage 500
    python tests/benchmarks/heat.py --block

The first conducts whole runs: a part that is too short by 0.22 um and reads longer as it is warm, good ones with the
same heat and with none, tilts. `--block` prints what the warm block is held to. `--coverage` is in `heat_coverage.py`:
how often an interval of 95 % of the value where a fade settles has the true one. It prints; it does not judge.
How often a sound run is asked about anything, in the shipped routines: `python tests/benchmarks/questions.py`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from heat_block import PLACES, Floats, verified
from heat_cases import COARSE_UM, ZEROS_S, Case, cases, drawn
from heat_coverage import covered
from holdzero import events as e
from holdzero.catalogue import load_catalogue
from holdzero.checks import Checks, bind
from holdzero.errors import FileFaultsError
from holdzero.evaluate import evaluate
from holdzero.hooks import Answer, Asks, Finding, Level, Prompt, Source, SourceError
from holdzero.journal import Journal
from holdzero.mistyped import mistyped_questions
from holdzero.register import Register
from holdzero.routine.load import LoadedRoutine
from holdzero.run import Run
from holdzero.run.state import State
from holdzero.session import Clock, Session
from holdzero.testing.drive import begun, loaded_of
from holdzero.views import view_of

# --- runs -------------------------------------------------------------------------------------


class _Said:
    """Answers of a run, with their times; what only needs confirming is confirmed."""

    def __init__(self, times_s: Floats, values_um: Floats, decimals: int) -> None:
        answers = [Answer(f"{value:+.{decimals}f}", float(at)) for at, value in zip(times_s, values_um, strict=True)]
        self._left = answers[::-1]

    def answer(self, prompt: Prompt, now_s: float) -> Answer:
        del now_s
        return Answer("") if prompt.asks is Asks.CONFIRM else self._left.pop()

    def blame(self, reason: str) -> SourceError:
        return SourceError(reason)

    def close(self) -> None:
        """Nothing is held."""


class _Eye:
    """A face that nobody looks at: it keeps how the run stood at each prompt, and what was asked there."""

    def __init__(self) -> None:
        self.seen: list[tuple[State, Sequence[Finding]]] = []

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del prompt
        self.seen.append((run.state, findings))

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


def conducted(loaded: LoadedRoutine, checks: Checks, said: _Said) -> tuple[Run, _Eye]:
    """A whole run as at the bench, and what was seen in it."""
    eye = _Eye()
    session = Session(
        run=begun(loaded),
        journal=cast("Journal", _Nowhere()),
        checks=checks,
        source=SOURCE,
        feed=said,
        face=cast("Any", eye),
        clock=Clock(lambda: "2026-03-02T08:00:00+00:00", lambda: 0.0),
        register=Register(),
        choices={},
        overrule=None,
        started_at_s=0.0,
    )
    return session.conduct(), eye


def _with(state: State, shown_um: Floats) -> State:
    """The run with a row of readings for each of many runs [um]."""
    readings = (replace(one, value_um=shown_um[:, index]) for index, one in enumerate(state.readings))
    return replace(state, readings=tuple(readings))


def _one(state: State, holds: NDArray[np.bool_]) -> State:
    """The first of many runs in which something holds, as it stands at the bench."""
    index = int(holds.argmax())
    readings = (replace(one, value_um=float(np.ravel(one.value_um)[index])) for one in state.readings)
    return replace(state, readings=tuple(readings))


@dataclass
class Count:
    """What came of the runs of a case.

    Attributes:
        verdicts: of the characteristic that counts; "refused" where the routine itself is.
        moments: of the first question about heat, as number of its entry, one a run that was asked.
        asked: runs that were asked anything.
        others: runs that were asked something else, by code.
        held: runs by level and code of a doubt or a stop on the record.
        texts: of the questions about heat and of what the record says of it, the first of each code.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    moments: list[int] = field(default_factory=list)
    asked: int = 0
    others: Counter[str] = field(default_factory=Counter)
    held: Counter[str] = field(default_factory=Counter)
    texts: dict[str, str] = field(default_factory=dict)


def counted(case: Case, draws: int, seed: int, *, one_by_one: bool) -> Count:
    """Conduct the runs of a case."""
    count, catalogue = Count(), load_catalogue()
    try:
        loaded = loaded_of(case.text, catalogue)
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
    except FileFaultsError as error:
        faults = tuple(error.faults)
    if faults:
        count.verdicts["refused"] = draws
        count.texts["refused"] = "; ".join(f"{fault.key}: {fault.found}; {fault.mend}" for fault in faults)
        return count
    times, shown = drawn(case, draws, seed)
    decimals = 1 if case.dial_um == COARSE_UM else 2
    for number in range(draws):
        run, eye = conducted(loaded, checks, _Said(times, shown[number], decimals))
        if not one_by_one:
            # How it stands at each prompt is the same for all: all runs are looked at together.
            seen = [(_with(state, shown), None) for state, _ in eye.seen]
            _note(count, case, seen, _with(run.state, shown), checks, draws)
            break
        _note(count, case, eye.seen, run.state, checks, 1)
    return count


def _kind(code: str) -> str:
    """A code without the number at its end."""
    head, _, tail = code.rpartition("/")
    return head if tail.isdigit() else code


def _asked(state: State, findings: Sequence[Finding] | None, checks: Checks) -> Sequence[Finding]:
    """What is asked now; of many runs together it has not been worked out yet."""
    if findings is not None:
        return findings
    view = view_of(state, "1", checks.materials, state.now_s)
    said = checks.watch(view)
    if said.failures:
        raise AssertionError(said.failures)
    return (*mistyped_questions(view), *said.findings)


def _note(
    count: Count,
    case: Case,
    seen: Sequence[tuple[State, Sequence[Finding] | None]],
    end: State,
    checks: Checks,
    runs: int,
) -> None:
    """Count what came of one run, or of many together."""
    masks: dict[str, NDArray[np.bool_]] = {}
    first = np.zeros(runs, dtype=np.int64)
    for state, findings in seen:
        for found in _asked(state, findings, checks):
            holds = np.broadcast_to(found.holds, runs)
            if found.level is Level.NOTE or not holds.any():
                continue
            if not found.code.startswith("heat"):
                masks[_kind(found.code)] = masks.get(_kind(found.code), False) | holds
                continue
            first[(first == 0) & holds] = len(state.readings)
            if (name := f"asked, {_kind(found.code)}") not in count.texts:
                alone = _asked(_one(state, holds), None, checks)
                count.texts[name] = next(one.text for one in alone if one.code == found.code)
    count.moments.extend(int(entry) for entry in first if entry)
    count.others.update({code: int(mask.sum()) for code, mask in masks.items()})
    count.asked += int(np.logical_or.reduce([first > 0, *masks.values()]).sum())
    _note_end(count, case, end, checks, runs)


def _note_end(count: Count, case: Case, end: State, checks: Checks, runs: int) -> None:
    made = evaluate(end, "1", checks)
    result = next(result for result in made.results if result.name == case.of)
    passed, failed = (
        np.broadcast_to(one, runs) & ~np.broadcast_to(result.stopped, runs) for one in (result.passed, result.failed)
    )
    count.verdicts.update({"pass": int(passed.sum()), "fail": int(failed.sum())})
    count.verdicts["undecided"] += int((~passed & ~failed).sum())
    masks: dict[str, NDArray[np.bool_]] = {}
    for found in made.findings:
        if found.level is not Level.NOTE:
            code = f"{found.level} {_kind(found.code)}"
            holds = np.broadcast_to(found.holds, runs)
            masks[code] = masks.get(code, False) | holds
            if found.code.startswith("heat") and (name := f"record, {code}") not in count.texts:
                alone = evaluate(_one(end, holds), "1", checks).findings
                count.texts[name] = next(one.text for one in alone if one.code == found.code)
    count.held.update({code: int(mask.sum()) for code, mask in masks.items()})


def interval(hits: int, of: int) -> tuple[float, float]:
    """The exact interval of 95 % of a share [%]: Clopper and Pearson, Biometrika 26 (1934) 404 (from memory)."""
    low = float(betaincinv(hits, of - hits + 1, 0.025)) if hits else 0.0
    high = float(betaincinv(hits + 1, of - hits, 0.975)) if hits < of else 1.0
    return 100.0 * low, 100.0 * high


HEAD = (
    f"{'case':34} {'rounds':>6} {'min':>4} | {'pass':>4} {'fail':>4} {'und.':>4} {'ref.':>4} |"
    f" {'% pass, 95 %':>14} | asked | about heat first (rounds; middle entry)"
)


def row(case: Case, count: Count, draws: int) -> str:
    """A row of the table."""
    passed, failed, undecided, refused = (count.verdicts[key] for key in ("pass", "fail", "undecided", "refused"))
    low, high = interval(passed, draws)
    asked = "never"
    if count.moments:
        entries = np.array(count.moments)
        rounds = sorted(Counter(1 + (entries - len(ZEROS_S) - 1) // len(PLACES)).items())
        entry = int(np.median(entries))
        asked = f"{len(count.moments)}: " + ", ".join(f"round {number} {many}×" for number, many in rounds[:4])
        asked += ("…" if len(rounds) > 4 else "") + f"; {entry}"
    return (
        f"{case.name:34} {case.rounds:6} {case.span_min:4g} | {passed:4} {failed:4} {undecided:4} {refused:4} |"
        f" {low:5.1f} to {high:5.1f} | {count.asked:5} | {asked}"
    )


def table(word: str, draws: int, seed: int, *, texts: bool, one_by_one: bool) -> None:
    """Print the table, and under it what was said."""
    chosen = [case for case in cases() if word in f"{case.name} {case.rounds}/{case.span_min:g}"]
    if not chosen:
        sys.exit(f"no case has {word!r} in its name")
    for wanted, title in (
        ("fail", f"Parts beyond their limit, {draws} runs each: none should pass"),
        ("pass", f"Good parts, {draws} runs each: those without heat should pass, and not be asked about it"),
    ):
        own = [case for case in chosen if case.wanted == wanted]
        if not own:
            continue
        print(f"{title}\n\n{HEAD}")
        counts = []
        for case in own:
            counts.append(counted(case, draws, seed, one_by_one=one_by_one))
            print(row(case, counts[-1], draws), flush=True)
        print("\nDoubts and stops on the record, and other questions, in runs:")
        for case, count in zip(own, counts, strict=True):
            held = ", ".join(f"{code} {many}" for code, many in sorted(count.held.items())) or "nothing"
            others = ", ".join(f"{code} {many}" for code, many in sorted(count.others.items())) or "nothing"
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
    parser.add_argument("--one-by-one", action="store_true", help="each run by itself, as at the bench: slower")
    parser.add_argument("--coverage", type=int, default=0, help="so many cases of each kind")
    parser.add_argument("--block", action="store_true", help="what the warm block is held to")
    asked = parser.parse_args()
    begun_s = time.process_time()
    if asked.block or not asked.coverage:
        print("The block:", *verified(), sep="\n  ", end="\n\n")
    if asked.coverage:
        covered(asked.coverage, asked.seed)
    elif not asked.block:
        table(asked.case, asked.draws, asked.seed, texts=asked.texts, one_by_one=asked.one_by_one)
    print(f"{time.process_time() - begun_s:.0f} s")


if __name__ == "__main__":
    main()
