"""Which reading lies too far from its repeats: named, asked about while the part is there, and kept."""

from __future__ import annotations

import copy
import importlib.util
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import numpy as np
import pytest
from scipy import stats

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.record import digest_of_record
from holdzero.routine.load import digest_of
from holdzero.verify import recompute
from holdzero.views import view_of
from holdzero_plugins.checks._scatter import RepeatabilitySettings
from holdzero_plugins.checks.repeatability import judge, watch

Measure: TypeAlias = Callable[..., Any]  # see conftest
Start: TypeAlias = Callable[..., Any]

RING = """\
format = 1
routine = { title = "Ring (invented)", part = "R-1" }
reference = { name = "Block", size = "12 mm", deviation = "0 um" }
comparator = { resolution = "0.5 um", travel = "50 um" }
bracket = { limit = "2 um" }

[characteristics.thickness]
measure = "size"
at = ["a", "b", "c"]
nominal = "12 mm"
lower = "-6 um"
upper = "+6 um"

[characteristics.parallelism]
measure = "variation"
at = ["a", "b", "c"]
upper = "6 um"

[characteristics.thickest]
measure = "size"
at = ["a", "b", "c"]
of = "largest"
nominal = "12 mm"
upper = "+9 um"

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "read", at = "c" } ]

[[steps]]
do = "return"
times = 2
"""
ZERO, BACK = ["0", "0.5", "0"], ["0", "0.5"]
# entries: the run starts with 1, so that the zero is 2 to 4 and the second reading of b 9 (or more, after a question)
DUSTY = ["1", "2", "1.5", "1", "6", "1.5", "1.5", "2", "1"]
POOLED = '[checks.repeatability.pooled]\nstandard = "0.2 um"\ndof = 30\nof = "readings"\n'
PAIR = RING.replace("times = 3\nsteps", "times = 2\nsteps")


def odd(outcome: Any, what: str = "outlier") -> list[dict[str, Any]]:
    return [f for f in outcome.record["findings"] if f["code"].startswith(f"repeatability/{what}/")]


def questions(outcome: Any) -> list[Any]:
    return [event for event in outcome.record["events"] if event["event"] == "question_asked"]


class TestTheReadingIsNamed:
    def test_by_place_round_entry_value_and_distance(self, measure: Measure) -> None:
        (found,) = odd(measure(RING, [*ZERO, *DUSTY, *BACK]))
        assert found["level"] == "doubt"
        assert "at b, round 2 of 3: +6 µm, 4 µm above its other readings" in found["text"]
        assert found["data"]["apart_um"] == 4.0
        assert found["data"]["read_um"] == 6.0
        assert found["code"] == f"repeatability/outlier/{found['data']['entry']:g}"

    def test_with_limit_rate_and_what_they_rest_on(self, measure: Measure) -> None:
        (found,) = odd(measure(RING, [*ZERO, *DUSTY, *BACK]))
        # zero 2, a 2, c 2, return 1 degrees of freedom; squares about the mean by hand: 1/6, 1/6, 1/6, 1/8
        assert found["data"]["degrees_of_freedom"] == 7
        assert found["data"]["s_um"] == pytest.approx(((3 / 6 + 1 / 8) / 7) ** 0.5)
        assert 0.0 < found["data"]["rate"] <= 0.01
        assert found["data"]["limit_um"] % 0.5 == 0.0
        assert f"{found['data']['limit_um']:g} µm or more off" in found["text"]

    def test_with_what_the_values_would_be_without_it(self, measure: Measure) -> None:
        (found,) = odd(measure(RING, [*ZERO, *DUSTY, *BACK]))
        # by hand: mean of b 10/3 with it, 2 without; a 3.5/3, c 4/3; the places count alike
        assert "thickness 0.44 µm lower" in found["text"]  # (10/3 - 2)/3
        assert "parallelism 1.3 µm lower" in found["text"]  # 10/3 - 3.5/3 against 2 - 3.5/3
        assert "thickest 1.3 µm lower" in found["text"]  # 10/3 against 2

    def test_and_is_kept(self, measure: Measure) -> None:
        record = measure(RING, [*ZERO, *DUSTY, *BACK]).record
        assert record["results"]["thickness"]["value_um"] == pytest.approx(sum(map(float, DUSTY)) / 9 - 0.5 / 3)

    def test_below_as_above(self, measure: Measure) -> None:
        (found,) = odd(measure(RING, [*ZERO, *[text.replace("6", "-2") for text in DUSTY], *BACK]))
        assert "4 µm below its other readings" in found["text"]
        assert "thickness 0.44 µm higher" in found["text"]

    def test_of_two_readings_either_may_be_off(self, measure: Measure) -> None:
        (found,) = odd(measure(PAIR + POOLED, [*ZERO, "1", "6", "1.5", "1", "2", "1.5", *BACK]))
        assert "4 µm below the other one, entry 6: one of the two is off" in found["text"]

    def test_a_scatter_beyond_its_limit_names_what_makes_it_so(self, measure: Measure) -> None:
        outcome = measure(RING + '[checks.repeatability]\nlimit = "0.6 um"\n', [*ZERO, *DUSTY, *BACK])
        (stop,) = (f for f in outcome.record["findings"] if f["code"] == "repeatability/limit")
        # without it: the squares above and b's two others, that are alike, over 8 degrees of freedom
        assert "at b, round 2 of 3: +6 µm, 4 µm above the others; without it s = 0.28 µm" in stop["text"]

    def test_sound_readings_are_not(self, measure: Measure) -> None:
        outcome = measure(RING, [*ZERO, "1", "2", "1.5", "1", "2.5", "1.5", "1.5", "2", "1", *BACK])
        assert not odd(outcome)
        assert not odd(outcome, "farthest")
        assert not questions(outcome)

    def test_one_step_of_the_dial_never_is(self, measure: Measure) -> None:
        known = POOLED.replace("0.2 um", "0.001 um")
        outcome = measure(RING + known, [*ZERO, "1", "2", "1", "1", "2.5", "1", "1", "2", "1", *BACK])
        assert not odd(outcome)
        outcome = measure(RING + known, [*ZERO, "1", "2", "1", "1", "3", "1", "1", "2", "1", *BACK])
        assert [f["data"]["limit_um"] for f in odd(outcome)] == [1.0]


class TestWhatIsKnownOfTheScatter:
    ONE = RING.replace('{ do = "read", at = "b" }, { do = "read", at = "c" }', "").replace('["a", "b", "c"]', '["a"]')
    ONE = ONE.replace('[characteristics.parallelism]\nmeasure = "variation"\nat = ["a"]\nupper = "6 um"\n', "")
    ONE = ONE.replace("times = 3\nsteps", "times = 6\nsteps")

    def test_is_too_little_to_call_it_an_outlier(self, measure: Measure) -> None:
        # zero 2 and return 1, and of the five others of the place one less than four
        outcome = measure(
            self.ONE.replace('of = "largest"\n', ""), ["0", "0", "0", *["1"] * 3, "6", "1", "1", "0", "0"]
        )
        assert not odd(outcome)
        (note,) = odd(outcome, "farthest")
        assert note["level"] == "note"
        assert note["data"]["degrees_of_freedom"] == 5
        assert "5 µm above its other readings" in note["text"]

    def test_of_the_routine_names_it_after_two_readings(self, measure: Measure) -> None:
        outcome = measure(RING + POOLED, [*ZERO, *DUSTY, *BACK])
        (asked,) = questions(outcome)
        taken = [event for event in outcome.record["events"] if event["event"] == "reading_taken"]
        assert asked["code"] == f"repeatability/outlier/{asked['seq'] - 1}"
        assert next(event for event in taken if event["seq"] == asked["seq"] - 1)["value_um"] == 6.0
        assert (asked["act"], asked["entries"]) == ("strike", [asked["seq"] - 1])

    def test_of_the_book_names_it_though_it_makes_the_run_scatter_more(self, start: Start) -> None:
        known = {"book": "b", "comparator": "C1", "scatter": {"s_um": 0.25, "dof": 60.0, "runs": 9}}
        bench = start(RING).take(e.BenchKnown, **known, standard=None, earlier=[])
        bench.answer(*ZERO, *DUSTY[:5])
        settings = RepeatabilitySettings()
        found = [f for f in watch(settings, view_of(bench.run.state, "1")) if f.holds]
        assert [f.code for f in found] == ["repeatability/outlier/10"]
        assert found[0].data["s_um"] == 0.25
        assert "9 earlier runs of C1" in found[0].text

    def test_of_the_book_does_not_count_where_everything_scatters_more(self, start: Start) -> None:
        known = {"book": "b", "comparator": "C1", "scatter": {"s_um": 0.05, "dof": 60.0, "runs": 9}}
        bench = start(RING).take(e.BenchKnown, **known, standard=None, earlier=[])
        bench.answer("0", "2", "-2", "1", "2", "1.5", "3", "4", "-1", "1.5", "2", "1", "2", "-1")
        found = list(judge(RepeatabilitySettings(), view_of(bench.run.state, "1"), ()))
        assert not [f for f in found if "outlier" in f.code and f.holds]

    def test_readings_that_are_meant_to_differ_are_left_alone(self, measure: Measure) -> None:
        outcome = measure(RING + "[checks.heat]\n" + POOLED, [*ZERO, *DUSTY, *BACK])
        assert not odd(outcome)


class TestWhileThePartIsThere:
    def test_it_is_asked_about_once_whatever_else_is_seen_of_it(self, measure: Measure) -> None:
        outcome = measure(RING + POOLED + '[checks.repeatability]\nlimit = "0.6 um"\n', [*ZERO, *DUSTY, *BACK])
        assert len(questions(outcome)) == 1

    @pytest.mark.parametrize(("first", "asks"), [("1", 0), ("3.0", 1)])
    def test_a_scatter_of_two_readings_asks_where_it_tells_something(
        self, measure: Measure, first: str, asks: int
    ) -> None:
        # 99 % of χ² with 1 degree of freedom: 6.635 (e-Handbook 1.3.6.7.4, from memory); s of two readings is their
        # difference over √2: 1 / √2 = 0.71 < 0.6 · √6.635 = 1.55 < 3 / √2 = 2.12
        outcome = measure(
            RING + '[checks.repeatability]\nlimit = "0.6 um"\n', [first, "0", "0", *["1", "2", "1.5"] * 3, *BACK]
        )
        asked = [question for question in questions(outcome) if question["text"].startswith("Readings scatter by")]
        assert len(asked) == asks
        # Of two readings neither is nearer to what is right: both are named.
        both = re.compile(
            r"Farthest from its repeats is entry \d+.* 3 µm below the other one, entry \d+: one of the two"
        )
        assert all(both.search(question["text"]) for question in asked)
        assert all(question["entries"] == [question["seq"] - 1] for question in asked)


def test_many_runs_at_once_are_each_as_by_itself(start: Start) -> None:
    seen = view_of(start(RING).answer(*ZERO, *DUSTY, *BACK).run.state, "1")
    drawn = np.rint(np.random.default_rng(8).normal(0.0, 2.0, (len(seen.readings), 300)))
    drawn[:, 1::2] *= np.random.default_rng(9).random((len(seen.readings), 150)) > 0.9  # every second one is sound
    values = [r.value_um + 0.5 * more for r, more in zip(seen.readings, drawn, strict=True)]
    for settings in ({"limit": "0.6 um"}, {"pooled": {"standard": "0.3 um", "dof": 20, "of": "readings"}}):
        model = RepeatabilitySettings.model_validate(settings)
        for call in (watch, lambda s, v: judge(s, v, ())):
            many = replace(
                seen, readings=tuple(replace(r, value_um=v) for r, v in zip(seen.readings, values, strict=True))
            )
            together = [f for f in call(model, many) if "outlier" in f.code or "limit" in f.code]
            fired = 0
            for run in range(300):
                one = tuple(replace(r, value_um=float(v[run])) for r, v in zip(seen.readings, values, strict=True))
                alone = {f.code for f in call(model, replace(seen, readings=one)) if np.all(f.holds)}
                alone = {code for code in alone if "outlier" in code or "limit" in code}
                assert {f.code for f in together if np.broadcast_to(f.holds, 300)[run]} == alone
                fired += len(alone)
            assert fired > 20


# --- how often --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def script() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "outliers.py"
    spec = importlib.util.spec_from_file_location("outliers", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["outliers"] = module
    spec.loader.exec_module(module)
    return module


RUNS = 20_000


@pytest.mark.parametrize("dial", [0.1, 0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("accepted", [True, False])
def test_sound_runs_have_an_outlier_in_one_of_a_hundred_at_most(
    dial: float, accepted: bool, script: ModuleType
) -> None:
    """Counted at the worst of five positions of the true value; the long form is `tests/benchmarks/outliers.py`."""
    share, _ = script.worst(dial, RUNS, accepted=accepted)
    # so many of the runs would be exceeded once in ten thousand if the rate were 1 % (binomial, by scipy)
    assert share * RUNS <= stats.binom.ppf(0.9999, RUNS, 0.01)


@pytest.mark.parametrize(("height", "least"), [(6.0, 0.8), (8.0, 0.97)])
def test_dust_of_several_standard_deviations_is_named(height: float, least: float, script: ModuleType) -> None:
    """Nothing published: what a known scatter gives on a dial of a standard deviation; a bound of ours."""
    case = script.Case(dial=1.0, position=0.0, accepted=True, dust_um=height * script.STEP_UM, random_position=True)
    assert script.named(case, 5000, np.random.default_rng(4))[1] > least


# --- keys of before ---------------------------------------------------------------------------


def test_a_record_whose_routine_has_the_level_of_grubbs_test_still_verifies(
    measure: Measure, catalogue: Catalogue
) -> None:
    record = copy.deepcopy(measure(RING + '[checks.repeatability]\nlimit = "6 um"\n', [*ZERO, *DUSTY, *BACK]).record)
    document = record["routine"]["document"]
    document["checks"]["repeatability"]["outlier_significance"] = 0.01
    record["routine"]["digest"] = record["events"][0]["routine_digest"] = digest_of(document)
    again = recompute({**record, "digest": digest_of_record(record)}, catalogue)
    # only what is the digest of the events' own text, which was changed here by hand
    assert [text for text in again.differences if not text.startswith("run.journal_sha256")] == []
    assert again.results == record["results"]


def test_the_key_changes_nothing(start: Start, catalogue: Catalogue) -> None:
    bench = start(RING + "[checks.repeatability]\noutlier_significance = 0.2\n")
    checks, _ = bind(bench.run.state.routine, catalogue)
    assert not checks.missing
    assert RepeatabilitySettings() in [item.settings for item in checks.bound]
