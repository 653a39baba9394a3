"""Built-in plugins that are no checks: measures, the ratio rule, units of readings, the cleaning step."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pytest

from holdzero.decide import Standing
from holdzero.errors import FileFaultsError
from holdzero.expansion import kinds_of
from holdzero.routine.load import load_routine
from holdzero.verify import verify
from holdzero_plugins.rules.ratio import RatioSettings, guard

Measure: TypeAlias = Callable[..., Any]  # see conftest

HEAD = """\
format = 1
routine = { title = "Roller", part = "RO-7" }
reference = { name = "Block 8 mm", size = "8 mm", deviation = { value = "+0.5 um", standard = "0.3 um" } }
comparator = { resolution = "0.1 um", travel = "50 um", error = { halfwidth = "0.1 um" } }
"""
STEPS = """\
[[steps]]
do = "zero"
[[steps]]
do = "repeat"
times = 2
steps = [ { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "read", at = "c" } ]
[[steps]]
do = "return"
"""
# means: a +1.0, b +2.5, c +1.2
READ = ("0", "0.9", "2.4", "1.1", "1.1", "2.6", "1.3", "0")


def shape(measure: str, *keys: str, at: str = '["a", "b", "c"]') -> str:
    return "\n".join((f'[characteristics.it]\nmeasure = "{measure}"\nat = {at}', *keys, ""))


class TestAContrast:
    # worked out by hand from the means
    @pytest.mark.parametrize(("measure_", "value"), [("crown", 2.5 - (1.0 + 1.2) / 2.0), ("taper", 1.0 - 1.2)])
    def test_is_the_weighted_sum_of_the_means(
        self, measure: Measure, catalogue: Any, measure_: str, value: float
    ) -> None:
        record = measure(HEAD + shape(measure_, 'upper = "+3 um"') + STEPS, READ).record
        result = record["results"]["it"]
        assert result["value_um"] == pytest.approx(value)
        assert sum(result["weights"].values()) == pytest.approx(0.0)
        assert verify(record, catalogue) == []

    def test_nothing_that_is_common_enters(self, measure: Measure) -> None:
        budget = measure(HEAD + shape("crown") + STEPS, READ).record["results"]["it"]["budget"]
        names = {row["name"]: row["contribution_um"] for row in budget}
        assert "deviation of the reference" not in names
        assert names["drift of zero 1.1"] == 0.0

    def test_scatter_is_that_of_the_weights(self, measure: Measure) -> None:
        # independent means of two readings each: u² = s²/2 · Σ w² (JCGM 100:2008, 5.1.2 and 4.2.3)
        budget = measure(HEAD + shape("crown") + STEPS, READ).record["results"]["it"]["budget"]
        (row,) = (row for row in budget if row["name"].startswith("repeatability"))
        s = math.sqrt(3 * 0.02 / 3)  # three places, each ±0.1 about its mean: variance 0.02
        assert row["contribution_um"] == pytest.approx(s * math.sqrt((0.25 + 1.0 + 0.25) / 2.0))

    def test_is_told_in_words_with_its_weights(self, measure: Measure) -> None:
        from holdzero.explain import explain

        lines = explain(measure(HEAD + shape("crown") + STEPS, READ).record)
        assert any("Crown at a, b, c" in line and "a × −0.5, b × 1, c × −0.5" in line for line in lines)

    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            (shape("crwn"), "did you mean crown?"),
            (shape("crown", at='["a", "b"]'), "it needs 3 places, and has 2"),
            (shape("crown", 'nominal = "8 mm"'), "with measures of the core, and no crown"),
            (shape("bow"), "no plugin that is loaded declares it"),
        ],
    )
    def test_that_can_not_be_is_refused(self, measure: Measure, text: str, expected: str) -> None:
        outcome = measure(HEAD + text + STEPS, READ)
        assert outcome.code == 2
        assert expected in outcome.said


class TestTheRatioRule:
    def standing(self, lower: float | None, upper: float | None, expanded: Any) -> Standing:
        return Standing(
            lower_um=lower,
            upper_um=upper,
            standard_uncertainty_um=expanded / 2.0,
            dof=math.inf,
            coverage_factor=2.0,
            expanded_uncertainty_um=expanded,
        )

    def test_asks_for_a_tolerance_of_four_times_two_u(self) -> None:
        settings = RatioSettings.model_validate({})
        assert guard(settings, self.standing(-4.0, 4.0, 1.0)) == 0.0
        assert guard(settings, self.standing(-3.999, 4.0, 1.0)) == math.inf
        assert guard(settings, self.standing(None, 4.0, 0.001)) == math.inf
        many = guard(settings, self.standing(-4.0, 4.0, np.array([0.5, 1.0, 1.1])))
        assert np.asarray(many).tolist() == [0.0, 0.0, math.inf]

    @pytest.mark.parametrize(
        ("limit", "verdict"),
        [('upper = "+1.45 um"', "pass"), ('upper = "+1.35 um"', "fail"), ('upper = "+0.5 um"', "undecided")],
    )
    def test_decides_by_the_value_alone_or_not_at_all(
        self, measure: Measure, catalogue: Any, limit: str, verdict: str
    ) -> None:
        lower = 'lower = "-8 um"' if verdict != "undecided" else 'lower = "0 um"'
        text = HEAD + 'decision.rule = "ratio"\n' + shape("crown", lower, limit) + STEPS
        record = measure(text, READ).record
        assert record["verdict"] == verdict
        assert "at least 4 times 2 U wide" in record["results"]["it"]["rule"]
        assert verify(record, catalogue) == []

    def test_takes_settings_and_refuses_nonsense(self, measure: Measure) -> None:
        rule = 'decision = { rule = "ratio", settings = { least = LEAST } }\n'
        wide = HEAD + rule + shape("crown", 'lower = "-2 um"', 'upper = "+2 um"') + STEPS
        assert measure(wide.replace("LEAST", "1.0"), READ).record["verdict"] == "pass"
        outcome = measure(wide.replace("LEAST", '"four"'), READ)
        assert outcome.code == 2
        assert "decision.settings.least" in outcome.said

    def test_settings_without_a_rule_of_a_plugin_are_refused(self, measure: Measure) -> None:
        outcome = measure(HEAD + "decision = { settings = { least = 1.0 } }\n" + shape("crown") + STEPS, READ)
        assert (outcome.code, "none with rule = 'guarded'" in outcome.said) == (2, True)


class TestUnitsOfReadings:
    @pytest.mark.parametrize(
        ("text", "value"),
        [("2 microns", 2.0), ("-1 micron", -1.0), ("20 microinches", 0.508), ("3 millionths", 0.0762)],
    )
    def test_are_taken_as_the_trade_says_them(self, measure: Measure, catalogue: Any, text: str, value: float) -> None:
        record = measure(answers=("0", "+0.1", "-0.1", text, text, text, "0")).record
        rows = [row for row in record["readings"] if row["kind"] == "read"]
        assert [row["value"] for row in rows] == pytest.approx([value] * 3)
        assert "units" in [item["name"] for item in record["software"]["plugins"]]
        assert verify(record, catalogue) == []

    def test_do_not_hold_in_a_routine(self, measure: Measure) -> None:
        outcome = measure(HEAD.replace("0.1 um", "0.1 micron") + shape("crown") + STEPS, READ)
        assert (outcome.code, "is no unit of length here" in outcome.said) == (2, True)

    def test_need_no_plugin_to_be_read_again(self, measure: Measure) -> None:
        from holdzero.catalogue import load_catalogue

        record = measure(answers=("0", "+0.1", "-0.1", "1 micron", "1 micron", "1.2 microns", "0")).record
        differences = verify(record, load_catalogue([]))
        assert not [text for text in differences if text.startswith("events")]


class TestTheCleaningStep:
    def load(self, tmp_path: Path, catalogue: Any, step: str) -> Any:
        path = tmp_path / "r.toml"
        text = HEAD + shape("taper") + f'[[steps]]\ndo = "clean"\n{step}\n' + STEPS
        path.write_text(text, "utf-8")
        return load_routine(path, kinds=kinds_of(catalogue)).routine.steps[0]

    def test_warns_of_the_solvent_before_the_step(self, tmp_path: Path, catalogue: Any) -> None:
        step = self.load(tmp_path, catalogue, 'what = "anvil and roller"')
        assert (step.do, step.name, step.kind) == ("prepare", "clean", "clean")
        assert "anvil and roller" in step.say
        assert "flammable" in step.caution
        assert "Safety sheets and local rules come before this text." in step.caution

    def test_without_solvent_burrs_still_cut_and_the_routine_s_own_words_come_last(
        self, tmp_path: Path, catalogue: Any
    ) -> None:
        caution = self.load(tmp_path, catalogue, 'solvent = false\ncaution = "Mind the lamp."').caution
        assert caution.startswith("Burrs cut: look, do not feel.")
        assert "Safety sheets and local rules come before this text." in caution
        assert caution.endswith("Mind the lamp.")
        assert "solvent" not in caution

    @pytest.mark.parametrize(
        ("step", "key", "mend"),
        [("solvnt = true", "steps[1].solvnt", "did you mean solvent?"), ("solvent = 1", "steps[1].solvent", "check")],
    )
    def test_a_key_that_is_wrong_is_named_where_it_stands(
        self, tmp_path: Path, catalogue: Any, step: str, key: str, mend: str
    ) -> None:
        with pytest.raises(FileFaultsError) as caught:
            self.load(tmp_path, catalogue, step)
        (fault,) = caught.value.faults
        assert (fault.key, fault.line) == (key, 10)
        assert mend in fault.mend

    def test_a_key_that_is_wrong_hides_no_other_fault(self, tmp_path: Path, catalogue: Any) -> None:
        with pytest.raises(FileFaultsError) as caught:
            self.load(tmp_path, catalogue, 'solvnt = true\n[[steps]]\ndo = "soak"')
        assert [(fault.key, fault.line) for fault in caught.value.faults] == [
            ("steps[1].solvnt", 10),
            ("steps[2].at_least", 11),
        ]
