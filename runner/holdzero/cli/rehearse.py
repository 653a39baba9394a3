"""`rehearse`: a routine tried many times with the errors that it states, before metal is touched."""

from __future__ import annotations

import json as js
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from holdzero.checks import bind
from holdzero.cli.house import Shop, open_shop
from holdzero.cli.options import standard_um
from holdzero.cli.output import plain_console, progress, tell
from holdzero.cli.rehearsed import Said, are, counted
from holdzero.cli.rehearsed_beside import show_beside, write_page
from holdzero.cli.rehearsed_family import Row, family_data, show_family, write_family
from holdzero.cli.rehearsing import Plan, Subject, Work, shared_out
from holdzero.cli.workers import cores, executor_for, heard_between_pieces
from holdzero.cli.writable import free_to_write
from holdzero.errors import Fault, FileFaultsError, HoldzeroError
from holdzero.expansion import kinds_of
from holdzero.process import NormalProcess, ProductionProcess
from holdzero.quantity import Dimension, parse_quantity
from holdzero.rehearse import Curve, Point, Process, rehearsed, true_sizes_um
from holdzero.rehearse.fitting import refuse_misfits
from holdzero.rehearse.many import Rehearsal, least_um
from holdzero.rehearse.scenario import Scenario, load_scenario
from holdzero.rehearse.suggest import Wish
from holdzero.result import Evaluation
from holdzero.routine import schema
from holdzero.routine.load import LoadedRoutine, load_routine, members

__all__ = ["Wanted", "rehearse_routine", "rehearsed_all"]

_DONE, _INTERRUPTED = 0, 4
_MOST = 10_000_000
# About what a piece of work takes, a run among others, and one that is taken by itself [s]; and what is worth sharing:
# less is done before a second process has begun.
_PIECE_S, _RUN_S, _ALONE_S, _WORTH_SHARING_S = 1e-2, 2e-6, 2e-3, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What `rehearse` was asked for."""

    runs: int
    seed: int
    of: str | None
    scatter: str | None
    member: str | None
    family: bool
    choices: Mapping[str, str]
    scenario: Path | None
    against: Path | None
    risk: float | None
    spread: str | None
    workers: int | None
    scheduler: str | None
    json: bool
    html: Path | None
    replace: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    """A routine that is rehearsed, and what is done of it.

    Attributes:
        member: of its part family; None where it has none.
        routine: typed.
        what: is rehearsed.
        plan: what is done.
    """

    member: str | None
    routine: schema.Routine
    what: Rehearsal
    plan: Plan


@dataclass(slots=True)
class _Made:
    """What is done of a trial."""

    points: list[Point]
    process: Process | None = None
    pieces: int = 0

    def take(self, piece: Point | Process) -> None:
        self.pieces += 1
        if isinstance(piece, Point):
            self.points.append(piece)
        else:
            self.process = piece if self.process is None else self.process + piece


def rehearse_routine(path: Path, wanted: Wanted, *, named: Path | None) -> int:
    """Rehearse a routine and say what came of it; gives the exit code.

    Raises:
        HoldzeroError: the routine is at fault, or what was asked for can't be done.
    """
    try:
        return _rehearse(path, wanted, named)
    except KeyboardInterrupt:
        tell("\nholdzero: stopped at once; nothing of it is kept")
        return _INTERRUPTED


def _rehearse(path: Path, wanted: Wanted, named: Path | None) -> int:
    if not 1 <= wanted.runs <= _MOST:
        raise HoldzeroError(f"--runs {wanted.runs}: write a number from 1 to {_MOST}")
    shop = open_shop(named)
    named_files = (path, wanted.scenario, wanted.against, shop.path)
    _look_at_page(wanted, [each for each in named_files if each is not None])
    if wanted.risk is not None:
        return _suggested(path, wanted, shop)
    if wanted.family:
        trials = [_of_member(path, member, wanted, shop) for member in _family(path, wanted)]
    else:
        paths = (path,) if wanted.against is None else (path, wanted.against)
        trials = [_trial(each, wanted.member, wanted, shop) for each in paths]
    if wanted.against is not None:
        _comparable(trials)
        # Both at the same sizes, so that they can stand side by side.
        sizes = trials[0].plan.sizes_um
        trials = [_at_sizes(trial, sizes) for trial in trials]
    for name in dict.fromkeys(name for trial in trials for name in trial.what.checks.run_by_run):
        tell(f"holdzero: {name} takes one run at a time: slower; fewer --runs are quicker")
    made = rehearsed_all(trials, wanted, named)
    return _of_family(trials, made, wanted) if wanted.family else _of_routines(trials, made, wanted)


def _look_at_page(wanted: Wanted, reads: Iterable[Path]) -> None:
    """Look that the page can be written, before anything is rehearsed for it."""
    if wanted.html is not None:
        free_to_write(wanted.html, replace=wanted.replace, reads=reads, option="--html")


def _suggested(path: Path, wanted: Wanted, shop: Shop) -> int:
    """Rounds and soak that meet a risk."""
    from holdzero.cli.suggesting import suggest_ways

    risk = wanted.risk or 0.0
    if not 0.0 < risk < 1.0:
        raise HoldzeroError(f"--risk {risk:g}: write a share between 0 and 1, for example 0.02 for 2 %")
    if wanted.family or wanted.against is not None:
        raise HoldzeroError("--risk is of one routine: drop --family and --against, and name a --member if need be")
    trial = _trial(path, wanted.member, wanted, shop)
    if wanted.html is not None:
        raise HoldzeroError(f"--risk with --html {wanted.html}: what is suggested has no page; drop --html")
    if trial.plan.process is None:
        raise HoldzeroError(
            "--risk: how the parts lie is not stated\n    say it in the routine ([decision] process), or here: "
            '--spread "1 um", the standard deviation about the middle of the limits'
        )
    slow = trial.what.checks.run_by_run
    for name in slow:
        tell(f"holdzero: {name} takes one run at a time: slower; fewer --runs are quicker")
    # As many parts as a curve has runs, so that chance decides nothing; fewer where each takes its time.
    parts = wanted.runs if slow else wanted.runs * len(trial.plan.sizes_um)
    coverage = trial.routine.decision.numbers(trial.what.checks.rule).coverage_probability
    wish = Wish(risk=risk, sizes=trial.plan.process, coverage=coverage, runs=parts)
    return suggest_ways(trial.routine, trial.what, wish, json=wanted.json)


# --- what is rehearsed ------------------------------------------------------------------------


def _family(path: Path, wanted: Wanted) -> tuple[str, ...]:
    """The members of the routine's part family.

    Raises:
        HoldzeroError: it has none, or something else was asked for besides.
    """
    for option, said in (("--member", wanted.member), ("--against", wanted.against)):
        if said is not None:
            raise HoldzeroError(
                f"--family with {option} {said}: --family takes every member by itself; drop one of them"
            )
    names = members(path)
    if not names:
        fault = Fault(
            file=str(path),
            line=None,
            key="family",
            found="no part family",
            expected="a table [family.NAME] for each member",
            mend="leave --family out: the routine is of a single part",
        )
        raise FileFaultsError((fault,))
    return names


def _of_member(path: Path, member: str, wanted: Wanted, shop: Shop) -> _Trial:
    try:
        return _trial(path, member, wanted, shop)
    except FileFaultsError:
        tell(f"holdzero: the member {member} of the part family:")
        raise
    except HoldzeroError as error:
        raise HoldzeroError(f"the member {member} of the part family: {error}") from None


def _trial(path: Path, member: str | None, wanted: Wanted, shop: Shop) -> _Trial:
    """A routine, and what is rehearsed of it."""
    loaded = load_routine(path, member, kinds_of(shop.catalogue))
    _look_at_page(wanted, [Path(text.file) for text, _ in loaded.origins.steps.values()])  # fragments among them
    checks, faults = bind(loaded.routine, shop.catalogue, loaded.origins)
    if faults:
        raise FileFaultsError(faults)
    written = load_scenario(wanted.scenario) if wanted.scenario is not None else None
    subject = _subject(loaded, wanted, shop, written.scenario if written is not None else None)
    what = subject.with_checks(checks)
    ideal = what.ideal()
    if written is not None:
        refuse_misfits(written, what.begun, ideal, checks, what.entries)
    plan = Plan(
        subject=subject,
        sizes_um=true_sizes_um(what.scattered(), what.of, _bias_um(what, ideal), least_um(what, ideal)),
        process=_process(loaded.routine, what, wanted.spread),
    )
    return _Trial(member=member, routine=loaded.routine, what=what, plan=plan)


def _subject(loaded: LoadedRoutine, wanted: Wanted, shop: Shop, scenario: Scenario | None) -> Subject:
    entries = shop.entries(wanted.choices)
    return Subject(
        document=loaded.document,
        digest=loaded.digest,
        of=wanted.of or _first_decided(loaded.routine),
        scatter_um=_scatter_um(wanted.scatter, scenario, loaded.routine, entries),
        seed=wanted.seed,
        entries=entries,
        scenario=scenario,
    )


def _first_decided(routine: schema.Routine) -> str:
    specs = routine.characteristics.items()
    found = next((name for name, spec in specs if spec.lower is not None or spec.upper is not None), None)
    if found is None:
        raise HoldzeroError("no characteristic has limits: nothing is decided, and nothing can be rehearsed")
    return found


def _scatter_um(
    text: str | None, scenario: Scenario | None, routine: schema.Routine, entries: Mapping[str, Mapping[str, Any]]
) -> float:
    """Standard deviation of a single reading: as asked for, as in the scenario, or half of what is resolved."""
    if text is not None:
        return standard_um("--scatter", text)
    if scenario is not None and scenario.scatter is not None:
        return scenario.scatter
    if isinstance(routine.comparator, schema.Comparator):
        return 0.5 * routine.comparator.resolution
    if "comparator" not in entries:
        raise HoldzeroError("the routine only says what comparator it needs; name one with --comparator")
    said = entries["comparator"].get("resolution")
    if said is None:
        raise HoldzeroError('say how single readings scatter, for example --scatter "0.2 um"')
    return 0.5 * parse_quantity(str(said), Dimension.LENGTH).value


def _bias_um(what: Rehearsal, ideal: Evaluation) -> float:
    """By how much values lie above the truth on average, where a scenario says that something is wrong [um]."""
    if what.scenario is None:
        return 0.0
    tally = rehearsed(what, ideal, what.middle_um, _FEW, (_BIAS,))
    return tally.off_um / tally.runs


_FEW, _BIAS = 200, 1_000_033  # draws of their own


def _process(routine: schema.Routine, what: Rehearsal, spread: str | None) -> ProductionProcess | None:
    """How the true sizes of the parts lie: normal about the middle as asked for, or as the routine states it."""
    if spread is not None:
        spec, spread_um = what.spec, standard_um("--spread", spread)
        # A variation lies between nothing and its limit.
        one_sided = spec.measure is schema.Measure.VARIATION and spec.lower is None and spec.upper is not None
        mean_um = 0.5 * (spec.upper or 0.0) if one_sided else what.middle_um
        return NormalProcess(mean_um=mean_um, standard_um=spread_um)
    process = routine.process_of(what.spec)
    return None if process is None else process.distribution


def _comparable(trials: Sequence[_Trial]) -> None:
    """Refuse to hold two characteristics beside each other that are no sizes of one kind.

    Raises:
        HoldzeroError: they are not measured alike.
    """
    one, other = (trial.what for trial in trials)
    if one.spec.measure != other.spec.measure:
        raise HoldzeroError(
            f"--against: {one.of} is a {one.spec.measure}, and {other.of} of the other a {other.spec.measure}\n"
            "    name a characteristic that both have: --of"
        )


def _at_sizes(trial: _Trial, sizes_um: tuple[float, ...]) -> _Trial:
    return replace(trial, plan=replace(trial.plan, sizes_um=sizes_um))


# --- rehearsing it ----------------------------------------------------------------------------


def rehearsed_all(trials: Sequence[_Trial], wanted: Wanted, named: Path | None) -> list[_Made]:
    """Go through all pieces; what is done is kept where somebody breaks off."""
    made = [_Made(points=[]) for _ in trials]
    workers = wanted.workers if wanted.workers is not None else _workers(trials, wanted.runs)
    pieces = sum(trial.plan.pieces(wanted.runs) for trial in trials)
    with (
        heard_between_pieces("the true size at work") as stopped,
        executor_for(workers, wanted.scheduler) as (executor, ahead),
        progress(pieces, "true sizes") as advance,
    ):
        work = Work(executor=executor, ahead=ahead, shop=named)
        plans = [trial.plan for trial in trials]
        for number, piece in shared_out(plans, wanted.runs, work, beside=wanted.against is not None):
            made[number].take(piece)
            advance(1)
            if stopped():
                break
    return made


def _workers(trials: Sequence[_Trial], runs: int) -> int:
    """As many processes as are worth it."""
    took_s = 0.0
    for trial in trials:
        plan, alone = trial.plan, bool(trial.what.checks.run_by_run)
        in_all = runs * len(plan.sizes_um) + sum(plan.lots(runs))
        took_s += plan.pieces(runs) * _PIECE_S + in_all * (_ALONE_S if alone else _RUN_S)
    return cores() if took_s >= _WORTH_SHARING_S else 1


def _of_routines(trials: Sequence[_Trial], made: Sequence[_Made], wanted: Wanted) -> int:
    """Say what came of a routine, or of two revisions; of one that was broken off what was done."""
    whole, sizes = min(len(each.points) for each in made), len(trials[0].plan.sizes_um)
    if not whole:
        tell("\nholdzero: stopped before anything was rehearsed")
        return _INTERRUPTED
    finished = all(each.pieces == trial.plan.pieces(wanted.runs) for trial, each in zip(trials, made, strict=True))
    if not finished:
        tell(f"\nholdzero: stopped; {whole} of {counted(sizes, 'true size')} {are(whole)} done; see below")
    said = [
        _said(trial, replace(each, points=each.points[:whole]), wanted, finished=finished)
        for trial, each in zip(trials, made, strict=True)
    ]
    if wanted.json:
        data = said[0].data if len(said) == 1 else {"simulated": True, "revisions": [item.data for item in said]}
        print(js.dumps(data, ensure_ascii=False))  # noqa: T201  what scripts read
    elif len(said) == 1:
        said[0].show(plain_console(stderr=False))
    else:
        show_beside(plain_console(stderr=False), said)
    if wanted.html is not None:
        write_page(wanted.html, said)
    return _DONE if finished else _INTERRUPTED


def _of_family(trials: Sequence[_Trial], made: Sequence[_Made], wanted: Wanted) -> int:
    """Say what came of each member, and of one that was broken off what was done."""
    rows = []
    for trial, each in zip(trials, made, strict=True):
        finished = each.pieces == trial.plan.pieces(wanted.runs)
        if each.points:
            rows.append(Row(member=trial.member or "", said=_said(trial, each, wanted, finished=finished)))
    if not rows:
        tell("\nholdzero: stopped before anything was rehearsed")
        return _INTERRUPTED
    whole = [row for row in rows if row.said.finished]
    if len(whole) < len(trials):
        of_one = "".join(f"; {row.member} is unfinished" for row in rows if not row.said.finished)
        done = f"{len(whole)} of {counted(len(trials), 'member')} {are(len(whole))} done{of_one}"
        tell(f"\nholdzero: stopped; {done}; see below")
    if wanted.json:
        print(js.dumps(family_data(rows), ensure_ascii=False))  # noqa: T201  what scripts read
    else:
        show_family(plain_console(stderr=False), rows)
    if wanted.html is not None:
        write_family(wanted.html, rows)
    return _DONE if len(whole) == len(trials) else _INTERRUPTED


def _said(trial: _Trial, made: _Made, wanted: Wanted, *, finished: bool) -> Said:
    """What came of a trial; of an unfinished one without its process, of which not all parts are there."""
    return Said(
        routine=trial.routine,
        what=trial.what,
        curve=Curve(points=tuple(made.points)),
        process=made.process if finished else None,
        runs=wanted.runs,
        sizes=len(trial.plan.sizes_um),
        finished=finished,
    )
