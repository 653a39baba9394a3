"""JSON that somebody else wrote: RFC 8259, clause 4, and RFC 7493 (I-JSON), 2.3, on names that are not unique."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from holdzero.errors import JournalError, RecordError
from holdzero.journal import read_journal
from holdzero.json_text import escaped, read_json
from holdzero.record import loads


class TestADoubledKey:
    @pytest.mark.parametrize(
        "text", ['{"a": 1, "a": 1}', '{"b": [{"a": 1, "a": 2}]}', '{"\\u0061": 1, "a": 2}', '{"a": {}, "a": {}}']
    )
    def test_is_refused_wherever_it_stands(self, text: str) -> None:
        with pytest.raises(ValueError, match="'a' stands twice"):
            read_json(text)

    def test_once_in_each_object_is_no_fault(self) -> None:
        assert read_json('{"a": {"a": 1}, "b": [{"a": 2}, {"a": 3}]}') == {"a": {"a": 1}, "b": [{"a": 2}, {"a": 3}]}

    def test_makes_a_record_none(self) -> None:
        text = '{"format": 1, "verdict": "fail", "verdict": "pass", "digest": "", "events": []}'
        with pytest.raises(RecordError, match="'verdict' stands twice"):
            loads(text, "a.record.json")

    def test_in_a_journal_is_told_with_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "a.journal.jsonl"
        path.write_text('{"chain":"' + "0" * 64 + '","event":{"seq":1,"seq":2}}\n', "utf-8")
        with pytest.raises(JournalError, match=r"a\.journal\.jsonl:1: .*'seq' stands twice"):
            read_journal(path)


@pytest.mark.parametrize("text", ["NaN", "-Infinity", "[" * 100_000])
def test_what_is_no_json_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        read_json(text)


@pytest.mark.parametrize("sign", ["\u202e", "\u200b", "\x9b", "\x7f", "\u2028", "\ufeff", "\U000e0041", "\u2066"])
def test_a_text_with_signs_that_act_says_the_same_without_them(sign: str) -> None:
    data: dict[str, Any] = {f"a{sign}": [f"{sign}b"]}
    made = escaped(json.dumps(data, ensure_ascii=False))
    assert sign not in made
    assert read_json(made) == data


@pytest.mark.parametrize("text", ["9007199254740992", "-9007199254740992", "1" + "0" * 5000])
def test_a_whole_number_that_not_every_reader_holds_is_refused(text: str) -> None:
    """RFC 7493, 2.2: no more than 2^53 - 1 (from memory)."""
    with pytest.raises(ValueError, match="too large for a whole number"):
        read_json(f'{{"a": {text}}}')
    assert read_json("[9007199254740991, -9007199254740991]") == [9007199254740991, -9007199254740991]
