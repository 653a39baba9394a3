"""A zero that is taken on the part itself: no block, no size, and nothing is made up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.cli import app
from holdzero.errors import Fault, FileFaultsError
from holdzero.expect import Ideal, begun, expect
from holdzero.foresee import foreseen
from holdzero.rehearse.many import Rehearsal
from holdzero.routine.load import load_routine

Measure = Callable[..., Any]

ROUTINE = """\
format = 1

[routine]
title = "Lacquer on a plate"
part = "P-1"

[reference]
place = "bare"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.lacquer]
measure = "step"
at = "covered"
from = "bare"
lower = "4 um"
upper = "7 um"

[characteristics.flat]
measure = "variation"
at = ["bare", "far"]
upper = "2 um"

"""
STEPS = """\
[[steps]]
do = "zero"
times = 2

[[steps]]
do = "repeat"
times = 2
steps = [
    { do = "read", at = "bare" },
    { do = "read", at = "covered" },
    { do = "read", at = "far" },
]

[[steps]]
do = "return"
"""
ANSWERS = ["0", "0.1", "0", "5.5", "0.5", "0.1", "5.4", "0.4", "0"]
BLOCK = 'size = "1 mm"\ndeviation = "0 um"\nmaterial = "steel"'


@pytest.fixture
def faults(tmp_path: Path) -> Callable[[str], tuple[Fault, ...]]:
    def go(text: str) -> tuple[Fault, ...]:
        path = tmp_path / "plate.toml"
        path.write_text(text, "utf-8")
        with pytest.raises(FileFaultsError) as caught:
            load_routine(path)
        return caught.value.faults

    return go


class TestARun:
    def test_gives_what_a_block_would_give(self, measure: Measure) -> None:
        # A difference within the part: what all readings share cancels (JCGM 100:2008, 5.1.2).
        own = measure(ROUTINE + STEPS, ANSWERS).record["results"]
        of_a_block = measure(ROUTINE.replace('place = "bare"', BLOCK) + STEPS, ANSWERS).record["results"]
        assert own["lacquer"]["value_um"] == pytest.approx((5.5 + 5.4) / 2 - (0.0 + 0.1) / 2)
        assert own["flat"]["value_um"] == pytest.approx((0.5 + 0.4) / 2 - (0.0 + 0.1) / 2)
        for name, result in own.items():
            for key in ("value_um", "standard_uncertainty_um", "degrees_of_freedom", "verdict"):
                assert result[key] == of_a_block[name][key]

    def test_asks_for_the_place_and_for_no_block(self, tmp_path: Path) -> None:
        path = tmp_path / "plate.toml"
        path.write_text(ROUTINE + STEPS, "utf-8")
        loaded = load_routine(path)
        run = begun(loaded.document, loaded.digest)
        bench, titles, words = Ideal(run, 0.0, {}, {}), [], []
        while (prompt := run.prompt) is not None:
            titles.append(prompt.title)
            words.append(prompt.say)
            run = run.take(bench.answer(run, prompt))
        assert titles[0] == "Zero on place bare, reading 1 of 2"
        assert titles[-2] == "Return to place bare"
        assert words[0].startswith("Lower the tip gently on place bare. Set the dial to zero.")
        assert words[-2].startswith("Put place bare back under the tip.")
        assert not any("reference" in text for text in (*titles, *words))

    def test_is_recorded_as_what_it_is(self, measure: Measure) -> None:
        record = measure(ROUTINE + STEPS, ANSWERS).record
        assert record["register"]["reference"] == {"name": "place bare of the part", "overruled": None}
        assert not [name for name in record["not_recorded"] if "reference" in name]

    def test_has_its_return_and_its_limit(self, measure: Measure) -> None:
        outcome = measure(ROUTINE + STEPS, [*ANSWERS[:-1], "3"])
        assert "bracket/limit" in outcome.codes("stop")


class TestASize:
    def test_is_refused(self, faults: Callable[[str], tuple[Fault, ...]]) -> None:
        text = ROUTINE.replace('"variation"\nat = ["bare", "far"]', '"size"\nat = "far"') + STEPS
        (fault,) = faults(text)
        assert (fault.found, fault.expected) == (
            "the size flat from a zero on place bare",
            "a reference of known size",
        )

    def test_is_refused_of_a_check_standard_too(self, faults: Callable[[str], tuple[Fault, ...]]) -> None:
        block = '[check_standard]\nsize = "1 mm"\ndeviation = "0 um"\nlimit = "1 um"\n\n'
        (fault,) = faults(ROUTINE + block + STEPS)
        assert fault.found == "a check standard beside a zero on the part"

    @pytest.mark.parametrize(
        ("more", "key"), [('size = "1 mm"', "reference.size"), ('plaice = "x"', "reference.plaice")]
    )
    def test_or_any_other_key_has_no_place_there(
        self, faults: Callable[[str], tuple[Fault, ...]], more: str, key: str
    ) -> None:
        text = ROUTINE.replace('place = "bare"', f'place = "bare"\n{more}') + STEPS
        (fault,) = faults(text)
        assert (fault.key, fault.line) == (key, text.splitlines().index(more) + 1)


class TestBeforeARun:
    def test_it_is_foreseen_expected_and_rehearsed(self, tmp_path: Path, catalogue: Catalogue) -> None:
        path = tmp_path / "plate.toml"
        path.write_text(ROUTINE + STEPS, "utf-8")
        loaded = load_routine(path)
        checks, _ = bind(loaded.routine, catalogue, loaded.origins)
        assert foreseen(loaded, checks) == ()
        lacquer = expect(loaded.document, loaded.digest, checks)[1][0].result
        assert lacquer.propagated is not None
        assert float(lacquer.propagated.value_um) == pytest.approx(5.5)
        what = Rehearsal(document=loaded.document, digest=loaded.digest, checks=checks, of="lacquer", scatter_um=0.1)
        assert what.ideal().results[0].decision is not None


class TestAScenario:
    def test_has_no_block_that_could_be_wrong(self, tmp_path: Path) -> None:
        path, scenario = tmp_path / "plate.toml", tmp_path / "wrong.toml"
        path.write_text(ROUTINE + STEPS, "utf-8")
        lines = ("format = 1", 'title = "wrong block"', 'scatter = "0.1 um"', 'reference_error = "2 um"')
        scenario.write_text("\n".join(lines), "utf-8")
        told = CliRunner().invoke(app, ["rehearse", str(path), "--scenario", str(scenario), "--runs", "20"])
        assert isinstance(told.exception, FileFaultsError)
        assert [(fault.key, fault.line) for fault in told.exception.faults] == [("reference_error", 4)]


class TestTheBook:
    def test_is_asked_though_no_block_is_chosen(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tmp_path)
        Path("plate.toml").write_text(ROUTINE + STEPS, "utf-8")
        Path("plate.csv").write_text("time,answer\n" + "".join(f",{answer}\n" for answer in ANSWERS), "utf-8")
        words = ["run", "plate.toml", "--source", "readings:plate.csv", "--out", "out", "--book", "sqlite:///book.db"]
        told = CliRunner().invoke(app, words)
        assert told.exit_code == 0, told.output
        (journal,) = Path("out").glob("*.journal.jsonl")
        assert sum('"bench_known"' in line for line in journal.read_text("utf-8").splitlines()) == 1
