"""Questions at the bench: asked once while something can be done, never in the way, and on record as asked."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.cli.house import open_shop
from holdzero.hooks import Act, Offer
from holdzero.questions import question_findings
from holdzero.testing import PLAIN
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Any]  # see conftest

CHECK = """\
from holdzero.hooks import *
from holdzero.hooks import Settings


def watch(settings, run):
    high = [r for r in run.readings if r.kind is SlotKind.READ and r.value_um > 1.05]
    if high:
        seq = high[-1].seq
        yield Finding(level=Level.DOUBT, code=f"brim/high/{seq}", text=f"Entry {seq} is high: a burr?", offer=OFFER)


@hookimpl
def holdzero_checks():
    return [Check(name="brim", title="asks about what is high", settings=Settings, watch=watch)]
"""
ROUTINE = PLAIN + "\n[checks.brim]\n"


@pytest.fixture
def shop(tmp_path: Path) -> Callable[[str], Path]:
    """A shop with a check that asks."""

    def make(offer: str) -> Path:
        (tmp_path / "brim.py").write_text(CHECK.replace("OFFER", offer), "utf-8")
        path = tmp_path / "own.toml"
        path.write_text('format = 1\n[plugins]\nfolder = "."\nenabled = ["brim"]\n', "utf-8")
        return path

    return make


def questions(record: dict[str, Any]) -> list[dict[str, Any]]:
    return [event for event in record["events"] if event["event"] == "question_asked"]


class TestAsked:
    def test_nobody_answers_and_the_run_goes_on_with_the_same_readings(
        self, shop: Callable[[str], Path], measure: Measure
    ) -> None:
        asking = shop("Offer(act=Act.STRIKE, entries=(seq,))")
        plain, asked = measure(PLAIN), measure(ROUTINE, shop=asking)
        (question,) = questions(asked.record)
        assert question["entries"] == [int(question["code"].rpartition("/")[2])]
        assert asked.record["verdict"] == plain.record["verdict"] == "pass"
        assert [r["raw"] for r in asked.record["events"] if r["event"] == "reading_taken"] == [
            r["raw"] for r in plain.record["events"] if r["event"] == "reading_taken"
        ]
        assert verify(asked.record, open_shop(asking).catalogue) == []

    def test_the_record_says_what_was_asked_when_and_that_it_was_left(
        self, shop: Callable[[str], Path], measure: Measure
    ) -> None:
        record = measure(ROUTINE, shop=shop("Offer(act=Act.STRIKE, entries=(seq,))")).record
        (question,) = questions(record)
        (said,) = [finding for finding in record["findings"] if finding["code"] == "run/question"]
        assert said["level"] == "note"
        at = question["wall"][11:16]
        assert said["text"] == f"Asked at {at}: {question['text']} It was left as it was."

    @pytest.mark.parametrize(
        ("closing", "came"),
        [((), "all was read anew"), (("0",), "what a return had closed stays")],
    )
    def test_after_a_zero_was_given_up_it_says_what_that_took_back(
        self, start: Callable[..., Any], closing: tuple[str, ...], came: str
    ) -> None:
        bench = start(PLAIN).answer("0", "0", "0", "1", "1", "1", *closing)
        bench.take(e.QuestionAsked, code="brim/warm", text="Is it warm?", act="anew", entries=())
        bench.take(e.ZeroRenewed, reason="it is warm")
        (found,) = question_findings(bench.run.state)
        assert found.text.endswith(f"Then the zero was given up, and {came}.")

    def test_what_is_no_offer_is_refused(self, shop: Callable[[str], Path], measure: Measure) -> None:
        record = measure(ROUTINE, shop=shop('"strike it"')).record
        assert record["verdict"] == "undecided"
        assert "an offer must be an Offer, found str" in str(record["findings"])


class TestAnOffer:
    @pytest.mark.parametrize(
        ("offer", "words"),
        [
            (Offer(act=Act.STRIKE, entries=(14,)), "strike out entry 14 and read it again"),
            (Offer(act=Act.STRIKE, entries=(14, 15)), "strike out the entries 14, 15 and read them again"),
            (Offer(act=Act.PREPARE), "wipe it, and note that it was done again"),
            (Offer(act=Act.SOAK), "let it soak again"),
            (Offer(act=Act.ANEW), "give the zero up now, then wait, set a fresh one and read all anew"),
            (Offer(act=Act.LOOK), "wait, and look again"),
        ],
    )
    def test_says_what_can_be_done(self, offer: Offer, words: str) -> None:
        assert offer.words == words

    def test_to_strike_out_nothing_is_none(self) -> None:
        with pytest.raises(ValueError, match="names the entries"):
            Offer(act=Act.STRIKE)
