"""Plugins that want a pass where there is none: +9 um is beyond the limits, and stays so, or nothing is decided.

What nobody can stop in one process is not tried here; see plugins/README.md.
"""

from __future__ import annotations

import importlib.metadata
import itertools
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeAlias

import pytest

import holdzero.record  # noqa: F401  as the command does, before a house plugin is loaded
from holdzero import catalogue as loading
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.cli.inspect import verify_records
from holdzero.routine.load import load_routine
from holdzero.testing import PLAIN, Outcome
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Outcome]
EntryPoint = importlib.metadata.EntryPoint
NUMBERS = itertools.count(1)
TOO_LARGE = ("0", "+0.1", "-0.1", "+9.0", "+9.1", "+8.9", "0")

HEAD = """\
import dataclasses, sys
from holdzero.hooks import *
from holdzero.hooks import Settings

TABLE = "[checks.house]"


def nothing(settings, run, *rest):
    return []


def moved(name="house", by=-9.0, function=None, value=0.0):
    item = Input(name=name, estimate=Estimate.exact(value), unit="um", evaluation="B")
    return Term(name="house", inputs=(item,), function=function or (lambda value: value + by))


"""


def declared(**functions: str) -> str:
    given = "".join(f", {name}={function}" for name, function in functions.items())
    return f"""
@hookimpl
def holdzero_checks():
    return [Check(name="house", title="a rule of the house", settings=Settings{given})]
"""


@pytest.fixture
def load(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], Catalogue]]:
    """Load a plugin of this text beside the built-in ones."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    made: list[str] = []

    def go(body: str) -> Catalogue:
        module = f"meddling_plugin_{next(NUMBERS)}"
        (folder / f"{module}.py").write_text(HEAD + textwrap.dedent(body), "utf-8")
        made.append(module)
        installed = importlib.metadata.entry_points(group=loading.GROUP)
        own = [point for point in installed if point.value.startswith(loading.BUILT_IN)]
        return load_catalogue([*own, EntryPoint(name="house", value=module, group=loading.GROUP)])

    yield go
    for module in made:
        sys.modules.pop(module, None)


@pytest.fixture
def attacked(load: Callable[[str], Catalogue], measure: Measure) -> Callable[..., dict[str, Any]]:
    """The record of +9 um with such a plugin; it recomputes identically."""

    def go(body: str, routine: str = PLAIN + "\n[checks.house]\n", answers: tuple[str, ...] = TOO_LARGE) -> Any:
        catalogue = load(body)
        outcome = measure(routine, answers=answers, catalogue=catalogue)
        assert "Traceback" not in outcome.said
        assert verify(outcome.record, catalogue) == []
        return outcome.record

    return go


def stops(record: dict[str, Any]) -> list[str]:
    return [finding["text"] for finding in record["findings"] if finding["level"] == "stop"]


WIDE = "run.routine.characteristics['thickness'].model_copy(update={'upper': 99.0})"

MEDDLING = {
    "replace in the dict of characteristics": (
        "watch",
        f"    run.routine.characteristics['thickness'] = {WIDE}\n",
        "run.routine.characteristics.thickness.upper",
    ),
    "the same in judge": (
        "judge",
        f"    run.routine.characteristics['thickness'] = {WIDE}\n",
        "run.routine.characteristics.thickness.upper",
    ),
    "object.__setattr__ on the limits": (
        "terms",
        "    object.__setattr__(rest[0].spec, 'upper', 99.0)\n",
        "thickness.upper",
    ),
    "object.__setattr__ on the readings": (
        "watch",
        "    for reading in run.readings: object.__setattr__(reading, 'value_um', 0.0)\n",
        "run.readings[0].value_um",  # not the zero's: it read 0 and reads 0
    ),
    "object.__setattr__ on the weights": (
        "terms",
        "    object.__setattr__(rest[0], 'weights', (0.0,) * len(rest[0].weights))\n",
        "characteristics[0].weights",
    ),
    "what calls itself equal to anything": (
        "watch",
        "    own = type('Own', (float,), {'__eq__': lambda *two: True})(9)\n    vars(run)['now_s'] = own\n",
        "run.now_s",
    ),
    "vars of the view": ("judge", "    vars(run)['readings'] = ()\n", "run.readings"),
    "the comparator's error": (
        "watch",
        "    object.__setattr__(run.comparator.error.parts[0], 'value', 9.0)\n",
        "comparator.error.parts[0].value",
    ),
    "the table of another check": (
        "watch",
        "    run.routine.checks['thermal'] = {'lowest': '0 degC'}\n",
        "run.routine",
    ),
    "a monkeypatched function": (
        "terms",
        "    import holdzero.evaluate as e\n    e.decide = lambda *a, **k: None\n",
        "holdzero.evaluate.decide",
    ),
    "another code in the same function": (
        "watch",
        "    import holdzero.decide as d\n    d.decide.__code__ = (lambda *a, **k: None).__code__\n",
        "holdzero.decide.decide",
    ),
    "a method of a class": (
        "judge",
        "    import holdzero.result as r\n    r.Result.passed = property(lambda self: True)\n",
        "holdzero.result.Result.passed",
    ),
    "an attribute of a class": (
        "judge",
        "    import holdzero.run.state as s\n    s.Reading.value_um = property(lambda self: 0.0)\n",
        "holdzero.run.kept.Reading.value_um",
    ),
    "a method that the class did not have": (
        "watch",
        "    from holdzero.run.kept import Reading as r\n    r.__getattribute__ = lambda self, name: 0.0\n",
        "holdzero.run.kept.Reading.__getattribute__",
    ),
    "the word of a verdict": (
        "judge",
        "    import holdzero.decide as d\n    d.Verdict.FAIL._value_ = 'pass'\n",
        "holdzero.decide.Verdict.FAIL._value_",
    ),
    "a constant": (
        "watch",
        "    import holdzero.model_findings as m\n    m.NOTICEABLE = 1e9\n",
        "holdzero.model_findings.NOTICEABLE",
    ),
    "a table": (
        "watch",
        "    import holdzero.cli.conduct as c\n    c.EXIT_CODES['fail'] = 0\n",
        "holdzero.cli.conduct.EXIT_CODES.fail",
    ),
    "a name that hides a built-in function": (
        "terms",
        "    import holdzero.evaluate as e\n    e.float = lambda number: 0.0\n",
        "holdzero.evaluate.float",
    ),
    "a function of a built-in plugin": (
        "judge",
        "    import holdzero_plugins.checks.thermal as t\n    t.correction = lambda *a: -9.0\n",
        "holdzero_plugins.checks.thermal.correction",
    ),
    "another module in sys.modules": (
        "terms",
        "    sys.modules['holdzero.decide'] = sys.modules['holdzero.limit']\n",
        "holdzero.decide",
    ),
}


class TestWhatIsHandedOut:
    @pytest.mark.parametrize(("during", "what", "named"), MEDDLING.values(), ids=MEDDLING)
    def test_changes_nothing_and_the_plugin_is_named(
        self, during: str, what: str, named: str, attacked: Callable[..., dict[str, Any]]
    ) -> None:
        body = f"def meddle(settings, run, *rest):\n{what}    return []\n{declared(**{during: 'meddle'})}"
        record = attacked(body)
        assert record["verdict"] == "undecided"
        (result,) = record["results"].values()
        assert result["value_um"] == pytest.approx(9.0)
        assert result["upper_um"] == 3.0
        (stop,) = stops(record)
        assert "The check house failed in " in stop
        if named != "run.readings[0].value_um":
            assert named in stop

    def test_settings_of_its_own(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "class Own(Settings):\n    by: list[float] = [0.0]\n\n"
            "def watch(settings, run):\n    settings.by[0] = -9.0\n    return []\n\n"
            "def terms(settings, run, one):\n    by = settings.by[0]\n    return [moved(by=by)]\n"
            + declared(watch="watch", terms="terms").replace("settings=Settings", "settings=Own")
        )
        record = attacked(body)
        assert (record["verdict"], record["results"]["thickness"]["value_um"]) == ("undecided", pytest.approx(9.0))
        assert any("it changed what it was handed (settings" in stop for stop in stops(record))

    def test_the_standing_of_a_rule(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "def guard(settings, standing):\n    object.__setattr__(standing, 'upper_um', 99.0)\n    return 0.0\n\n"
            "@hookimpl\ndef holdzero_rules():\n"
            "    return [GuardRule(name='house', title='', settings=Settings, guard=guard, words=lambda s: 'Ours.')]\n"
        )
        record = attacked(body, routine=PLAIN + '\n[decision]\nrule = "house"\n')
        assert record["verdict"] == "undecided"
        assert any("rule house failed in guard" in stop and "upper_um" in stop for stop in stops(record))

    def test_a_tool_that_is_changed_when_the_plugin_is_loaded(self, load: Callable[[str], Catalogue]) -> None:
        import holdzero.evaluate
        from holdzero.decide import decide

        catalogue = load("import holdzero.evaluate as e\ne.decide = lambda *a, **k: None\n" + declared(judge="nothing"))
        assert vars(holdzero.evaluate)["decide"] is decide
        (refusal,) = [one for one in catalogue.refusals if one.name == "house"]
        assert "holdzero.evaluate.decide" in refusal.reason

    @pytest.mark.parametrize(
        ("what", "named"),
        [
            (
                "from holdzero.run.kept import Reading as r\nr.__getattribute__ = lambda self, name: 0.0\n",
                "holdzero.run.kept.Reading.__getattribute__",
            ),
            ("import holdzero.decide as d\nd.Verdict.FAIL._value_ = 'pass'\n", "holdzero.decide.Verdict.FAIL._value_"),
            (
                "import holdzero_plugins.checks.thermal as t\nt.correction = lambda *a: -9.0\n",
                "holdzero_plugins.checks.thermal.correction",
            ),
        ],
        ids=["a method more", "the word of a verdict", "a built-in plugin"],
    )
    def test_a_class_or_a_built_in_plugin_that_is_changed_when_the_plugin_is_loaded(
        self, what: str, named: str, load: Callable[[str], Catalogue]
    ) -> None:
        catalogue = load(what + declared(judge="nothing"))
        (refusal,) = [one for one in catalogue.refusals if one.name == "house"]
        assert named in refusal.reason

    def test_a_tool_that_a_source_changes(
        self, load: Callable[[str], Catalogue], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        from holdzero.cli.conduct import run_routine
        from holdzero.cli.opening import Options

        body = (
            "class Feed:\n"
            "    def answer(self, prompt, now_s):\n"
            "        import holdzero.evaluate as e\n"
            "        e.decide = lambda *a, **k: None\n"
            "        return Answer(raw='0 um')\n"
            "    def blame(self, reason): return None\n"
            "    def close(self): pass\n\n"
            "@hookimpl\ndef holdzero_sources():\n"
            "    return [Source(name='house', title='', open=lambda argument, ask: Feed(), interactive=False,\n"
            "        keeps_time=False, simulated=True)]\n"
        )
        routine = tmp_path / "routine.toml"
        routine.write_text(PLAIN, "utf-8")
        options = Options(
            source="house",
            out=tmp_path / "records",
            json=False,
            shop=None,
            overrule=None,
            choices={},
            catalogue=load(body),
        )
        assert run_routine(routine, options, operator="A", serials=("1",), member=None) == 2
        said = capsys.readouterr().err
        assert "changed the tool while the source house was asked" in said
        assert "in the place of holdzero.evaluate.decide" in said

    def test_a_measure_that_gives_other_weights_later(self, load: Callable[[str], Catalogue], tmp_path: Path) -> None:
        body = (
            "called = []\n\ndef weights(places):\n    called.append(places)\n"
            "    return [1.0, -1.0] if len(called) == 1 else [1e-30, -1e-30]\n\n"
            "@hookimpl\ndef holdzero_measures():\n    return [Contrast(name='house', title='', weights=weights)]\n"
        )
        path = tmp_path / "routine.toml"
        text = PLAIN.replace('measure = "size"', 'measure = "house"')
        path.write_text(text.replace('at = "a"\nnominal = "5 mm"', 'at = ["a", "b"]'), "utf-8")
        loaded = load_routine(path)
        checks, _ = bind(loaded.routine, load(body), loaded.origins)
        assert [checks.contrasts["house"].weights(2) for _ in range(2)] == [(1.0, -1.0)] * 2

    @pytest.mark.parametrize("says", ["chr(0xd800)", "(_ for _ in ()).throw(SystemExit(0))"])
    def test_an_error_when_the_plugin_is_loaded_that_can_not_be_told(
        self, says: str, load: Callable[[str], Catalogue]
    ) -> None:
        catalogue = load(f"raise type('Own', (Exception,), {{'__str__': lambda self: {says}}})()\n")
        (refusal,) = [one for one in catalogue.refusals if one.name == "house"]
        assert refusal.reason.startswith("Own: ")
        assert refusal.reason.encode("utf-8")

    def test_a_name_that_only_a_built_in_plugin_has(self, load: Callable[[str], Catalogue]) -> None:
        catalogue = load("__name__ = 'holdzero_plugins.checks.house'\n" + declared(judge="nothing"))
        assert not catalogue.checks["house"][0].built_in


class TestTerms:
    def test_one_that_moves_the_value_by_more_than_u_is_named(self, attacked: Callable[..., dict[str, Any]]) -> None:
        record = attacked("def terms(settings, run, one):\n    return [moved()]\n" + declared(terms="terms"))
        assert record["verdict"] == "pass"
        (doubt,) = [finding for finding in record["findings"] if finding["code"] == "house/rests_on"]
        assert doubt["level"] == "doubt"
        assert doubt["data"]["moved_um"] == pytest.approx(-9.0)
        assert "the check house moves the value by −9 µm, more than U" in doubt["text"]

    def test_one_that_hides_behind_a_large_u_of_its_own_is_named(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "def terms(settings, run, one):\n"
            "    item = dataclasses.replace(moved().inputs[0], estimate=Estimate.of(0.0, 6.0))\n"
            "    return [dataclasses.replace(moved(), inputs=(item,))]\n"
        )
        simple = PLAIN + '\n[decision]\nrule = "simple"\n\n[checks.house]\n'
        record = attacked(body + declared(terms="terms"), routine=simple)
        assert (record["verdict"], record["results"]["thickness"]["expanded_uncertainty_um"] > 9.0) == ("pass", True)
        (doubt,) = [finding for finding in record["findings"] if finding["code"] == "house/rests_on"]
        assert "moves the value by −9 µm, more than U without it" in doubt["text"]

    def test_one_whose_check_takes_another_name_meanwhile_is_named_by_its_own(
        self, attacked: Callable[..., dict[str, Any]]
    ) -> None:
        body = (
            "def terms(settings, run, one):\n    object.__setattr__(CHECK, 'name', 'places')\n    return [moved()]\n\n"
            "CHECK = Check(name='house', title='', settings=Settings, terms=terms)\n\n"
            "@hookimpl\ndef holdzero_checks():\n    return [CHECK]\n"
        )
        codes = [finding["code"] for finding in attacked(body)["findings"]]
        assert "house/rests_on" in codes

    def test_one_that_is_sound_only_when_it_is_looked_at(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "class Part(type(Estimate.of(0.0, 1.0).parts[0])):\n    asked = 0\n\n"
            "    def __getattribute__(self, name):\n"
            "        if name != 'standard_uncertainty': return object.__getattribute__(self, name)\n"
            "        Part.asked += 1\n        return 1.0 if Part.asked % 2 else -1.0\n\n"
            "def terms(settings, run, one):\n"
            "    parts = (Part(value=0.0, standard_uncertainty=1.0),)\n"
            "    estimate = dataclasses.replace(Estimate.of(0.0, 1.0), parts=parts)\n"
            "    item = dataclasses.replace(moved().inputs[0], estimate=estimate)\n"
            "    term = dataclasses.replace(moved(), inputs=(item,))\n"
            "    Part.asked = 0\n    return [term]\n"
        )
        (stop,) = stops(attacked(body + declared(terms="terms")))
        assert "-1.0 is no standard uncertainty" in stop

    def test_a_small_one_is_not(self, attacked: Callable[..., dict[str, Any]]) -> None:
        record = attacked("def terms(settings, run, one):\n    return [moved(by=-0.01)]\n" + declared(terms="terms"))
        assert not [finding for finding in record["findings"] if finding["code"].endswith("rests_on")]

    def test_one_that_takes_an_uncertainty_away_is_named(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "def terms(settings, run, one):\n    own = reference_deviation(run.reference)\n"
            "    return [Term(name='house', inputs=(own,), function=lambda dev: -dev)]\n"
        )
        wide = PLAIN.replace('deviation = "0 um"', 'deviation = { value = "0 um", halfwidth = "1.5 um" }')
        record = attacked(
            body + declared(terms="terms"),
            routine=wide + "\n[checks.house]\n",
            answers=("0", "0", "0", "2", "2", "2", "0"),
        )
        (doubt,) = [finding for finding in record["findings"] if finding["code"] == "house/rests_on"]
        assert "the check house makes u " in doubt["text"]
        assert doubt["data"]["standard_um"] < doubt["data"]["standard_without_um"]

    def test_one_that_has_the_name_of_the_difference_read_takes_nothing_away(
        self, attacked: Callable[..., dict[str, Any]]
    ) -> None:
        body = (
            "def terms(settings, run, one):\n    return [dataclasses.replace(moved(by=0.0), name='difference read')]\n"
        )
        record = attacked(body + declared(terms="terms"))
        assert (record["verdict"], record["results"]["thickness"]["value_um"]) == ("undecided", pytest.approx(9.0))
        assert any("two terms are called 'difference read'" in stop for stop in stops(record))

    def test_one_that_is_changed_after_it_was_handed_out_stays(self, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "made = []\n\ndef terms(settings, run, one):\n    made.append(moved(by=0.0))\n    return made[-1:]\n\n"
            "def judge(settings, run, seen):\n"
            "    object.__setattr__(made[-1], 'function', lambda value: -9.0)\n"
            "    object.__setattr__(made[-1].inputs[0].estimate.parts[0], 'value', -9.0)\n    return []\n"
        )
        record = attacked(body + declared(terms="terms", judge="judge"))
        assert (record["verdict"], record["results"]["thickness"]["value_um"]) == ("fail", pytest.approx(9.0))

    def test_one_that_gives_something_else_the_second_time_decides_nothing(
        self, load: Callable[[str], Catalogue], measure: Measure
    ) -> None:
        body = (
            "called = []\n\ndef fickle(value):\n    called.append(value)\n    return -9.0 / len(called)\n\n"
            "def terms(settings, run, one):\n    called.clear()\n    return [moved(function=fickle)]\n"
        )
        record = measure(
            PLAIN + "\n[checks.house]\n", answers=TOO_LARGE, catalogue=load(body + declared(terms="terms"))
        ).record
        assert record["verdict"] == "undecided"
        assert any("asked again with the same numbers" in stop for stop in stops(record))

    def test_one_that_can_not_be_simulated_leaves_a_record(
        self, load: Callable[[str], Catalogue], measure: Measure
    ) -> None:
        body = (
            "def own(value):\n    if getattr(value, 'size', 1) > 100: raise ValueError('many')\n    return value\n\n"
            "def terms(settings, run, one):\n    term = moved(function=own)\n"
            "    item = dataclasses.replace(term.inputs[0], estimate=Estimate.of(0.0, 0.1))\n"
            "    return [dataclasses.replace(term, inputs=(item,))]\n"
        )
        outcome = measure(
            PLAIN + "\n[checks.house]\n",
            answers=TOO_LARGE,
            catalogue=load(body + declared(terms="terms")),
            trials="10000",
        )
        assert outcome.record["verdict"] == "undecided"
        assert any("house failed in its terms, when they were simulated" in stop for stop in stops(outcome.record))


FINDING = "return [Finding(level='note', code='house/x', text={text}, data={data})]"
ODD = {
    "half a character": (FINDING.format(text=r"'\ud800'", data="{}"), "half a character"),
    "half a character in a code": ("return [Finding(level='note', code='\\udfff', text='')]", "half a character"),
    "half a character in the name of a number": (FINDING.format(text="''", data=r"{'\ud800': 1.0}"), "half a char"),
    "more than 64 KiB of text": (FINDING.format(text="'x' * 65_537", data="{}"), "65537 characters"),
    "the same in many pieces": (
        f"for _ in range(70): {FINDING}".replace("return [", "yield ")
        .replace(")]", ")")
        .format(text="'x' * 1000", data="{}"),
        "more than 65536 characters",
    ),
    "200 MB of text": (FINDING.format(text="'x' * 200_000_000", data="{}"), "200000000 characters"),
    "a complex number": (FINDING.format(text="''", data="{'a': 1 + 2j}"), "must be a real number"),
    "a complex number of a library": (
        FINDING.format(text="''", data="{'a': __import__('numpy').complex128(2j)}"),
        "must be a real number",
    ),
    "a list of numbers": (FINDING.format(text="''", data="{'a': [1.0, 2.0]}"), "TypeError"),
    "a mask where there is one run": (
        "return [Finding(level='note', code='x', text='', holds=__import__('numpy').array([True, False]))]",
        "holds must be",
    ),
    "findings without end": ("while True: yield Finding(level='note', code='x', text='')", "more than 1000"),
    "an error with half a character": (r"raise ValueError('\ud800')", "ValueError: ?"),
    "an error that raises when it is asked what it is": (
        "raise type('Own', (BaseException,), {'__str__': lambda self: (_ for _ in ()).throw(KeyboardInterrupt())})()",
        "it raised Own: it can't say what",
    ),
    "an error of 200 MB": ("raise ValueError('x' * 200_000_000)", "ValueError: xxx"),
}


@pytest.mark.long
class TestOddValues:
    @pytest.mark.parametrize("during", ["watch", "judge"])
    @pytest.mark.parametrize(("what", "told"), ODD.values(), ids=ODD)
    def test_of_a_finding_end_as_a_finding_that_names_the_plugin(
        self, during: str, what: str, told: str, attacked: Callable[..., dict[str, Any]]
    ) -> None:
        record = attacked(f"def odd(settings, run, *rest):\n    {what}\n{declared(**{during: 'odd'})}")
        (stop,) = stops(record)
        assert "The check house failed in " in stop
        assert told in stop
        assert len(stop) < 1000

    @pytest.mark.parametrize(
        ("what", "told"),
        [
            ("moved(name='\\ud800')", "half a character"),
            ("moved(value=1j)", "must be a real number"),
            ("moved(value=None)", "must be a real number"),
            ("moved(function=lambda value: __import__('numpy').complex128(1j))", "complex number"),
            ("moved(function=lambda value: 1j)", "complex number"),
            ("moved(function=lambda value: sys.exit(0))", "it raised SystemExit: 0"),
            ("moved(function=lambda value: (_ for _ in ()).throw(GeneratorExit()))", "it raised GeneratorExit"),
            ("dataclasses.replace(moved(), words='x' * 200_000_000)", "200000000 characters"),
            ("dataclasses.replace(moved(), words=7)", "words of a term must be text"),
            (
                "dataclasses.replace(moved(), inputs=(dataclasses.replace(moved().inputs[0], evaluation='C'),))",
                "A or B",
            ),
        ],
    )
    def test_of_a_term(self, what: str, told: str, attacked: Callable[..., dict[str, Any]]) -> None:
        record = attacked(f"def odd(settings, run, one):\n    return [{what}]\n{declared(terms='odd')}")
        (stop,) = stops(record)
        assert "The check house failed in terms: " in stop
        assert told in stop

    @pytest.mark.parametrize(
        ("weights", "told"),
        [
            ("weights=(1j,) * n, scatter=(0.1, 3.0)", "must be a real number"),
            ("weights=(float('nan'),) * n, scatter=(0.1, 3.0)", "must be finite"),
            ("weights=one.weights, scatter=(-0.1, 3.0)", "not below zero"),
            ("weights=one.weights, scatter=(0.1, 0.0)", "can't be degrees of freedom"),
        ],
    )
    def test_of_a_weighting(self, weights: str, told: str, attacked: Callable[..., dict[str, Any]]) -> None:
        body = f"def odd(settings, run, one):\n    n = len(one.weights)\n    return Weighting({weights})\n"
        record = attacked(body + declared(weigh="odd"))
        (stop,) = stops(record)
        assert "The check house failed in weigh: " in stop
        assert told in stop

    @pytest.mark.parametrize(
        ("words", "guard", "told"),
        [
            ("'\\ud800'", "0.0", "half a character"),
            ("None", "0.0", "must be text"),
            ("'x' * 200_000_000", "0.0", "200000000 characters"),
            ("'Ours.'", "1j", "no guard band"),
            ("'Ours.'", "None", "guard band"),
            ("'Ours.'", "'\\ud800'", "no guard band"),
        ],
    )
    def test_of_a_rule(self, words: str, guard: str, told: str, attacked: Callable[..., dict[str, Any]]) -> None:
        body = (
            "@hookimpl\ndef holdzero_rules():\n    return [GuardRule(name='house', title='', settings=Settings,\n"
            f"        guard=lambda settings, standing: {guard}, words=lambda settings: {words})]\n"
        )
        record = attacked(body, routine=PLAIN + '\n[decision]\nrule = "house"\n')
        assert any("The rule house failed in " in stop and told in stop for stop in stops(record)), stops(record)

    def test_of_a_measure(self, load: Callable[[str], Catalogue], measure: Measure) -> None:
        body = (
            "called = []\n\ndef weights(places):\n    called.append(places)\n"
            "    if len(called) > 1: raise ValueError('\\ud800')\n    return [1.0, -1.0]\n\n"
            "@hookimpl\ndef holdzero_measures():\n    return [Contrast(name='house', title='', weights=weights)]\n"
        )
        routine = PLAIN.replace('measure = "size"', 'measure = "house"').replace(
            'at = "a"\nnominal = "5 mm"', 'at = ["a", "b"]'
        )
        routine = routine.replace('{ do = "read", at = "a" }', '{ do = "read", at = "a" }, { do = "read", at = "b" }')
        outcome = measure(routine, answers=("0", "0", "0", *("1", "1") * 3, "0"), catalogue=load(body))
        assert outcome.record["verdict"] == "undecided"
        assert any("the measure house gives it no number: ?" in stop for stop in stops(outcome.record))


class TestVerifyByBuiltInsAlone:
    def test_says_what_they_come_to_and_what_they_could_not_recompute(
        self, load: Callable[[str], Catalogue], measure: Measure, capsys: pytest.CaptureFixture[str]
    ) -> None:
        body = "def terms(settings, run, one):\n    return [moved()]\n" + declared(terms="terms")
        outcome = measure(PLAIN + "\n[checks.house]\n", answers=TOO_LARGE, catalogue=load(body))
        assert outcome.record["verdict"] == "pass"
        assert "W-1  serial 1  RESTS ON house" in outcome.said
        (path,) = outcome.folder.glob("*.record.json")
        capsys.readouterr()

        code = verify_records([path], None, 1, built_in=True)

        said = capsys.readouterr().out
        assert code == 1
        assert "the built-in plugins alone come to ANOTHER RESULT: fail (the record says pass)" in said
        assert "not recomputed: the check house: its terms, findings and vetoes" in said

    def test_of_a_record_without_house_plugins_is_the_same(
        self, measure: Measure, capsys: pytest.CaptureFixture[str]
    ) -> None:
        outcome = measure()
        (path,) = outcome.folder.glob("*.record.json")
        capsys.readouterr()
        assert verify_records([path], None, 1, built_in=True) == 0
        assert "come to the same result: pass" in capsys.readouterr().out
