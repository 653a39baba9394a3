"""How benches stand by the records of the book: limits, rules, drift, scatter, due days; and one that is released."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero.book import Book, open_book
from holdzero.book.baselines import Baseline, baseline_of, set_baseline
from holdzero.book.copying import copy_book
from holdzero.book.due import due_days
from holdzero.book.known import fields_known, points_of, scatter_of
from holdzero.book.standing import BASELINE, FEWEST, Point, standing_of, watch_of
from holdzero.book.store import BookError
from holdzero.book.watching import Shown, watched
from holdzero.charts import Control
from holdzero.cli import app
from holdzero.register import Register, Urgency
from holdzero.testing.many import WASHER

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest

DAY_MS = 86_400_000
BEGIN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
LATER = dt.datetime(2026, 5, 4, 8, tzinfo=dt.UTC)
LATER_MS = int(LATER.timestamp()) * 1000
LIMIT_UM = 0.5


def points(*values: float, limit_um: float | None = LIMIT_UM) -> list[Point]:
    """Readings of a check standard, one a day."""
    return [
        Point(
            at_ms=DAY_MS * number,
            zone="+00:00",
            value_um=value,
            dof=None,
            limit_um=limit_um,
            comparator="K-1",
            standard="B-5.01",
            digest=f"sha256:{number:064x}",
        )
        for number, value in enumerate(values)
    ]


SOUND = [0.1, -0.1] * 15
"""Fifteen of each: mean 0, s = 0.1 √(30/29)."""
S_UM = 0.1 * math.sqrt(30.0 / 29.0)


def said_of(book: Book, **changes: Any) -> None:
    said: dict[str, Any] = {
        "comparator": "K-1",
        "standard": None,
        "from_ms": LATER_MS,
        "reason": "spindle cleaned",
        "name": "M. Oduya",
        "at_ms": LATER_MS + DAY_MS,
        "zone": "+00:00",
    }
    set_baseline(book, Baseline(**{**said, **changes}))


class TestTheBaseline:
    def test_is_of_the_first_values_and_no_later_one(self) -> None:
        _, limits = watch_of(points(*SOUND, 5.0, 5.0))
        assert limits is not None
        assert limits.number == BASELINE
        assert limits.centre == pytest.approx(0.0)
        assert limits.standard_deviation == pytest.approx(S_UM)
        assert list(limits.action) == pytest.approx([-3.0 * S_UM, 3.0 * S_UM])

    def test_of_few_values_says_nothing(self) -> None:
        found = standing_of(points(*SOUND[: FEWEST - 1]))
        assert (found.control, found.limits) == (Control.UNKNOWN, None)
        assert found.sentences == ("7 values so far; 8 are needed before it is judged",)

    def test_of_a_few_more_says_that_its_limits_are_not_well_known(self) -> None:
        found = standing_of(points(*SOUND[:FEWEST]))
        assert found.control is Control.IN_CONTROL
        assert "the baseline has 8 values of 30: its limits are not well known yet" in found.sentences


class TestAReading:
    def test_beyond_the_action_limit_is_out_of_control_and_named(self) -> None:
        found = standing_of(points(*SOUND, 0.4))
        assert found.control is Control.OUT_OF_CONTROL
        said = "a point beyond an action limit (3 s): +0.400 µm on 1970-01-31 00:00, record 000000000000"
        assert found.sentences[0] == said
        assert found.fired(len(found.points) - 1) == ("action",)

    def test_that_is_good_again_is_in_control_and_the_earlier_one_is_told(self) -> None:
        found = standing_of(points(*SOUND, 0.4, 0.0))
        assert found.control is Control.IN_CONTROL
        assert any(words.startswith("earlier: a point beyond an action limit") for words in found.sentences)

    def test_that_was_long_ago_is_no_longer_told(self) -> None:
        assert len(standing_of(points(*SOUND, 0.4, *SOUND)).sentences) == 1

    def test_seven_on_one_side_are_out_of_control_and_six_are_not(self) -> None:
        side = [0.12, 0.06, 0.11, 0.07, 0.12, 0.06, 0.11]  # not beyond 1 s for long, no trend
        assert standing_of(points(*SOUND, 0.0, *side[:6])).control is Control.IN_CONTROL
        found = standing_of(points(*SOUND, 0.0, *side))
        assert found.control is Control.OUT_OF_CONTROL
        assert "7 points in a row on one side" in found.sentences[0]


class TestACoarseDial:
    COUNT_UM = 0.2

    def test_one_count_off_is_not_out_of_control(self) -> None:
        # 29 alike and one a count off: s = 0.037 without more ado, and a count would be five of these
        seldom = [0.0] * 20 + [self.COUNT_UM] + [0.0] * 9
        for off in (self.COUNT_UM, -self.COUNT_UM):
            assert standing_of(points(*seldom, off)).control is Control.IN_CONTROL

    def test_two_counts_off_are(self) -> None:
        seldom = [0.0] * 20 + [self.COUNT_UM] + [0.0] * 9
        assert standing_of(points(*seldom, 2.0 * self.COUNT_UM)).control is Control.OUT_OF_CONTROL

    def test_its_usual_reading_lies_on_no_side_of_the_centre(self) -> None:
        # the mean is a thirtieth of a count above zero: thirty zeros in a row would all lie below it
        assert standing_of(points(*([0.0] * 29 + [self.COUNT_UM]), *[0.0] * 20)).control is Control.IN_CONTROL

    def test_all_alike_is_judged_by_the_limit_of_the_routine(self) -> None:
        alike = [0.0] * BASELINE
        assert standing_of(points(*alike, 0.45)).control is Control.IN_CONTROL
        assert standing_of(points(*alike, 0.55)).control is Control.OUT_OF_CONTROL
        assert standing_of(points(*alike, limit_um=None)).control is Control.IN_CONTROL


class TestANewBaseline:
    @pytest.fixture
    def filled(self, book: Book, records_of: RecordsOf) -> Book:
        """Twelve good runs, then ten that read half a micrometre more, from another day on."""
        book.add(records_of(12, begin=BEGIN))
        book.add(records_of(10, begin=LATER, standard_um=0.5, serial="T", seed=2))
        return book

    def known(self, book: Book) -> dict[str, Any]:
        told = fields_known(book, comparator="K-1", standard="B-5.01", part="W-1", serials=[None], title="")["standard"]
        assert isinstance(told, dict)
        return told

    def test_releases_a_bench_that_was_out_of_control(self, filled: Book) -> None:
        assert self.known(filled)["in_control"] is False
        said_of(filled, standard="B-5.01")
        told = self.known(filled)
        assert (told["in_control"], told["points"]) == (True, 10)
        assert "baseline from 2026-05-04, M. Oduya: spindle cleaned" in told["text"]

    def test_is_shown_with_what_no_longer_counts(self, filled: Book) -> None:
        said_of(filled, standard="B-5.01")
        (chart,) = watched(filled, []).standards
        assert (chart.number, chart.before) == (10, 12)
        assert chart.baseline is not None
        assert chart.baseline.reason == "spindle cleaned"
        assert chart.standing.limits is not None
        assert chart.standing.limits.centre == pytest.approx(0.5, abs=0.1)

    def test_of_a_standard_leaves_the_scatter_of_the_comparator(self, filled: Book) -> None:
        said_of(filled, standard="B-5.01")
        known = fields_known(filled, comparator="K-1", standard=None, part="W-1", serials=[None], title="")
        assert known["scatter"]["runs"] == 22

    def test_of_a_comparator_lets_its_scatter_begin_anew(self, filled: Book) -> None:
        said_of(filled)
        known = fields_known(filled, comparator="K-1", standard="B-5.01", part="W-1", serials=[None], title="")
        assert (known["scatter"]["runs"], known["standard"]["in_control"]) == (10, True)
        (precision,) = watched(filled, []).precisions
        assert precision.number == 10

    def test_the_newest_word_counts(self, filled: Book) -> None:
        said_of(filled, standard="B-5.01", from_ms=LATER_MS + DAY_MS)
        said_of(filled, standard="B-5.01")
        found = baseline_of(filled, "K-1", "B-5.01")
        assert found is not None
        assert found.from_ms == LATER_MS

    def test_goes_along_into_another_book(self, filled: Book, tmp_path: Path) -> None:
        said_of(filled)
        other = open_book(str(tmp_path / "other.sqlite"), create=True)
        copy_book(filled, other)
        copy_book(filled, other)
        assert baseline_of(other, "K-1") == baseline_of(filled, "K-1")
        assert baseline_of(other, "K-1") is not None

    @pytest.mark.parametrize(
        ("changes", "why"),
        [
            ({"reason": " "}, "needs a reason and a name"),
            ({"name": ""}, "needs a reason and a name"),
            ({"from_ms": LATER_MS + 2 * DAY_MS}, "can't begin after today"),
            ({"comparator": "K-9"}, "no record tells of comparator K-9"),
            ({"standard": "B-9"}, "no record tells of comparator K-1 with check standard B-9"),
        ],
    )
    def test_that_would_hide_something_is_refused(self, filled: Book, changes: dict[str, Any], why: str) -> None:
        with pytest.raises(BookError, match=why):
            said_of(filled, **changes)
        assert baseline_of(filled, "K-1", "B-5.01") is None


class TestWhatIsShown:
    def test_each_check_standard_on_each_comparator_stands_alone(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(9))
        other = WASHER.with_table("comparator", id="K-2", name="Dial 0.1 um, bench 2")
        book.add(records_of(8, draft=other, serial="T", standard_um=0.4))
        found = watched(book, [])
        assert [(chart.comparator, chart.number) for chart in found.standards] == [("K-1", 9), ("K-2", 8)]
        assert [item.comparator for item in found.closures] == ["K-1", "K-2"]
        (only,) = watched(book, [], comparator="K-2").standards
        assert only.comparator == "K-2"

    def test_simulated_runs_tell_nothing_of_a_bench(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(9, simulated=True))
        found = watched(book, [])
        assert (found.standards, found.closures, found.precisions) == ((), (), ())
        assert found.control is Control.UNKNOWN

    def test_a_time_is_judged_by_a_baseline_that_may_be_older(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(30, begin=BEGIN))
        book.add(records_of(3, begin=LATER, serial="T", standard_um=0.7))
        before = watched(book, [], time=Shown(until_ms=LATER_MS))
        after = watched(book, [], time=Shown(since_ms=LATER_MS))
        assert (before.control, after.control) == (Control.IN_CONTROL, Control.OUT_OF_CONTROL)
        assert [chart.number for chart in (*before.standards, *after.standards)] == [30, 3]
        assert after.standards[0].marks == "xxx"

    def test_the_moving_average_sees_a_small_shift_that_lasts(self, book: Book, records_of: RecordsOf) -> None:
        # By hand: z = 0.2 y + 0.8 z before, limits 3 s √(0.2/1.8 (1 − 0.8^(2t)))
        book.add(records_of(30, begin=BEGIN))
        book.add(records_of(6, begin=LATER, serial="T", standard_um=0.2))
        (chart,) = watched(book, []).standards
        assert chart.standing.limits is not None
        assert chart.moving is not None
        centre, s = chart.standing.limits.centre, chart.standing.limits.standard_deviation
        z = centre
        for point in points_of(book, "standard"):
            z = 0.2 * point.value_um + 0.8 * z
        assert chart.moving.averages_um[-1] == pytest.approx(z)
        width = 3.0 * s * math.sqrt(0.2 / 1.8 * (1.0 - 0.8**72))
        assert chart.moving.half_widths_um[-1] == pytest.approx(width)
        assert chart.moving.beyond == (abs(z - centre) > width)
        assert chart.moving.beyond


class TestZeroReturns:
    def answers(self, back: str) -> Sequence[str]:
        return ("0", "0", "0", "+10.05", "+1.0", "+1.1", "+0.9", back)

    def test_are_counted_against_their_limits(self, book: Book, records_of: RecordsOf) -> None:
        for number, back in enumerate(("+0.3", "-0.3", "+0.9")):
            begin = BEGIN + dt.timedelta(days=number)
            # a return beyond its limit, and kept: the run is told to go on
            said = [*self.answers(back)]
            book.add(records_of(1, begin=begin, answers=said, serial=f"Z{number}"))
        (found,) = watched(book, []).closures
        values = [point.value_um for point in found.points]
        assert values == pytest.approx([0.3, -0.3, 0.9])
        assert (found.number, found.beyond) == (3, 1)

    def test_drift_is_told_by_the_times_of_the_runs(self, book: Book, records_of: RecordsOf) -> None:
        # By hand: zeros 6, 12 and 18 s after the start, the return at 48 s: 36 s, a hundredth of an hour, for 0.3 um.
        book.add(records_of(2, answers=self.answers("+0.3")))
        (found,) = watched(book, []).closures
        assert found.drift is not None
        assert found.drift.rate_um_per_h == pytest.approx(30.0)
        assert found.drift.standard_um_per_h == pytest.approx(0.0, abs=1e-9)
        assert found.drift.runs == 2


class TestTheScatter:
    def test_is_pooled_as_at_the_start_of_a_run(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(12))
        (found,) = watched(book, []).precisions
        known = scatter_of(book, "K-1")
        assert found.pooled is not None
        assert known is not None
        assert found.pooled.s_um == pytest.approx(known.s_um)
        assert found.pooled.dof == known.dof
        assert (found.pooled.runs, found.control) == (12, Control.IN_CONTROL)

    def test_of_the_newest_run_beyond_its_limit_is_out_of_control(self, book: Book, records_of: RecordsOf) -> None:
        # F(0.99; 4, 40) = 3.83 (table): the limit is about twice the pooled s of 0.1; these scatter by 0.6
        book.add(records_of(12, begin=BEGIN))
        wild = ("0", "+0.1", "-0.1", "+10.05", "+1.6", "+0.4", "+1.0", "0")
        book.add(records_of(1, begin=LATER, serial="T", answers=wild))
        (found,) = watched(book, []).precisions
        assert found.control is Control.OUT_OF_CONTROL
        assert found.points[-1].value_um > found.limits_um[-1]
        assert "scatters more than the baseline explains" in found.sentence


class TestDueDays:
    TODAY = dt.date(2026, 6, 1)

    def days(self, book: Book, data: dict[str, Any] | None = None, **changes: Any) -> dict[str, tuple[Any, ...]]:
        register = Register.model_validate(data or {})
        found = due_days(book, register, self.TODAY, **changes)
        return {due.identifier: (due.urgency, due.source, due.roles) for due in found}

    def test_come_from_the_newest_record_of_a_device(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(1, begin=BEGIN, draft=WASHER.with_table("reference", due="2026-06-20")))
        assert self.days(book)["B-5.00"] == (Urgency.SOON, "record", ("reference",))
        book.add(records_of(1, begin=LATER, serial="T", draft=WASHER.with_table("reference", due="2027-06-20")))
        assert self.days(book)["B-5.00"][0] is Urgency.LATER
        assert self.days(book)["K-1"] == (Urgency.UNKNOWN, "record", ("comparator",))

    @pytest.mark.parametrize(
        ("day", "urgency"),
        [
            ("2026-05-31", Urgency.OVERDUE),
            ("2026-06-01", Urgency.SOON),
            ("2026-07-01", Urgency.SOON),
            ("2026-07-02", Urgency.LATER),
        ],
    )
    def test_thirty_days_are_soon(self, book: Book, records_of: RecordsOf, day: str, urgency: Urgency) -> None:
        book.add(records_of(1, draft=WASHER.with_table("reference", due=day)))
        assert self.days(book)["B-5.00"][0] is urgency

    def test_of_the_shop_s_register_count_more_than_old_records(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(1, draft=WASHER.with_table("reference", due="2026-05-01")))
        entry = {"name": "Block", "size": "5 mm", "deviation": "0 um", "material": "steel", "due": "2027-05-01"}
        said = {"reference": {"B-5.00": entry, "B-9": {**entry, "due": "2026-01-01"}}}
        found = self.days(book, said)
        assert found["B-5.00"] == (Urgency.LATER, "shop.toml", ("reference",))
        assert found["B-9"] == (Urgency.OVERDUE, "shop.toml", ("reference",))
        assert next(iter(found)) == "B-9"
        assert "B-9" not in self.days(book, said, comparator="K-1")

    def test_of_made_up_runs_are_left_out(self, book: Book, records_of: RecordsOf) -> None:
        book.add(records_of(1, simulated=True))
        assert self.days(book) == {}


class TestAWholeRunOnABenchOutOfControl:
    READINGS = ("0", "+0.1", "-0.1", "+10.1", "+1.0", "+1.1", "+0.9", "0")

    @pytest.fixture
    def holdzero(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
        """Runs a command in a folder where a routine, its readings and a book are."""
        monkeypatch.chdir(tmp_path)
        (tmp_path / "washer.toml").write_text(WASHER.text, "utf-8")
        lines = "\n".join(["time,answer", *(f"{6 * number},{text}" for number, text in enumerate(self.READINGS, 1))])
        (tmp_path / "washer.csv").write_text(lines, "utf-8")
        return lambda *words: CliRunner().invoke(app, [*words, "--book", "book.sqlite"])

    @pytest.fixture
    def measured(self, holdzero: Callable[..., Any]) -> Callable[[], dict[str, Any]]:
        """Measure a washer with the book; gives the record."""

        def go() -> dict[str, Any]:
            told = ("--source", "readings:washer.csv", "--operator", "T. Ester", "--serial", "1", "--json")
            record = json.loads(holdzero("run", "washer.toml", *told).stdout)
            assert isinstance(record, dict)
            return record

        return go

    @pytest.fixture
    def long_ago(self) -> dt.datetime:
        return dt.datetime.now(dt.UTC) - dt.timedelta(days=60)

    def stops(self, record: dict[str, Any]) -> list[str]:
        return [finding["text"] for finding in record["findings"] if finding["code"] == "bench/out_of_control"]

    def test_passes_after_thirty_good_runs(
        self, records_of: RecordsOf, long_ago: dt.datetime, measured: Callable[[], dict[str, Any]]
    ) -> None:
        assert measured()["verdict"] == "pass"
        open_book("book.sqlite").add(records_of(30, begin=long_ago))
        record = measured()
        assert (record["verdict"], self.stops(record)) == ("pass", [])

    def test_is_undecided_after_a_shift_until_the_bench_is_released(
        self,
        records_of: RecordsOf,
        long_ago: dt.datetime,
        holdzero: Callable[..., Any],
        measured: Callable[[], dict[str, Any]],
    ) -> None:
        book = open_book("book.sqlite", create=True)
        book.add(records_of(30, begin=long_ago))
        assert holdzero("book", "watch").exit_code == 0
        shifted = records_of(4, begin=long_ago + dt.timedelta(days=20), standard_um=0.45, serial="T")
        book.add(shifted)

        record = measured()
        (stop,) = self.stops(record)
        assert record["verdict"] == "undecided"
        assert json.loads(shifted[-1])["digest"][7:19] in stop

    def test_is_shown_with_rule_time_and_record(
        self, records_of: RecordsOf, long_ago: dt.datetime, holdzero: Callable[..., Any]
    ) -> None:
        book = open_book("book.sqlite", create=True)
        shifted = records_of(4, begin=long_ago + dt.timedelta(days=20), standard_um=0.45, serial="T")
        book.add([*records_of(30, begin=long_ago), *shifted])
        watch = holdzero("book", "watch")
        assert watch.exit_code == 1
        assert "OUT OF CONTROL" in watch.stdout
        assert json.loads(shifted[-1])["digest"][7:19] in watch.stdout

    def test_released_it_decides_again(
        self,
        records_of: RecordsOf,
        long_ago: dt.datetime,
        holdzero: Callable[..., Any],
        measured: Callable[[], dict[str, Any]],
    ) -> None:
        shifted = records_of(4, begin=long_ago + dt.timedelta(days=20), standard_um=0.45, serial="T")
        open_book("book.sqlite", create=True).add([*records_of(30, begin=long_ago), *shifted])
        today = dt.datetime.now().astimezone().date().isoformat()
        said = ("--from", today, "--reason", "anvil cleaned, block wrung again", "--by", "M. Oduya")
        assert holdzero("book", "baseline", "--comparator", "K-1", "--standard", "B-5.01", *said).exit_code == 0
        record = measured()
        assert (record["verdict"], self.stops(record)) == ("pass", [])
        watch = holdzero("book", "watch")
        assert watch.exit_code == 0
        assert "UNKNOWN" in watch.stdout
        assert "said by M. Oduya: anvil cleaned, block wrung again" in watch.stdout
