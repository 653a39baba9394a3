"""Framing and meaning of an instrument's lines: laws for all bytes, and a corpus of odd lines."""

from __future__ import annotations

import ast
import pickle
import re
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.quantity import Dimension, parse_quantity
from holdzero_plugins.sources._lines import LONGEST, UNDER_WAY, Heard, Lines, Terminator
from holdzero_plugins.sources._meaning import Meaning
from holdzero_plugins.sources._profile import usual
from holdzero_plugins.sources._profile_file import load_profile, read_profile

FOLDER = Path(__file__).parents[2] / "routines" / "lines"
# A pattern that lets nearly everything through, so that what stands behind it is tried.
LOOSE = r"""
format = 1
title = "a careless pattern"
pattern = '(?P<channel>.):(?P<sign>[~?]?)(?P<number>[^A-Z?~]*)(?P<unit>[A-Z]*)'
unit = "mm"
units = { MM = "mm" }
decimals = 3
signs = { "~" = "-", "-" = "-" }
channels = { A = "comparator" }
errors = { OVER = "beyond the range" }
"""
PROFILES = {
    "usual": usual(),
    "loose": read_profile(LOOSE, "loose.toml"),
    **{path.stem: load_profile(str(path)) for path in FOLDER.glob("*.toml")},
}
ENDS = {
    Terminator.CR: b"\r",
    Terminator.LF: b"\n",
    Terminator.CR_LF: b"\r\n",
    Terminator.EITHER: b"\r\n",
    Terminator.FRAME: b"\x03",
}
terminators = st.sampled_from(Terminator)
# Bytes among which there are many ends of lines and frames.
streams = st.lists(st.one_of(st.sampled_from((b"\r", b"\n", b"\r\n", b"\x02", b"\x03", b"+1.5 um")), st.binary())).map(
    b"".join
)
readings = st.lists(st.decimals(-999, 999, places=3), min_size=1, max_size=6, unique=True)


def corpus() -> list[tuple[str, str, str]]:
    text = (Path(__file__).parent / "odd_lines.txt").read_text("utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    found = [re.fullmatch(r'(\w+) +(".*") +-> (.*)', row) for row in rows]
    return [(row[1], str(ast.literal_eval(row[2])), row[3]) for row in found if row is not None]


def framed(text: str, terminator: Terminator) -> bytes:
    begin = b"\x02" if terminator is Terminator.FRAME else b""
    return begin + text.encode("utf-8") + ENDS[terminator]


def taken(heard: list[Heard]) -> list[str]:
    return [item.text for item in heard if not item.why]


class TestTheCorpus:
    @pytest.mark.parametrize(("profile", "line", "expected"), corpus())
    def test_means_what_it_says(self, profile: str, line: str, expected: str) -> None:
        meant = Meaning(PROFILES[profile]).of_line(line)
        if expected.startswith("!"):
            assert meant.answer is None
            assert expected[1:] in meant.why
        else:
            assert (f"{meant.of} {meant.answer}".strip(), meant.why) == (expected, "")

    def test_has_lines_for_every_profile_that_is_shipped(self) -> None:
        rows = (Path(__file__).parent / "odd_lines.txt").read_text("utf-8").splitlines()
        assert len(corpus()) == len([row for row in rows if row and not row.startswith("#")])
        assert {name for name, _, _ in corpus()} == set(PROFILES)

    @pytest.mark.parametrize(("profile", "line", "expected"), [row for row in corpus() if not row[2].startswith("!")])
    def test_can_be_answered_with(self, profile: str, line: str, expected: str) -> None:
        answer = Meaning(PROFILES[profile]).of_line(line).answer
        dimension = Dimension[PROFILES[profile].dimension.upper()]
        assert parse_quantity(answer or "", dimension, bare_unit="um").unit in ("um", *expected.split())


class TestFraming:
    @given(st.data(), terminators, streams)
    def test_a_stream_split_anywhere_gives_the_same_lines(
        self, data: st.DataObject, terminator: Terminator, stream: bytes
    ) -> None:
        whole = Lines(terminator).feed(stream, 1.0)
        cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)))))
        lines = Lines(terminator)
        heard = [
            item
            for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True)
            for item in lines.feed(stream[start:end], 1.0)
        ]
        assert heard == whole

    @given(st.data(), terminators, readings)
    def test_nothing_is_taken_from_a_line_that_broke_off(
        self, data: st.DataObject, terminator: Terminator, values: list[Decimal]
    ) -> None:
        sent = [f"{value:+} mm" for value in values]
        stream = b"".join(framed(text, terminator) for text in sent)
        lines, at_s, start, heard = Lines(terminator), 0.0, 0, []
        for cut in sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=3))):
            heard += lines.feed(stream[start:cut], at_s)
            start, at_s = cut, at_s + 0.6
        heard += lines.feed(stream[start:], at_s)
        assert set(taken(heard)) <= set(sent)

    @given(st.data(), terminators, readings)
    def test_nothing_is_taken_from_a_line_that_was_under_way_when_the_listening_began(
        self, data: st.DataObject, terminator: Terminator, values: list[Decimal]
    ) -> None:
        sent = [f"{value:+} mm" for value in values]
        stream = b"".join(framed(text, terminator) for text in sent)
        start = data.draw(st.integers(0, len(stream)))
        heard = Lines(terminator, since_s=0.0).feed(stream[start:], 0.1)
        assert taken(heard) == [text for text in taken(heard) if text in sent]
        after = stream.find(ENDS[terminator], start)  # from the next end on all is whole again
        whole = sent[len(sent) - stream.count(ENDS[terminator], after) + 1 :] if after >= 0 else []
        assert taken(heard)[len(taken(heard)) - len(whole) :] == whole

    @given(terminators, streams)
    def test_no_line_has_an_end_inside_or_is_longer_than_is_kept(self, terminator: Terminator, stream: bytes) -> None:
        lines = Lines(terminator, encoding="latin-1")
        for text in taken(lines.feed(stream, 0.0)):
            assert ENDS[terminator].decode() not in text
            assert 0 < len(text) <= LONGEST

    @given(terminators, st.sampled_from((b"\xfe", b"\r", b"\x02", b"a", b"\r\r\n\n")))
    def test_rubbish_takes_no_memory(self, terminator: Terminator, rubbish: bytes) -> None:
        lines = Lines(terminator)
        heard = lines.feed(rubbish * 1000, 0.0)
        assert len(pickle.dumps(lines)) < 1000  # all that it keeps
        assert len([item for item in heard if "no end of a line" in item.why]) <= 1

    def test_after_rubbish_the_next_line_is_whole(self) -> None:
        lines = Lines(Terminator.CR_LF)
        heard = lines.feed(b"x" * 1000 + b"\r\n+1.5 um\r\n", 0.0)
        assert [(len(item.text), item.why != "") for item in heard] == [(LONGEST + 1, True), (7, False)]

    def test_half_an_end_after_rubbish_is_still_an_end(self) -> None:
        lines = Lines(Terminator.CR_LF)
        heard = lines.feed(b"x" * LONGEST + b"\r\n+1.5 um\r\n", 0.0)
        assert taken(heard) == ["+1.5 um"]

    @given(terminators, st.binary(min_size=1, max_size=LONGEST - 10).filter(lambda raw: not raw.isascii()))
    def test_bytes_that_are_no_text_are_shown_and_not_taken(self, terminator: Terminator, raw: bytes) -> None:
        raw = re.sub(rb"[\r\n\x02\x03]", b"", raw)
        lines = Lines(terminator)
        (heard,) = lines.feed((b"\x02" if terminator is Terminator.FRAME else b"") + raw + ENDS[terminator], 0.0)
        assert "no text" in heard.why
        assert heard.text.isascii()

    def test_a_line_has_the_time_of_its_end(self) -> None:
        lines = Lines(Terminator.CR)
        lines.feed(b"+1.", 3.0)
        assert lines.feed(b"5\r", 3.25) == [Heard(3.25, "+1.5")]

    def test_a_line_that_broke_off_is_told_once_and_what_follows_is_not_taken(self) -> None:
        lines = Lines(Terminator.CR_LF)
        lines.feed(b"+0012.3", 3.0)
        assert lines.idle(3.5) == []
        assert lines.idle(3.6) == [Heard(3.0, "+0012.3", "the line broke off before its end")]
        assert lines.idle(9.0) == []
        assert lines.feed(b"45\r\n+1\r\n", 9.1) == [Heard(9.1, "45", "its beginning was lost"), Heard(9.1, "+1")]

    def test_a_silence_tells_that_a_line_begins(self) -> None:
        lines = Lines(Terminator.CR, since_s=0.0)
        before = lines.rested
        lines.idle(0.6)
        assert (before, lines.rested) == (False, True)
        assert taken(lines.feed(b"5\r", 0.7)) == ["5"]

    @pytest.mark.parametrize(("seen_s", "at_s"), [(0.0, 0.1), (0.4, 0.45), (0.4, 9.0)])
    def test_a_silence_that_was_too_short_or_that_nobody_saw_tells_nothing(self, seen_s: float, at_s: float) -> None:
        lines = Lines(Terminator.CR, since_s=0.0)
        lines.idle(seen_s)
        assert lines.feed(b"5\r6\r", at_s) == [Heard(at_s, "5", UNDER_WAY), Heard(at_s, "6")]

    def test_either_end_and_both_are_one_end(self) -> None:
        assert taken(Lines(Terminator.EITHER).feed(b"1\r2\n3\r\n4\n\r5\r\n\r\n", 0.0)) == ["1", "2", "3", "4", "5"]

    def test_another_end_than_the_profile_s_is_part_of_the_line(self) -> None:
        assert taken(Lines(Terminator.CR_LF).feed(b"1\r2\n3\r\n", 0.0)) == ["1\r2\n3"]

    def test_a_frame_begins_with_its_sign_whatever_was_before(self) -> None:
        heard = Lines(Terminator.FRAME).feed(b"7\x03\r\nV2\x021.2\x021.5\x03\r\n\x021.6\x03", 0.0)
        assert [(item.text, item.why) for item in heard] == [
            ("7V2", "it stands outside a frame"),
            ("1.2", "another line began before its end"),
            ("1.5", ""),
            ("1.6", ""),
        ]


class TestMeaning:
    MEANINGS = {name: Meaning(profile) for name, profile in PROFILES.items()}  # noqa: RUF012  read only

    @given(st.sampled_from(sorted(PROFILES)), st.text(alphabet="+-0123456789., :ACEMPRrFaflhbinmptu!?~٣µ", max_size=14))
    def test_a_text_means_a_quantity_or_nothing(self, name: str, text: str) -> None:
        meant = self.MEANINGS[name].of_line(text)
        assert (meant.answer is None) is (meant.why != "")
        if meant.answer is not None:
            parse_quantity(meant.answer, Dimension[PROFILES[name].dimension.upper()], bare_unit="um")

    @given(st.decimals(-999, 999, places=4))
    def test_the_digits_are_those_that_were_sent(self, value: Decimal) -> None:
        sign = "-" if value.is_signed() else " "
        meant = self.MEANINGS["stream"].of_line(f"{sign}{abs(value):08.4f}")
        assert meant.answer == f"{'-' if value.is_signed() else '+'}{abs(value):08.4f} mm"

    @given(st.integers(0, 99_999_999), st.sampled_from("pn"))
    def test_a_point_that_is_sent_as_a_digit_is_put_where_it_says(self, digits: int, sign: str) -> None:
        meant = self.MEANINGS["asked"].of_line(f"a4{sign}{digits:08d}")
        number, unit = (meant.answer or "").split()
        assert (Decimal(number), unit) == (Decimal(digits).scaleb(-4) * (1 if sign == "p" else -1), "mm")
