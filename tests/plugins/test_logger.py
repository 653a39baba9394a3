"""A logger's file in place of a thermometer: what is a log, what it says of a moment, and what comes of it in a run."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import io
import json
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from holdzero.cli.conduct import resume_run, run_routine
from holdzero.cli.opening import Options
from holdzero.errors import AnswerRefusedError, HoldzeroError, SourceError
from holdzero.testing import Draft
from holdzero_plugins.sources._log import LONGEST_GAP_S, read_log
from holdzero_plugins.sources.logger import Logger

NAME = "room.csv"
HEADER = "time,temperature [degC],error halfwidth [K],of"
START = "2026-11-30T14:00:00+01:00"
LOG = f"""\
# invented
{HEADER}
2026-11-30T14:00:00+01:00,20.30,0.05,part
2026-11-30T14:00:00+01:00,20.10,0.05,reference
2026-11-30T14:05:00+01:00,20.40,0.05,part
2026-11-30T14:05:00+01:00,20.14,0.05,reference
2026-11-30T14:30:00+01:00,20.20,0.05,part
2026-11-30T14:30:00+01:00,20.20,0.05,reference
"""


def degrees(text: str) -> Fraction:
    number, unit = text.split()
    assert unit == "degC"
    return Fraction(number)


class TestAMoment:
    def test_lies_linearly_between_the_rows_beside_it(self) -> None:
        # 20.30 + (20.40 - 20.30) * 120 s / 300 s
        assert read_log(LOG, NAME).temperature("part", "2026-11-30T14:02:00+01:00").raw == "20.3400 degC"

    def test_is_the_same_in_another_zone(self) -> None:
        assert read_log(LOG, NAME).temperature("part", "2026-11-30T13:02:00+00:00").raw == "20.3400 degC"

    def test_of_a_row_is_that_row(self) -> None:
        said = read_log(LOG, NAME, "sha256:12").temperature("reference", "2026-11-30T14:30:00+01:00")
        assert said.raw == "20.2000 degC"
        assert said.line == "room.csv, line 8: 2026-11-30T14:30:00+01:00,20.20,0.05,reference; sha256:12"

    def test_keeps_the_rows_that_it_was_made_of(self) -> None:
        said = read_log(LOG, NAME, "sha256:12").temperature("part", "2026-11-30T14:02:00+01:00")
        assert said.line == (
            "room.csv, line 3: 2026-11-30T14:00:00+01:00,20.30,0.05,part; "
            "line 5: 2026-11-30T14:05:00+01:00,20.40,0.05,part; linear at 2026-11-30T14:02:00+01:00; sha256:12"
        )

    def test_has_the_larger_error_of_both_rows(self) -> None:
        text = f"{HEADER.removesuffix(',of')}\n{START},20.3,0.05\n2026-11-30T14:05:00+01:00,20.4,0.2\n"
        assert read_log(text, NAME).temperature("air", "2026-11-30T14:02:00+01:00").error == {"halfwidth": "0.2 K"}

    @pytest.mark.parametrize(
        ("moment", "said"),
        [
            ("2026-11-30T13:59:59+01:00", "room.csv:3: found rows of the part from 2026-11-30T14:00:00+01:00 to 2026-"),
            ("2026-11-30T14:30:01+01:00", "room.csv:7: found rows of the part from 2026-11-30T14:00:00+01:00 to 2026-"),
            ("2025-11-30T14:02:00+01:00", "is one of the two clocks wrong, or the file of another day?"),
            (
                "2026-11-30T14:06:00+01:00",
                "room.csv:7: found nothing for 25 min since line 5; expected rows at most 10",
            ),
        ],
        ids=["before all rows", "after them", "another year", "in a gap"],
    )
    def test_without_rows_near_enough_has_no_temperature(self, moment: str, said: str) -> None:
        with pytest.raises(AnswerRefusedError) as raised:
            read_log(LOG, NAME).temperature("part", moment)
        assert said in str(raised.value)

    def test_is_known_of_what_the_log_is_of_alone(self) -> None:
        with pytest.raises(AnswerRefusedError) as raised:
            read_log(LOG, NAME).temperature("plate", START)
        assert str(raised.value).startswith("room.csv: found rows of part, reference; expected rows of the plate")

    def test_is_of_whatever_is_asked_for_where_the_log_does_not_say(self) -> None:
        log = read_log(f"time,temperature,error\n{START},68.54 degF,standard 0.05 K\n", NAME)
        assert {log.temperature(of, START).raw for of in ("part", "plate")} == {"20.3000 degC"}


class TestAText:
    @pytest.mark.parametrize(
        ("header", "row"),
        [
            ("time,temperature [degC],error halfwidth [K]", f"{START},20.3,0.05"),
            ("time,temperature (degC),error halfwidth (K)", f"{START},20.3,0.05"),
            ("time,temperature,error", f"{START},20.3 degC,halfwidth 0.05 K"),
            ("error halfwidth,time,temperature", f"0.05 K,{START},20.3 degC"),
            ("time,temperature [degC],error [K]", f'{START},"20,3",halfwidth 0.05'),
            ("time , temperature [degC] , error halfwidth [K]", f" {START} , 20.3 , 0.05 "),
        ],
    )
    def test_has_units_in_the_header_or_in_the_cell(self, header: str, row: str) -> None:
        said = read_log(f"{header}\n{row}\n", NAME).temperature("part", START)
        assert (said.raw, said.error) == ("20.3000 degC", {"halfwidth": "0.05 K"})

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("", "room.csv: found no rows; expected the header time,temperature [degC]"),
            ("# nothing\n\n", "room.csv: found no rows"),
            (f"{HEADER}\n", "room.csv: found no rows"),
            ("time,temperature\n", "room.csv:1: found no column error"),
            ("time,temp,error\n", "room.csv:1: found the column 'temp'"),
            ("time,temperature,error,of,of\n", "room.csv:1: found the column 'of'"),
            ("time [s],temperature,error\n", "room.csv:1: found the column 'time [s]'"),
            ("time;temperature;error\n", "separate the columns by commas"),
            (f"{HEADER}\n{START},20.3,0.05\n", "room.csv:2: found 3 cells, expected 4 as in the header"),
            (f"{HEADER}\n{START},20,3,0.05,part\n", "put a number with a decimal comma in quotation marks"),
            (
                f"{HEADER}\n2026-11-30T14:00:00,20.3,0.05,part\n",
                "room.csv:2: found time '2026-11-30T14:00:00'; expected",
            ),
            (f"{HEADER}\n14:00,20.3,0.05,part\n", "a time in ISO 8601 with its offset from UTC, such as"),
            (
                f"{HEADER}\n{START},,0.05,part\n",
                "room.csv:2: found temperature ''; expected a number alone, in the degC",
            ),
            (f"{HEADER}\n{START},nan,0.05,part\n", "leave the row out where the logger had none"),
            (f"{HEADER}\n{START},20.3 degF,0.05,part\n", "found temperature '20.3 degF'"),
            (f"{HEADER}\n{START},20.3,-0.05,part\n", "room.csv:2: found error '-0.05'; expected what is known of the"),
            (
                f"time,temperature,error\n{START},20.3,halfwidth 0.1 K\n",
                "expected a number and its unit, such as 20.31",
            ),
            (f"time,temperature,error\n{START},20.3 degC,0.1 K\n", "such as halfwidth 0.1 K or standard 0.05 K"),
            (f"{HEADER}\n{START},20.3,0.05,oven\n", "room.csv:2: found of 'oven'; expected one of part, reference"),
            (f'{HEADER}\n{START},"20.3,0.05,part\n', "room.csv:2: found '2026-"),
            (
                f"{HEADER}\n{START},20.3,0.05,part\n{START},20.4,0.05,part\n",
                "room.csv:3: found 2026-11-30T14:00:00+01:00; expected a time after that of line 2",
            ),
        ],
    )
    def test_that_is_no_log_is_refused_with_line_and_mend(self, text: str, said: str) -> None:
        with pytest.raises(SourceError) as raised:
            read_log(text, NAME)
        assert said in str(raised.value)


times = st.datetimes(dt.datetime(2020, 1, 1), dt.datetime(2030, 1, 1), timezones=st.just(dt.UTC))  # noqa: DTZ001  bounds are naive
cells = st.one_of(
    st.sampled_from(
        (START, "20.3", "0.05", "part", "halfwidth 0.1 K", "standard 0.05 K", "", '"', "20,3", "nan", "1e9")
    ),
    st.text(max_size=12),
    times.map(dt.datetime.isoformat),
)
rows = st.lists(st.lists(cells, min_size=1, max_size=5).map(",".join), max_size=6)


class TestForAllTexts:
    @given(st.one_of(st.text(), st.builds(lambda rows: "\n".join((HEADER, *rows)), rows)))
    @example(f"{HEADER}\n0001-01-01T00:00:00+23:59,20.3,0.05,part\n9999-12-31T23:59:59-23:59,20.3,0.05,part\n")
    @example(f"{HEADER}\n{START},20.3,0.05,part\rx\n")
    def test_it_is_a_log_or_refused_with_its_name(self, text: str) -> None:
        try:
            log = read_log(text, NAME)
        except SourceError as error:
            assert str(error).startswith(NAME)  # noqa: PT017  both ways are right
            return
        try:
            said = log.temperature("part", START)
        except AnswerRefusedError as error:
            assert str(error).startswith(NAME)  # noqa: PT017  both ways are right
        else:
            assert said.raw.endswith(" degC")
            assert said.error

    @given(
        st.lists(st.tuples(st.integers(1, int(LONGEST_GAP_S)), st.decimals(-20, 60, places=2)), min_size=2, max_size=8),
        st.data(),
    )
    def test_a_moment_within_is_the_straight_line_s(self, steps: list[tuple[int, Any]], data: st.DataObject) -> None:
        start, at_s, lines, points = dt.datetime.fromisoformat(START), 0, [HEADER.removesuffix(",of")], []
        for after_s, value in steps:
            at_s += after_s
            points.append((at_s, Fraction(value)))
            lines.append(f"{(start + dt.timedelta(seconds=at_s)).isoformat()},{value},0.05")
        moment_s = data.draw(st.integers(points[0][0], points[-1][0]))
        said = read_log("\n".join((*lines, "")), NAME).temperature(
            "part", (start + dt.timedelta(seconds=moment_s)).isoformat()
        )
        (t0, v0), (t1, v1) = next((one, other) for one, other in pairwise(points) if one[0] <= moment_s <= other[0])
        wanted = v0 + (v1 - v0) * Fraction(moment_s - t0, t1 - t0)
        assert abs(degrees(said.raw) - wanted) <= Fraction(1, 20000) + Fraction(1, 10**9)


class TestAFile:
    def written(self, folder: Path, text: str) -> Path:
        path = folder / NAME
        path.write_text(text, "utf-8", newline="")
        return path

    def test_that_grows_is_read_again(self, tmp_path: Path) -> None:
        path = self.written(tmp_path, LOG)
        log = Logger(str(path))
        with pytest.raises(AnswerRefusedError):
            log.temperature("part", "2026-11-30T14:31:00+01:00")
        self.written(tmp_path, LOG + "2026-11-30T14:35:00+01:00,20.70,0.05,part\n")
        assert log.temperature("part", "2026-11-30T14:31:00+01:00").raw == "20.3000 degC"

    def test_whose_last_row_is_not_written_to_its_end_has_not_that_row(self, tmp_path: Path) -> None:
        log = Logger(str(self.written(tmp_path, LOG + "2026-11-30T14:35:00+01:00,2")))
        assert log.temperature("part", "2026-11-30T14:02:00+01:00").raw == "20.3400 degC"

    def test_with_the_line_ends_and_the_mark_of_another_system_is_the_same(self, tmp_path: Path) -> None:
        log = Logger(str(self.written(tmp_path, "\ufeff" + LOG.replace("\n", "\r\n"))))
        assert (
            "line 3: 2026-11-30T14:00:00+01:00,20.30,0.05,part; line 5"
            in log.temperature("part", "2026-11-30T14:02:00+01:00").line
        )

    def test_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(SourceError, match="check the logger's file"):
            Logger(str(tmp_path / "none.csv"))

    def test_that_is_no_text_is_refused_with_its_line(self, tmp_path: Path) -> None:
        (tmp_path / NAME).write_bytes(f"{HEADER}\n".encode() + b"\xff\n")
        with pytest.raises(SourceError, match=r"room\.csv:2: found bytes that are no text; save the file as UTF-8"):
            Logger(str(tmp_path / NAME))


STEPS = (
    {"do": "zero"},
    {"do": "temperature", "of": "part"},
    {"do": "temperature", "of": "reference"},
    {"do": "read", "at": "a", "times": 2},
    {"do": "return"},
    {"do": "compare"},
)
ROUTINE = (
    Draft()
    .with_table("reference", size="50 mm", material="steel")
    .with_table("part", material="steel")
    .with_characteristic("thickness", nominal="50 mm", lower="-9 um", upper="9 um")
    .with_check("thermal")
    .with_steps(*STEPS)
)
READINGS = "time,answer\n120,0\n150,1.0\n160,1.1\n170,0\n"

Ran = Callable[..., tuple[int, dict[str, Any], str]]


@pytest.fixture
def ran(tmp_path: Path) -> Ran:
    """Run a routine with readings and the log; gives exit code, record and what was said."""

    def run(
        start: str = START,
        *,
        log: str = LOG,
        readings: str = READINGS,
        source: str = "readings",
        routine: Draft = ROUTINE,
    ) -> tuple[int, dict[str, Any], str]:
        (tmp_path / "routine.toml").write_text(routine.text, "utf-8")
        (tmp_path / "readings.csv").write_text(readings, "utf-8")
        (tmp_path / NAME).write_text(log, "utf-8")
        options = Options(
            source=f"readings:{tmp_path / 'readings.csv'}" if source == "readings" else source,
            out=tmp_path / "out",
            json=True,
            shop=tmp_path / "shop.toml",
            overrule=None,
            choices={},
            thermometers=(f"logger:{tmp_path / NAME}{f',{start}' if start else ''}",),
        )
        out, said = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
            try:
                code = run_routine(tmp_path / "routine.toml", options, operator="T. Ester", serials=(), member=None)
            except HoldzeroError as error:
                return 2, {}, str(error)
        return code, json.loads(out.getvalue() or "{}"), said.getvalue()

    return run


class TestARun:
    def test_takes_the_temperatures_of_its_start_and_its_seconds(self, ran: Ran) -> None:
        _, record, said = ran()
        read = [row for row in record["readings"] if row["unit"] == "degC"]
        # both at 120 s, the time of the zero before them: 20.30 + 0.10 * 0.4, 20.10 + 0.04 * 0.4
        assert [(row["place"], row["raw"], row["time_s"]) for row in read] == [
            ("part", "20.3400 degC", 120.0),
            ("reference", "20.1160 degC", 120.0),
        ], said

    def test_has_the_rows_the_digest_and_the_start_on_record(self, ran: Ran, tmp_path: Path) -> None:
        _, record, _ = ran()
        lines = [event["line"] for event in record["events"] if event["event"] == "temperature_read"]
        digest = hashlib.sha256((tmp_path / NAME).read_bytes()).hexdigest()
        assert all(line.endswith(f"sha256:{digest}") for line in lines)
        assert "line 3: 2026-11-30T14:00:00+01:00,20.30,0.05,part" in lines[0]
        assert record["run"]["source"] == f"readings:readings.csv + logger:{NAME},{START}"
        assert "logger" in [plugin["name"] for plugin in record["software"]["plugins"]]

    def test_corrects_by_them_with_the_error_that_the_log_states(self, ran: Ran) -> None:
        # JCGM 100:2008, H.1.2: 50 mm * 11.5e-6/K * 0.224 K; H.1.3.4 with two sensors of halfwidth 0.05 K each:
        # u = 50 mm * 11.5e-6/K * 0.05 K / sqrt(3) = 0.0166 um of each
        _, record, _ = ran()
        result = record["results"]["thickness"]
        (term,) = (term for term in result["terms"] if term["name"] == "correction to 20 degC")
        assert term["value_um"] == pytest.approx(-50000 * 11.5e-6 * 0.224, rel=1e-3)
        rows = {row["name"]: row for row in result["budget"]}
        for of in ("part", "reference"):
            assert rows[f"error of the logger, {of}"]["contribution_um"] == pytest.approx(0.0166, rel=5e-3)
        assert "error of the thermometer" not in rows
        assert "thermal/thermometer" not in [found["code"] for found in record["findings"]]

    def test_recomputes(self, ran: Ran) -> None:
        from holdzero.catalogue import load_catalogue
        from holdzero.verify import verify

        _, record, _ = ran()
        assert verify(record, load_catalogue()) == []

    def test_that_began_another_day_is_told_the_logger_s_times(self, ran: Ran) -> None:
        code, _, said = ran("2026-11-29T14:00:00+01:00")
        assert code == 2
        assert "room.csv:3: found rows of the part from 2026-11-30T14:00:00+01:00 to 2026-11-30T14:30:00" in said
        assert "before and one after 2026-11-29T14:02:00+01:00" in said

    def test_without_a_start_counts_from_its_own(self, ran: Ran) -> None:
        now = dt.datetime.now(dt.UTC)
        rows = [f"{(now + dt.timedelta(minutes=m)).isoformat()},{20 + 0.1 * m:.1f},0.05" for m in range(-5, 11, 5)]
        code, record, said = ran("", log="\n".join((HEADER.removesuffix(",of"), *rows, "")))
        assert code == 0, said
        (value, _) = [row["value"] for row in record["readings"] if row["unit"] == "degC"]
        assert value == pytest.approx(20.2, abs=0.05)  # 120 s after it began, which is within seconds of now

    def test_without_times_is_refused(self, ran: Ran) -> None:
        code, _, said = ran(readings=READINGS.replace("120,", ","))
        assert code == 2
        assert "write the seconds since the start of the run beside each answer" in said

    def test_of_a_bench_that_is_made_up_takes_no_logger(self, ran: Ran) -> None:
        assert "nothing was measured at a bench that is made up" in ran(source="virtual")[2]

    def test_at_the_bench_has_no_start_but_now(self, ran: Ran) -> None:
        assert "expected it only with readings that were written down before" in ran(source="keyboard")[2]

    def test_a_start_that_is_no_time_is_refused(self, ran: Ran) -> None:
        assert "found 'noon' after the comma; expected the wall time at which the run began" in ran("noon")[2]

    def test_has_no_readings_from_it(self, ran: Ran) -> None:
        assert ran(source="logger:room.csv")[2] == (
            "--source logger: it has temperatures alone; write --thermometers logger:FILE"
        )

    def test_that_broke_off_goes_on_with_it(self, ran: Ran, tmp_path: Path) -> None:
        code, _, _ = ran(readings="time,answer\n")
        assert code == 4
        (journal,) = (tmp_path / "out").glob("*.journal.jsonl")
        (tmp_path / "readings.csv").write_text(READINGS, "utf-8")
        options = Options(
            source=f"readings:{tmp_path / 'readings.csv'}",
            out=tmp_path / "out",
            json=True,
            shop=tmp_path / "shop.toml",
            overrule=None,
            choices={},
            thermometers=(f"logger:{tmp_path / NAME},{START}",),
        )
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            assert resume_run(journal, options, routine=None) == 0
        assert "20.3400 degC" in [row["raw"] for row in json.loads(out.getvalue())["readings"]]
