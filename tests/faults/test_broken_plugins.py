"""Broken plugins: the run ends undecided and names them, no reading is lost, and nothing becomes a pass."""

from __future__ import annotations

import importlib.metadata
import itertools
import json
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import catalogue as loading
from holdzero.catalogue import Catalogue, Refusal, load_catalogue
from holdzero.journal import read_journal
from holdzero.testing import PLAIN, Outcome
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Outcome]
EntryPoint = importlib.metadata.EntryPoint
NUMBERS = itertools.count(1)

HEAD = """\
from holdzero.hooks import *
from holdzero.hooks import Settings


def term(name="house", **estimate):
    item = Input(name=name, estimate=Estimate.exact(0.0), unit="um", evaluation="B")
    return Term(name="house", inputs=(item,), function=lambda value: value)


def check(**functions):
    return [Check(name="house", title="a rule of the house", settings=Settings, **functions)]

"""


HOOK = "@hookimpl\ndef holdzero_checks():\n"


@pytest.fixture
def plugin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., EntryPoint]]:
    """Make an entry point of a module's text."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    made: list[str] = []

    def make(body: str, name: str = "house", head: str = HEAD) -> EntryPoint:
        module = f"broken_plugin_{next(NUMBERS)}"
        (folder / f"{module}.py").write_text(head + textwrap.dedent(body), "utf-8")
        made.append(module)
        return EntryPoint(name=name, value=module, group=loading.GROUP)

    yield make
    for module in made:
        sys.modules.pop(module, None)


class Only:
    """Loads entry points, after the built-ins or without them, and keeps what came of it for the run."""

    catalogue: Catalogue | None = None

    def __call__(self, *points: EntryPoint, built_ins: bool = True) -> Catalogue:
        installed = importlib.metadata.entry_points(group=loading.GROUP)
        own = [point for point in installed if point.value.startswith(loading.BUILT_IN)] if built_ins else []
        self.catalogue = load_catalogue([*own, *points])
        return self.catalogue


@pytest.fixture
def only() -> Only:
    """Let the tool load these entry points alone."""
    return Only()


@pytest.fixture
def measure(measure: Measure, only: Only) -> Callable[..., Outcome]:
    """Measure with the plugins that `only` loaded."""

    def go(*texts: Any, **more: Any) -> Outcome:
        return measure(*texts, catalogue=only.catalogue, **more)

    return go


@pytest.fixture
def load(plugin: Callable[..., EntryPoint], only: Only) -> Callable[[str], Catalogue]:
    """Let the tool load one plugin of this text beside the built-ins."""
    return lambda body: only(plugin(body))


@pytest.fixture
def routine() -> str:
    """The plain routine, which names the check `house`."""
    return PLAIN + "\n[checks.house]\n"


def refused(catalogue: Catalogue) -> list[Refusal]:
    """Those of this test: they belong to no distribution."""
    return [refusal for refusal in catalogue.refusals if refusal.distribution == "unknown"]


def assert_undecided_and_whole(outcome: Any, catalogue: Catalogue, named: str = "house") -> dict[str, Any]:
    """Exit 3, all seven readings kept, a stop that names the plugin, and a record that recomputes identically."""
    assert outcome.code == 3, outcome.said
    record: dict[str, Any] = outcome.record
    assert record["verdict"] == "undecided"
    stops = [finding for finding in record["findings"] if finding["level"] == "stop"]
    assert any(named in finding["text"] for finding in stops), stops
    assert [event["raw"] for event in record["events"] if event["event"] == "reading_taken"] == [
        *("0", "+0.1", "-0.1"),
        *("+1.0", "+1.1", "+0.9"),
        "0",
    ]
    assert "Traceback" not in outcome.said
    assert verify(record, catalogue) == []
    return record


class TestNotLoaded:
    @pytest.mark.parametrize(
        ("body", "reason"),
        [
            ("raise RuntimeError('no licence')", "RuntimeError: no licence"),
            ("import a_library_that_is_not_there", "No module named 'a_library_that_is_not_there'"),
            ("def broken(:\n", "SyntaxError"),
            ("import sys\nsys.exit(0)", "raised SystemExit"),
            ("raise KeyboardInterrupt", "raised KeyboardInterrupt"),
            ("@hookimpl\ndef holdzero_checks(run):\n    return []", "house"),
            ("@hookimpl\ndef holdzero_laws():\n    return []", "holdzero_laws"),
            ("def holdzero_laws():\n    return []", "holdzero_laws is no hook"),
            ("def holdzero_checks():\n    return check()", "it declares nothing"),
            ("", "it declares nothing"),
            (HOOK + "    return 7", "returned int, not a list of Check"),
            (HOOK + "    return 'house'", "returned str, not a list of Check"),
            (HOOK + "    return [7]", "returned int, not Check"),
            (HOOK + "    return None", "it declares nothing"),
            ("@hookimpl\ndef holdzero_checks():\n    raise SystemExit(0)", "raised SystemExit"),
            ("@hookimpl\ndef holdzero_checks():\n    raise ValueError('bad day')", "ValueError: bad day"),
            (HOOK + "    return check() + check()", "declares house twice"),
            (HOOK + "    return check(watch=lambda: [])", "watch must take 2"),
            (HOOK + "    return check(terms=lambda a, b: [])", "terms must take 3"),
            (HOOK + "    return check(judge='soon')", "judge must take 3"),
            (
                HOOK + "    return [Check(name='house', title='', settings=dict)]",
                "settings must be a class",
            ),
            (
                HOOK + "    return [Check(name='a b', title='', settings=Settings)]",
                "can't be a name",
            ),
            (
                f"class Own(Check): pass\n{HOOK}    return [Own(name='house', title='', settings=Settings)]",
                "returned Own, not Check",
            ),
        ],
    )
    def test_the_run_ends_undecided_with_the_reason(
        self,
        body: str,
        reason: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        measure: Measure,
        routine: str,
    ) -> None:
        catalogue = only(plugin(body))
        (refusal,) = refused(catalogue)
        assert reason in refusal.reason
        assert refusal.name == "house"

        record = assert_undecided_and_whole(measure(routine), catalogue)

        (stop,) = [finding for finding in record["findings"] if finding["level"] == "stop"]
        assert reason in stop["text"]

    @pytest.mark.parametrize(
        "body",
        [
            "import threading\nthreading.Event().wait(3600)",
            "import threading\n@hookimpl\ndef holdzero_checks():\n    threading.Event().wait(3600)\n    return check()",
        ],
        ids=["import", "hook"],
    )
    def test_one_that_hangs_is_given_up(
        self,
        body: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        measure: Measure,
        routine: str,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(loading, "IMPORT_LIMIT_S", 0.2)
        catalogue = only(plugin(body))
        assert "not done within 0.2 s" in refused(catalogue)[0].reason
        assert_undecided_and_whole(measure(routine), catalogue)

    def test_a_missing_plugin_is_named(self, only: Only, measure: Measure, routine: str) -> None:
        record = assert_undecided_and_whole(measure(routine), only())
        (stop,) = [finding for finding in record["findings"] if finding["level"] == "stop"]
        assert "house failed in loading: no plugin that is loaded declares it" in stop["text"]

    def test_a_plugin_of_another_name_that_was_refused_is_named_too(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, routine: str
    ) -> None:
        catalogue = only(plugin("raise RuntimeError('no licence')", name="rules_of_ours"))
        assert_undecided_and_whole(measure(routine), catalogue, "rules_of_ours was refused: RuntimeError: no licence")

    def test_nobody_else_is_harmed(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, routine: str
    ) -> None:
        catalogue = only(plugin("raise RuntimeError", name="another"))
        outcome = measure(routine.replace("\n[checks.house]\n", ""))
        assert outcome.code == 0
        assert catalogue.has_built_ins


SOUND = HOOK + "    return check(judge=lambda settings, run, all_of_them: [])"


class TestTwoOfOneName:
    def test_neither_is_used_since_none_can_be_told_to_be_meant(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, routine: str
    ) -> None:
        catalogue = only(plugin(SOUND), plugin(SOUND))
        assert len(refused(catalogue)) == 2
        assert all("declares the check house too; keep one" in refusal.reason for refusal in refused(catalogue))
        assert_undecided_and_whole(measure(routine), catalogue)

    def test_the_same_check_in_two_plugins(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, routine: str
    ) -> None:
        catalogue = only(plugin(SOUND, name="ours"), plugin(SOUND, name="theirs"), plugin(SOUND, name="third"))
        assert [refusal.name for refusal in refused(catalogue)] == ["ours", "theirs", "third"]
        assert_undecided_and_whole(measure(routine), catalogue, "ours was refused: the plugin theirs, installed with")

    def test_a_built_in_can_not_be_replaced(self, plugin: Callable[..., EntryPoint], only: Only) -> None:
        shadow = SOUND + "[:0] + [Check(name='thermal', title='', settings=Settings)]"
        catalogue = only(plugin(shadow), plugin(SOUND, name="thermal"))
        assert catalogue.checks["thermal"][0].module == "holdzero_plugins.checks.thermal"
        assert "house" not in catalogue.checks
        assert len(refused(catalogue)) == 2


RAISES = "raise ValueError('bad day')"


class TestCheckThatFails:
    @pytest.mark.parametrize("during", ["watch", "terms", "judge"])
    @pytest.mark.parametrize(
        ("what", "told"),
        [
            (RAISES, "ValueError: bad day"),
            ("raise SystemExit(0)", "SystemExit: 0"),
            ("raise RecursionError", "RecursionError"),
            ("return 7", "TypeError"),
            ("return None", "TypeError"),
            ("return [7]", "it returned int"),
            ("return [run]", "it returned RunView"),
            ("yield 'a finding'", "it returned str"),
            ("raise KeyError(object())", "KeyError: <object object>"),
        ],
    )
    def test_the_run_goes_on_and_ends_undecided(
        self,
        during: str,
        what: str,
        told: str,
        load: Callable[[str], Catalogue],
        measure: Measure,
        routine: str,
    ) -> None:
        body = f"def broken(settings, run, *rest):\n    {what}\n\n"
        catalogue = load(f"{body}{HOOK}    return check({during}=broken)")
        assert not refused(catalogue)

        record = assert_undecided_and_whole(measure(routine), catalogue)

        (stop,) = [finding for finding in record["findings"] if finding["level"] == "stop"]
        assert stop["code"] == "house/failed"
        assert f"failed in {during}: " in stop["text"]
        assert told in stop["text"]

    def test_one_that_fails_in_watch_is_noted_once_even_when_resumed(
        self,
        plugin: Callable[..., EntryPoint],
        only: Only,
        measure: Measure,
        routine: str,
    ) -> None:
        from holdzero.cli.conduct import Options, resume_run

        body = f"def broken(settings, run):\n    {RAISES}\n\n@hookimpl\ndef holdzero_checks():\n"
        catalogue = only(plugin(body + "    return check(watch=broken)"))
        outcome = measure(routine, answers=("0", "+0.1"))
        assert outcome.code == 4
        rest = outcome.folder / "rest.csv"
        rest.write_text("time,answer\n,-0.1\n,1\n,1\n,1\n,0\n", "utf-8")
        shop = outcome.folder / "shop.toml"
        source = f"readings:{rest}"
        options = Options(
            source=source, out=outcome.folder, json=False, shop=shop, overrule=None, choices={}, catalogue=catalogue
        )
        assert resume_run(outcome.journal, options, routine=None) == 3
        events = read_journal(outcome.journal).events
        assert [type(event).__name__ for event in events].count("PluginFailed") == 1

    @pytest.mark.parametrize(
        ("finding", "told"),
        [
            ("level='stop', code='x', text='y', characteristic='thicknes'", "no characteristic of the routine"),
            ("level='pass', code='x', text='y'", "'pass' is not a valid Level"),
            ("level='stop', code=7, text='y'", "must be text"),
            ("level='stop', code='x', text=None", "must be text"),
            ("level='stop', code='x', text='y', holds=None", "holds must be true or false"),
            ("level='stop', code='x', text='y', holds=float('nan')", "holds must be true or false"),
            ("level='stop', code='x', text='y', data={'a_um': 'much'}", "must be a real number"),
            ("level='stop', code='x', text='y', data=7", "AttributeError"),
        ],
    )
    @pytest.mark.parametrize("during", ["watch", "judge"])
    def test_a_finding_that_is_none(
        self,
        finding: str,
        told: str,
        during: str,
        load: Callable[[str], Catalogue],
        measure: Measure,
        routine: str,
    ) -> None:
        body = f"def broken(settings, run, *rest):\n    return [Finding({finding})]\n\n"
        catalogue = load(f"{body}{HOOK}    return check({during}=broken)")
        record = assert_undecided_and_whole(measure(routine), catalogue)
        assert any(told in finding["text"] for finding in record["findings"])


def terms(inputs: str, function: str) -> str:
    return (
        f"def broken(settings, run, characteristic):\n"
        f"    return [Term(name='house', inputs=({inputs},), function={function})]\n\n"
        f"{HOOK}    return check(terms=broken)"
    )


def made_input(name: str, estimate: str) -> str:
    return f"Input(name={name!r}, estimate={estimate}, unit='um', evaluation='B')"


HOUSE = made_input("house", "Estimate.exact(0.0)")


class TestTermsThatSpoilTheModel:
    @pytest.mark.parametrize(
        ("inputs", "function"),
        [
            (HOUSE, "lambda value: float('nan')"),
            (HOUSE, "lambda value: float('inf')"),
            (HOUSE, "lambda value: None"),
            (HOUSE, "lambda value: 'a lot'"),
            (HOUSE, "lambda: 0.0"),
            (HOUSE, "lambda value: 1 / 0"),
            # First order asks for single numbers, second order for many at once.
            (made_input("house", "Estimate.of(1.0, 0.1)"), "lambda value: __import__('math').pow(value, 2.0)"),
            (HOUSE, "7"),
            ("7", "lambda value: value"),
            (made_input("house", "0.0"), "lambda value: value"),
            (made_input("house", "Estimate.exact(float('nan'))"), "lambda value: value"),
            (made_input("house", "Estimate.exact(float('inf'))"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, float('nan'))"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, float('inf'))"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, 0.1, dof=0.0)"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, 0.1, dof=float('nan'))"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, 0.1, dof=-1.0)"), "lambda value: value"),
            (made_input("house", "Estimate.of(0.0, -0.1)"), "lambda value: value"),
            (made_input("deviation of the reference", "Estimate.of(0.0, 0.001)"), "lambda value: value"),
            (made_input("difference read, thickness", "Estimate.exact(0.0)"), "lambda value: value"),
            (made_input("error of the comparator", "Estimate.of(5.0, 0.0)"), "lambda value: value"),
        ],
    )
    def test_the_rest_is_still_computed_and_the_culprit_named(
        self,
        inputs: str,
        function: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        measure: Measure,
        routine: str,
    ) -> None:
        catalogue = only(plugin(terms(inputs, function)))
        assert not refused(catalogue)
        record = assert_undecided_and_whole(measure(routine), catalogue)
        result = record["results"]["thickness"]
        assert result["verdict"] == "undecided"
        assert result["value_um"] == pytest.approx(1.0)

    def test_a_sound_check_beside_it_still_counts(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, routine: str
    ) -> None:
        catalogue = only(plugin(terms(HOUSE, "lambda value: float('nan')")))
        record = assert_undecided_and_whole(measure(routine), catalogue)
        assert "repeatability" in record["results"]["thickness"]["corrections_um"]


WRITER = """
def write(record):
    {what}

@hookimpl
def holdzero_writers():
    return [Writer(name="house", title="a paper of the house", write=write)]
"""


class TestWriterThatFails:
    @pytest.mark.parametrize(
        ("what", "told"),
        [
            ("raise ValueError('no ink')", "ValueError: no ink"),
            ("raise SystemExit(1)", "SystemExit: 1"),
            ("return None", "AttributeError"),
            ("return {'.txt': 'not bytes'}", "TypeError"),
            ("return {7: b''}", "TypeError"),
            ("return {'.record.json': b'{}'}", "must not be written over"),
            ("return {'-mine.txt': b''}", "must not be written over"),
        ],
    )
    def test_record_and_exit_code_are_as_without_it(
        self,
        what: str,
        told: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        measure: Measure,
    ) -> None:
        only(plugin(WRITER.format(what=what)))
        outcome = measure()
        assert outcome.code == 0
        assert "writer house failed: " in outcome.said
        assert told in outcome.said
        (path,) = outcome.folder.glob("*.record.json")
        assert json.loads(path.read_text("utf-8")) == outcome.record

    def test_the_journal_can_not_be_written_over(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure
    ) -> None:
        only(plugin(WRITER.format(what="return {'.journal.jsonl': b''}")))
        outcome = measure(serials=())
        assert outcome.code == 0
        assert "must not be written over" in outcome.said
        assert len(read_journal(outcome.journal).events) == 9

    def test_nothing_is_written_outside_the_folder(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure, tmp_path: Path
    ) -> None:
        only(plugin(WRITER.format(what="return {'./../../outside.txt': b'x'}")))
        outcome = measure()
        assert outcome.code == 0
        (path,) = tmp_path.rglob("*outside*")
        assert path.parent == outcome.folder

    def test_what_it_does_to_its_record_reaches_nobody(
        self, plugin: Callable[..., EntryPoint], only: Only, measure: Measure
    ) -> None:
        catalogue = only(plugin(WRITER.format(what="record['verdict'] = 'pass'; record['results'].clear(); return {}")))
        outcome = measure(answers=("0", "0.1", "-0.1", "+9", "+9", "+9", "0"))
        assert outcome.code == 1
        assert outcome.record["verdict"] == "fail"
        assert verify(outcome.record, catalogue) == []


SOURCE = """
class Feed:
    def __init__(self):
        self.left = ["0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0"]

    def answer(self, prompt, now_s):
        if prompt.asks is Asks.CONFIRM:
            return Answer("")
        {what}
        return Answer(self.left.pop(0))

    def blame(self, reason):
        {blame}

    def close(self):
        {close}


def open_it(argument, ask):
    {opening}


@hookimpl
def holdzero_sources():
    return [Source(name="gauge", title="", open=open_it, interactive=False, keeps_time=True, simulated=False)]
"""
SOUND_SOURCE = {
    "what": "pass",
    "blame": "return SourceError(reason)",
    "close": "pass",
    "opening": "return Feed()",
}


def from_source(folder: Path, routine: str, catalogue: Catalogue) -> tuple[int, Path]:
    from holdzero.cli.conduct import Options, run_routine

    path = folder / "routine.toml"
    path.write_text(routine, "utf-8")
    shop, out = folder / "shop.toml", folder / "out"
    options = Options(source="gauge", out=out, json=False, shop=shop, overrule=None, choices={}, catalogue=catalogue)
    return run_routine(path, options, operator=None, serials=(), member=None), out


class TestSourceThatFails:
    @pytest.mark.parametrize(
        ("what", "told"),
        [
            ("if len(self.left) == 3: raise ValueError('cable out')", "ValueError: cable out"),
            ("if len(self.left) == 3: raise SystemExit(0)", "SystemExit: 0"),
            ("if len(self.left) == 3: return None", "None is no answer"),
            ("if len(self.left) == 3: return '+1.1'", "'+1.1' is no answer"),
            ("if len(self.left) == 3: return Answer(1.1)", "is no answer"),
            ("if len(self.left) == 3: return Answer('+1.1', float('nan'))", "is no answer"),
            ("if len(self.left) == 3: return Answer('+1.1', 'noon')", "is no answer"),
        ],
    )
    def test_what_it_said_before_is_kept_and_no_verdict_given(
        self,
        what: str,
        told: str,
        load: Callable[[str], Catalogue],
        routine: str,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        catalogue = load(SOURCE.format(**{**SOUND_SOURCE, "what": what}))
        code, out = from_source(tmp_path, routine, catalogue)
        assert code == 2
        said = capsys.readouterr().err
        assert "the source gauge failed: " in said
        assert told in said
        assert "holdzero resume" in said
        (journal,) = out.glob("*.journal.jsonl")
        assert len(read_journal(journal).events) == 1 + 4
        assert not list(out.glob("*.record.json"))

    @pytest.mark.parametrize("blame", ["return None", "raise ValueError", "raise SystemExit(0)"])
    def test_one_that_can_not_even_be_blamed(
        self,
        blame: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        routine: str,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        odd = {**SOUND_SOURCE, "what": "if len(self.left) == 3: return Answer('ERR')", "blame": blame}
        catalogue = only(plugin(SOURCE.format(**odd), name="gauge"))
        code, _ = from_source(tmp_path, routine, catalogue)
        assert code == 2
        assert "'ERR' is no reading" in capsys.readouterr().err

    def test_one_that_can_not_be_closed(
        self, plugin: Callable[..., EntryPoint], only: Only, routine: str, tmp_path: Path
    ) -> None:
        catalogue = only(plugin(SOURCE.format(**{**SOUND_SOURCE, "close": "raise OSError('gone')"}), name="gauge"))
        assert from_source(tmp_path, routine.replace("[checks.house]", ""), catalogue)[0] == 0

    @pytest.mark.parametrize("opening", ["raise OSError('no such port')", "raise SystemExit(0)"])
    def test_one_that_can_not_be_opened(
        self,
        opening: str,
        plugin: Callable[..., EntryPoint],
        only: Only,
        routine: str,
        tmp_path: Path,
    ) -> None:
        from holdzero.errors import SourceError

        catalogue = only(plugin(SOURCE.format(**{**SOUND_SOURCE, "opening": opening}), name="gauge"))
        with pytest.raises(SourceError, match="the source gauge could not be opened"):
            from_source(tmp_path, routine, catalogue)


class TestNoBuiltIns:
    def test_the_core_steps_run_and_the_end_says_what_is_missing(
        self,
        plugin: Callable[..., EntryPoint],
        only: Only,
        routine: str,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        catalogue = only(plugin(SOURCE.format(**SOUND_SOURCE), name="gauge"), built_ins=False)
        assert not catalogue.has_built_ins
        assert not catalogue.checks

        code, out = from_source(tmp_path, routine.replace("[checks.house]", ""), catalogue)

        assert code == 3
        (path,) = out.glob("*.record.json")
        record = json.loads(path.read_text("utf-8"))
        assert record["verdict"] == "undecided"
        stops = [finding["text"] for finding in record["findings"] if finding["level"] == "stop"]
        assert {stop.split()[2] for stop in stops} == {"places", "plausibility", "repeatability", "zero_return"}
        assert all("reinstall holdzero" in stop for stop in stops)
        assert record["results"]["thickness"]["value_um"] == pytest.approx(1.0)
        assert "reinstall holdzero" in capsys.readouterr().out

    def test_nothing_at_all_names_the_mend(self, only: Only, measure: Measure) -> None:
        only(built_ins=False)
        outcome = measure()
        assert outcome.code == 2
        assert "reinstall holdzero" in outcome.said
