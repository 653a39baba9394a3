"""The conformance suite for all but checks: for every rule a declaration that breaks it, and that is caught."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import Field

from holdzero.errors import HoldzeroError
from holdzero.hooks import (
    Answer,
    Asks,
    Command,
    Contrast,
    Estimate,
    Feed,
    GuardRule,
    Material,
    Prompt,
    Settings,
    Source,
    SourceError,
    SourceExhaustedError,
    Standing,
    StepKind,
    UnitAlias,
    Writer,
)
from holdzero.testing import GOOD, assert_conforms


def complaint(what: object, **more: Any) -> str:
    """What the suite says, which names the declaration, what was found and how to mend it."""
    with pytest.raises(AssertionError) as caught:
        assert_conforms(what, **more)
    said = str(caught.value)
    assert " house" in said.splitlines()[0]
    assert "\n    found: " in said
    assert "\n    mend: " in said
    return said


# --- sources ----------------------------------------------------------------------------------


class Gauge:
    """An open source that gives the answers of the plain routine; a test breaks one thing."""

    def __init__(self, answers: tuple[str, ...] = GOOD) -> None:
        self.left = list(answers)

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        del now_s
        if prompt.asks is Asks.CONFIRM:
            return Answer("")
        if not self.left:
            raise SourceExhaustedError("no answer is left")
        return Answer(self.left.pop(0))

    def blame(self, reason: str) -> SourceError:
        return SourceError(f"gauge: {reason}")

    def close(self) -> None:
        pass


def source(feed: Callable[[], Feed] = Gauge, **more: Any) -> Source:
    def opened(argument: str, ask: object) -> Feed:
        del ask
        if argument:
            raise SourceError(f"it takes no argument, found {argument!r}")
        return feed()

    usual = {"title": "a gauge", "open": opened, "interactive": False, "keeps_time": False, "simulated": False}
    return Source(**{"name": "house", **usual, **more})


class TestSources:
    def test_a_sound_one_passes(self) -> None:
        assert_conforms(source())
        assert_conforms(source(keeps_time=True, simulated=True))

    def test_one_that_asks_a_person_passes(self) -> None:
        class Asking(Gauge):
            """Hands every prompt on."""

            def __init__(self, ask: Callable[[Prompt], Answer | Command]) -> None:
                super().__init__()
                self.ask = ask

            def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
                del now_s
                return self.ask(prompt)

        assert_conforms(source(open=lambda _, ask: Asking(ask), interactive=True))

    def test_it_has_a_title(self) -> None:
        assert "must have a title" in complaint(source(title=""))

    def test_it_opens(self) -> None:
        def opened(argument: str, ask: object) -> Feed:
            del argument, ask
            raise OSError("no such port")

        assert "it must open for a sample run, with the argument 'COM3'" in complaint(
            source(open=opened), argument="COM3"
        )

    def test_it_answers_to_the_end(self) -> None:
        assert "answer a sample run to its end" in complaint(source(lambda: Gauge(GOOD[:4])))
        assert "'ERR' is no reading" in complaint(source(lambda: Gauge(("0", "ERR"))))

    def test_an_interactive_one_is_not_asked_for_ever(self) -> None:
        said = complaint(source(lambda: Gauge(("ERR",) * 1000), interactive=True))
        assert "21 answers were refused" in said

    @pytest.mark.parametrize("said", [None, "+1.0", Answer(1.0), Answer("1", math.nan)])  # type: ignore[arg-type]
    def test_it_answers_with_answers(self, said: Any) -> None:
        class Odd(Gauge):
            """Says something else."""

            def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
                del prompt, now_s
                return said  # type: ignore[no-any-return]

        assert "is no answer" in complaint(source(Odd))

    def test_blame_gives_a_source_error_with_the_reason(self) -> None:
        class Blameless(Gauge):
            """Keeps the reason to itself."""

            def blame(self, reason: str) -> SourceError:
                del reason
                return SourceError("sorry")

        class Silent(Gauge):
            """Gives none."""

            def blame(self, reason: str) -> SourceError:
                del reason
                return None  # type: ignore[return-value]

        class Raising(Gauge):
            """Raises in place of giving."""

            def blame(self, reason: str) -> SourceError:
                raise ValueError(reason)

        assert "blame must give a SourceError that has the reason" in complaint(source(Blameless))
        assert "blame must give a SourceError" in complaint(source(Silent))
        assert "blame must not raise" in complaint(source(Raising))

    def test_it_may_be_closed_twice(self) -> None:
        class Once(Gauge):
            """Holds something."""

            def __init__(self) -> None:
                super().__init__()
                self.held = [1]

            def close(self) -> None:
                self.held.pop()

        assert "close must do no harm a second time\n    found: IndexError" in complaint(source(Once))

    def test_it_is_the_same_twice(self) -> None:
        count = itertools.count(1)
        assert "opened twice" in complaint(source(lambda: Gauge((*GOOD[:-1], f"0.{next(count)}"))))

    def test_a_bad_argument_is_refused_with_an_error_of_holdzero_alone(self) -> None:
        def opened(argument: str, ask: object) -> Feed:
            del ask
            if argument:
                Path(argument).read_text("utf-8")
            return Gauge()

        said = complaint(source(open=opened))
        assert "must be refused with a SourceError, or taken\n    found: " in said


# --- writers ----------------------------------------------------------------------------------


def writer(write: Callable[[Mapping[str, Any]], Any], title: str = "a paper of the house") -> Writer:
    return Writer(name="house", title=title, write=write)


def escaped(text: str) -> str:
    import html

    signs = "".join(sign for sign in text if sign.isprintable() or sign in "\n\t")
    return html.escape(signs)


@pytest.mark.long
class TestWriters:
    def test_a_sound_one_passes(self) -> None:
        def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
            text = escaped(json.dumps(record, ensure_ascii=False))
            cell = '"' + ("'" + str(record["run"]["serial"])).replace('"', '""') + '"'
            return {
                ".html": f"<!doctype html><p title='{text}'>{text}</p>".encode(),
                ".svg": f"<svg xmlns='http://www.w3.org/2000/svg'><title>{text}</title></svg>".encode(),
                ".csv": f"serial,value\r\n{cell},-1.0\r\n".encode(),
                ".txt": json.dumps(record).encode(),
            }

        assert_conforms(writer(write))

    def test_it_has_a_title(self) -> None:
        assert "must have a title" in complaint(writer(lambda _: {}, title=""))

    @pytest.mark.parametrize(
        ("what", "record_of"),
        [
            ("without serial", lambda record: record["run"]["serial"].upper()),
            ("without a number", lambda record: f"{record['results']['thickness']['value_um']:.2f}"),
            ("without limits", lambda record: f"{record['results']['thickness']['upper_um']:.2f}"),
        ],
    )
    def test_it_raises_for_no_record(self, what: str, record_of: Callable[[Any], str]) -> None:
        del what
        assert "write must not raise (" in complaint(writer(lambda record: {".txt": record_of(record).encode()}))

    @pytest.mark.parametrize("made", [None, [b""], {"txt": b""}, {".txt": "text"}, {7: b""}, {"./../a.txt": b""}])
    def test_it_gives_endings_and_bytes(self, made: object) -> None:
        assert "must give contents by what the files' names end in" in complaint(writer(lambda _: made))

    @pytest.mark.parametrize("ending", [".record.json", ".journal.jsonl"])
    def test_it_does_not_take_the_run_s_own_names(self, ending: str) -> None:
        assert "must not be written over" in complaint(writer(lambda _: {ending: b"{}"}))

    def test_it_does_not_change_the_record(self) -> None:
        def write(record: Any) -> Mapping[str, bytes]:
            record["results"].clear()
            return {}

        assert "must not change the record" in complaint(writer(write))

    def test_it_is_the_same_twice(self) -> None:
        count = itertools.count()
        assert "must be the same whenever" in complaint(writer(lambda _: {".txt": str(next(count)).encode()}))

    @pytest.mark.parametrize("ending", [".html", ".svg", ".xml"])
    @pytest.mark.parametrize("form", ["<p>{}</p>", "<p title='{}'/>"])
    def test_no_text_becomes_markup(self, ending: str, form: str) -> None:
        def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
            return {ending: form.format(record["routine"]["title"]).encode()}

        assert "no text of a record may become markup" in complaint(writer(write))

    def test_a_picture_is_well_formed(self) -> None:
        said = complaint(writer(lambda _: {".svg": b"<svg><p></svg>"}))
        assert "must be well-formed" in said

    def test_a_page_is_utf_8(self) -> None:
        assert "must be UTF-8" in complaint(writer(lambda _: {".html": "µ".encode("latin-1")}))

    @pytest.mark.parametrize("quote", ["", '"'])
    def test_no_cell_can_be_run(self, quote: str) -> None:
        def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
            title = str(record["routine"]["title"]).replace('"', '""')
            return {".csv": f"title\r\n{quote}{title}{quote}\r\n".encode()}

        assert "may be run by a spreadsheet" in complaint(writer(write))


# --- steps ------------------------------------------------------------------------------------


class Wipe(Settings):
    """A step's keys."""

    what: str = Field("the plate", description="What is wiped.")


def wiping(settings: Wipe) -> list[dict[str, Any]]:
    return [{"do": "prepare", "say": f"Wipe {settings.what}."}]


def step(steps: Callable[[Any], Any] = wiping, **more: Any) -> StepKind:
    return StepKind(**{"name": "house", "title": "wipe", "settings": Wipe, "steps": steps, **more})


class TestSteps:
    def test_a_sound_one_passes(self) -> None:
        assert_conforms(step())
        assert_conforms(step(), settings={"what": "the part"})

    def test_it_has_title_and_descriptions(self) -> None:
        class Bare(Settings):
            """Without."""

            what: str = "the plate"

        assert "must have a title" in complaint(step(title=""))
        assert "none for what" in complaint(step(settings=Bare))

    def test_settings_are_valid(self) -> None:
        assert "valid as given" in complaint(step(), settings={"wat": "the part"})

    @pytest.mark.parametrize(
        "made",
        [
            [],
            None,
            ["wipe"],
            [{"do": "wipe"}],
            [{"do": "soak", "at_least": 600}],
            [{"do": "read"}],
            [{"do": "prepare", "say": "Wipe.", "kind": "mine"}],
        ],
    )
    def test_it_makes_steps_of_the_core(self, made: object) -> None:
        assert "must make valid steps of the core" in complaint(step(lambda _: made))

    def test_it_is_the_same_twice(self) -> None:
        count = itertools.count()
        said = complaint(step(lambda _: [{"do": "prepare", "say": f"Wipe {next(count)} times."}]))
        assert "the steps that it makes must be the same" in said

    def test_it_does_not_change_its_settings(self) -> None:
        class Listed(Settings):
            """With a list that can be changed."""

            what: list[str] = Field(default_factory=lambda: ["plate"], description="What is wiped.")

        def growing(settings: Listed) -> list[dict[str, Any]]:
            settings.what.append("part")
            return [{"do": "prepare", "say": "Wipe."}]

        assert "must not change the settings" in complaint(step(growing, settings=Listed))


# --- contrasts --------------------------------------------------------------------------------


def contrast(weights: Callable[[int], Any], **more: Any) -> Contrast:
    return Contrast(**{"name": "house", "title": "ends less middle", "weights": weights, **more})


def taper(places: int) -> list[float]:
    return [1.0, *[0.0] * (places - 2), -1.0]


class TestContrasts:
    def test_a_sound_one_passes(self) -> None:
        assert_conforms(contrast(taper))
        assert_conforms(contrast(lambda _: [-0.5, 1.0, -0.5], fewest=3, most=3))

    def test_it_has_a_title(self) -> None:
        assert "must have a title" in complaint(contrast(taper, title=""))

    @pytest.mark.parametrize(
        "weights",
        [
            lambda places: [1.0] * places,
            lambda places: [0.0] * places,
            lambda _: [1.0, -1.0],
            lambda places: [math.nan] * places,
            lambda places: [1.0, *[-1.0 / (places - 1)] * (places - 1)] if places < 9 else [1.0] * places,
            lambda _: 1 / 0,
        ],
        ids=["sum", "nothing", "two alone", "NaN", "from nine on", "raises"],
    )
    def test_weights_sum_to_zero_for_every_number_of_places(self, weights: Callable[[int], Any]) -> None:
        assert "that sum to zero" in complaint(contrast(weights))

    @pytest.mark.parametrize("fewest", [0, 1, 4])
    def test_it_needs_two_places(self, fewest: int) -> None:
        assert "fewest must be 2 or more" in complaint(contrast(taper, fewest=fewest, most=3))

    def test_it_is_the_same_twice(self) -> None:
        signs = itertools.cycle((1.0, -1.0))

        def weights(places: int) -> list[float]:
            sign = next(signs)
            return [sign * weight for weight in taper(places)]

        assert "must be the same whenever" in complaint(contrast(weights))


# --- rules ------------------------------------------------------------------------------------


class Share(Settings):
    """`[decision.settings]`."""

    share: float = Field(0.5, ge=0.0, description="Guard band in U.")


def rule(guard: Callable[[Any, Standing], Any], **more: Any) -> GuardRule:
    words = {"words": lambda settings: f"A guard band of {settings.share:g} U at each limit."}
    return GuardRule(**{"name": "house", "title": "a share of U", "settings": Share, "guard": guard, **words, **more})


def share(settings: Share, standing: Standing) -> Any:
    return settings.share * standing.expanded_uncertainty_um


class TestRules:
    def test_a_sound_one_passes(self) -> None:
        assert_conforms(rule(share))
        assert_conforms(rule(share), settings={"share": 1.0})
        assert_conforms(rule(lambda _, __: math.inf))

    def test_it_has_a_title(self) -> None:
        assert "must have a title" in complaint(rule(share, title=""))

    @pytest.mark.parametrize("words", ["", "half", "half of U", " A guard band. ", None])
    def test_its_words_are_a_sentence(self, words: Any) -> None:
        assert "words must be a sentence" in complaint(rule(share, words=lambda _: words))

    @pytest.mark.parametrize(
        "guard",
        [
            lambda _, standing: -0.1 * standing.expanded_uncertainty_um,
            lambda _, standing: standing.upper_um - 2.0 if standing.upper_um is not None else 0.0,
            lambda _, __: math.nan,
        ],
        ids=["of U", "of a limit", "NaN"],
    )
    def test_a_guard_band_is_never_below_zero(self, guard: Callable[[Any, Standing], Any]) -> None:
        assert "a guard band must be 0 or more" in complaint(rule(guard))

    @pytest.mark.parametrize(
        "guard",
        [
            lambda _, standing: 0.1 * (standing.upper_um - standing.lower_um),
            lambda _, standing: 1.0 / standing.standard_uncertainty_um,
            lambda _, __: None,
        ],
        ids=["one limit", "no uncertainty", "nothing"],
    )
    def test_it_gives_a_number_for_every_standing(self, guard: Callable[[Any, Standing], Any]) -> None:
        assert "guard must give a number" in complaint(rule(guard))

    def test_arrays_go_the_same_way_as_floats(self) -> None:
        def branching(settings: Share, standing: Standing) -> Any:
            wide = standing.expanded_uncertainty_um > 1.0
            return share(settings, standing) if wide else 0.0

        def averaging(settings: Share, standing: Standing) -> Any:
            return settings.share * float(np.mean(standing.expanded_uncertainty_um))

        assert "guard must take arrays over runs" in complaint(rule(branching))
        assert "the same with arrays over runs as run by run" in complaint(rule(averaging))

    def test_it_is_the_same_twice(self) -> None:
        count = itertools.count()
        assert "must be the same whenever" in complaint(rule(lambda _, __: float(next(count))))


# --- materials and units ----------------------------------------------------------------------

WHY = "certificate of the melt"


class TestMaterials:
    def test_a_sound_one_passes(self) -> None:
        grows = Estimate.within(10.8e-6, 0.3e-6, why=WHY)
        stiff = Estimate.within(205.0, 5.0, why=WHY)
        assert_conforms(Material(name="house", expansion=grows, modulus=stiff, poisson=0.29, density_kg_m3=7800.0))
        assert_conforms(Material(name="house"))

    @pytest.mark.parametrize(
        ("keys", "rule_broken"),
        [
            ({"expansion": Estimate.within(10.8, 0.3, why=WHY)}, "expansion must be a number that a solid can have"),
            ({"expansion": Estimate.exact(math.nan, why=WHY)}, "expansion must be a number that a solid can have"),
            ({"expansion": Estimate.exact(1e-5)}, "expansion must say where it comes from"),
            ({"modulus": Estimate.exact(205e9, why=WHY)}, "modulus must be a number that a solid can have"),
            ({"modulus": Estimate.exact(205.0)}, "modulus must say where it comes from"),
            ({"poisson": 0.6}, "Poisson's ratio must lie"),
            ({"density_kg_m3": 0.0}, "density_kg_m3 must be above zero"),
            ({"heat_J_kgK": math.nan}, "heat_J_kgK must be above zero"),
            ({"conductivity_W_mK": -1.0}, "conductivity_W_mK must be above zero"),
            ({"hardness_GPa": 0.0}, "hardness_GPa must be above zero"),
            ({"hardness_GPa": 800.0}, "hardness_GPa must be a number that a solid can have, in GPa"),
            ({"yield_GPa": math.inf}, "yield_GPa must be above zero"),
            ({"yield_GPa": 276.0}, "yield_GPa must be a number that a solid can have, in GPa"),
        ],
    )
    def test_its_numbers_are_those_of_a_solid(self, keys: dict[str, Any], rule_broken: str) -> None:
        assert rule_broken in complaint(Material(name="house", **keys))


class TestUnits:
    def test_a_sound_one_passes(self) -> None:
        assert_conforms(UnitAlias(name="house", worth="0.0001 in", title="a tenth of a thou"))

    def test_it_has_a_title(self) -> None:
        assert "must have a title" in complaint(UnitAlias(name="house", worth="1 um", title=""))

    def test_its_worth_is_a_length_that_a_reading_can_have(self) -> None:
        said = complaint(UnitAlias(name="house", worth="5000000 mm", title="five kilometres"))
        assert "must be a length that a reading can have" in said

    @pytest.mark.parametrize("worth", ["0.0001", "1 kg", "-1 um"])
    def test_one_that_the_tool_would_refuse_can_not_be_loaded(self, worth: str) -> None:
        with pytest.raises(AssertionError, match="can't be loaded as a plugin"):
            assert_conforms(UnitAlias(name="house", worth=worth, title="odd"))


# --- what is handed over ----------------------------------------------------------------------

FILE = """\
from holdzero.hooks import Check, Contrast, Settings, StepKind, hookimpl
from pydantic import Field


class Own(Settings):
    count: int = Field(description="How many.")


@hookimpl
def holdzero_checks():
    return [Check(name="house", title="a rule", settings=Own{more})]


@hookimpl
def holdzero_steps():
    return [StepKind(name="wipe", title="wipe", settings=Own, steps=lambda _: [{{"do": "prepare", "say": "Wipe."}}])]
"""


class TestWhatIsHandedOver:
    def test_a_file_with_settings_by_the_names_of_its_declarations(self, tmp_path: Path) -> None:
        path = tmp_path / "house.py"
        path.write_text(FILE.format(more=""), "utf-8")
        assert_conforms(path, settings={"house": {"count": 1}, "wipe": {"count": 2}}, silent=True)
        with pytest.raises(AssertionError, match="step wipe: the settings must be valid when empty"):
            assert_conforms(path, settings={"house": {"count": 1}}, silent=True)

    def test_a_file_that_the_tool_refuses(self, tmp_path: Path) -> None:
        path = tmp_path / "house.py"
        path.write_text(FILE.format(more=", watch=lambda run: []"), "utf-8")
        with pytest.raises(AssertionError, match="watch must take 2 arguments"):
            assert_conforms(path)
        with pytest.raises(AssertionError, match="give the path of a Python file"):
            assert_conforms(tmp_path / "no.py")

    def test_a_name_that_a_built_in_has(self) -> None:
        odd = Contrast(name="taper", title="ours", weights=taper)
        with pytest.raises(
            AssertionError, match=r"taper, built into holdzero, declares the measure taper too; rename yours"
        ):
            assert_conforms(odd)

    def test_something_else(self) -> None:
        with pytest.raises(HoldzeroError, match="is no declaration; give a plugin's module, or one of: StepKind"):
            assert_conforms(7)
