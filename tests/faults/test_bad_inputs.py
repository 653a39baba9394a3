"""Two hundred bad inputs: each ends in a sentence and an exit code, none in a fault of the tool.

Sound files of each kind are changed by a table of mutations; what people have really sent stands beside them by hand.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeAlias

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.cli import ended
from holdzero.record import digest_of_record, dumps
from holdzero.testing.draft import GOOD, PLAIN
from holdzero.testing.records import sample_records

Mutation: TypeAlias = Callable[[bytes], bytes]
CODES = {0, 1, 2, 3, 4, 5}

READINGS = "".join(f"{row}\n" for row in ("time,answer", *(f",{answer}" for answer in GOOD)))
PROFILE = "format = 1\ntitle = 'a dial'\nunit = 'mm'\npattern = '(?P<number>[0-9]+\\.[0-9]{3})'\n"
REGISTER = '[reference.B1]\nname = "block"\nsize = "5 mm"\nmaterial = "steel"\nerror = "0.1 um"\ndue = 2099-01-01\n'
SCENARIO = "format = 1\n"

# The sound file, and the command that reads it.
KINDS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "routine": ("washer.toml", PLAIN, ("validate", "washer.toml")),
    "readings": ("r.csv", READINGS, ("run", "washer.toml", "--source", "readings:r.csv", "--serial", "1")),
    "profile": ("p.toml", PROFILE, ("run", "washer.toml", "--source", "serial:/dev/null,p.toml", "--serial", "1")),
    "register": ("shop.toml", REGISTER, ("register", "list", "--shop", "shop.toml")),
    "scenario": ("s.toml", SCENARIO, ("rehearse", "washer.toml", "--runs", "1", "--scenario", "s.toml")),
    "record": ("a.record.json", "", ("verify", "a.record.json")),
    "explained": ("a.record.json", "", ("explain", "a.record.json")),
    "journal": ("a.journal.jsonl", "", ("resume", "a.journal.jsonl")),
}


def middle(raw: bytes) -> int:
    return len(raw) // 2


MUTATIONS: dict[str, Mutation] = {
    "nothing": lambda _: b"",
    "half of it": lambda raw: raw[: middle(raw)],
    "twice": lambda raw: raw + raw,
    "NUL within": lambda raw: raw[: middle(raw)] + b"\0" + raw[middle(raw) :],
    "no UTF-8": lambda raw: raw[: middle(raw)] + b"\xff\xfe" + raw[middle(raw) :],
    "half a character": lambda raw: raw.replace(b"a", b"\xed\xa0\x80", 1),
    "UTF-16": lambda raw: raw.decode().encode("utf-16"),
    "an escape": lambda raw: raw.replace(b"a", b"\x1b[2K\ra", 3),
    "turned writing": lambda raw: raw.replace(b"a", "\u202ea".encode(), 3),
    "no width": lambda raw: raw.replace(b"e", "\u200be".encode(), 3),
    "other line ends": lambda raw: raw.replace(b"\n", b"\r"),
    "one long line": lambda raw: raw.replace(b"\n", b" "),
    "quotes gone": lambda raw: raw.replace(b'"', b"").replace(b"'", b""),
    "brackets": lambda raw: raw + b"\n" + b"[" * 5000,
    "braces": lambda raw: b'{"a":' * 5000 + raw,
    "numbers without end": lambda raw: raw.replace(b"1", b"1" * 5000, 2),
    "no numbers": lambda raw: raw.replace(b"1", b"nan", 2),
    "infinite": lambda raw: raw.replace(b"1", b"1e999", 2),
    "negative": lambda raw: raw.replace(b"5", b"-5"),
    "zero": lambda raw: raw.replace(b"5", b"0").replace(b"1", b"0"),
    "other digits": lambda raw: raw.replace(b"1", "\u0661".encode()),
    "keys without a value": lambda raw: raw.replace(b"=", b"", 1).replace(b":", b"", 1).replace(b",", b"", 1),
    "a list in place of a text": lambda raw: raw.replace(b'"', b'["', 1),
    "garbage": lambda _: bytes(range(256)) * 40,
}

BY_HAND: list[tuple[str, str, str]] = [
    ("routine", "a title over two lines", PLAIN.replace("title = ", 'title = """a\nb"""\n#', 1)),
    ("routine", "a table in place of a list", "steps = {}\n"),
    ("routine", "a deep table", "a = " + "{b = " * 60 + "1" + "}" * 60),
    ("routine", "dotted deep", ".".join("a" * 500) + " = 1"),
    ("routine", "a date", PLAIN + "\n[odd]\nday = 0000-00-00\n"),
    ("profile", "a pattern that never ends", PROFILE.replace("[0-9]+", "([0-9]+)+([0-9]+)+")),
    ("profile", "a look ahead", PROFILE.replace("[0-9]+", "(?=[0-9])[0-9]+")),
    ("profile", "a thousand repeats", PROFILE.replace("{3}", "{1,9999}")),
    ("profile", "no group", PROFILE.replace("?P<number>", "")),
    ("record", "a key twice", '{"format": 1, "format": 1, "digest": "", "events": []}'),
    ("record", "a list", "[]"),
    ("record", "a number", "1"),
    ("record", "half a character", '{"format": 1, "digest": "\\ud800", "events": ["\\udfff"]}'),
    ("record", "events are a number", '{"format": 1, "digest": "sha256:0", "events": 5}'),
    ("record", "an infinite number", '{"format": 1, "digest": "sha256:0", "events": [], "a": 1e999}'),
    ("explained", "nothing in it", '{"format": 1, "digest": "", "events": []}'),
    ("explained", "half a character", '{"format": 1, "digest": "\\ud800", "events": [], "routine": "\\ud800"}'),
    ("journal", "a key twice", '{"chain":"' + "0" * 64 + '","event":{"seq":1,"seq":1}}\n'),
    ("journal", "an infinite number", '{"chain":"' + "0" * 64 + '","event":{"seq":1e999}}\n'),
    ("journal", "a number of twenty digits", '{"chain":"' + "0" * 64 + '","event":{"seq":1,"a":' + "9" * 20 + "}}\n"),
    ("journal", "nested", '{"chain":"' + "0" * 64 + '","event":' + "[" * 50_000 + "}\n"),
    ("readings", "times that go back", READINGS.replace("\n,", "\n9,", 1).replace("\n,", "\n1,", 1)),
    ("readings", "a quotation mark left open", 'time,answer\n,"20.1\n'),
    ("readings", "a number of a thousand digits", READINGS.replace("+1.5", "9" * 1000)),
    ("readings", "a cell of a megabyte", "time,answer\n," + "9" * 1_000_000 + "\n"),
    ("register", "an entry that is a text", "reference = 'B1'\n"),
    ("register", "a kind that is none", "[hammer.H1]\nname = 'h'\n"),
    ("scenario", "a text for a number", "format = '1'\n"),
    ("scenario", "a key that is none", "format = 1\nodd = 1\n"),
]


def sound() -> dict[str, str]:
    """Sound files of every kind; a record of a run that passed, and a journal of its events."""
    _, record = next(sample_records(load_catalogue()))
    text = dumps(record)
    journal = "".join('{"chain":"' + "0" * 64 + '","event":' + json.dumps(event) + "}\n" for event in record["events"])
    return {kind: text if "record" in file else made or journal for kind, (file, made, _) in KINDS.items()}


def odd_records() -> Iterator[tuple[str, str, bytes]]:
    """Records with one part replaced by what it can't be, and a digest that fits."""
    _, record = next(sample_records(load_catalogue()))
    others: tuple[object, ...] = (None, [], "\x1b[2K", {"a": 1})
    for key in ("routine", "run", "results", "register", "findings", "readings", "model", "software"):
        for other in others:
            changed = {**record, key: other}
            text = json.dumps({**changed, "digest": digest_of_record(changed)}, ensure_ascii=False)
            yield ("record" if key != "run" else "explained", f"{key} is {other!r}", text.encode())


def corpus() -> list[tuple[str, str, bytes]]:
    files = sound()
    made = [(kind, name, change(files[kind].encode())) for kind in KINDS for name, change in MUTATIONS.items()]
    made += [(kind, name, text.encode("utf-8", "surrogatepass")) for kind, name, text in BY_HAND]
    return [*made, *odd_records()]


CORPUS = corpus()


def test_there_are_two_hundred() -> None:
    assert len({(kind, content) for kind, _, content in CORPUS}) >= 200


@pytest.mark.parametrize(("kind", "content"), [(k, c) for k, _, c in CORPUS], ids=[f"{k}: {n}" for k, n, _ in CORPUS])
def test_each_ends_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], kind: str, content: bytes
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    name, _, words = KINDS[kind]
    (tmp_path / name).write_bytes(content)
    monkeypatch.setattr("sys.argv", ["holdzero", *words])
    code = ended()
    said = "".join(capfd.readouterr())
    assert code in CODES
    assert said.strip()
    assert "fault of the tool" not in said
    assert "Traceback" not in said
    assert not [sign for sign in said if sign in "\x1b\x00\u202e\u200b\x07"]


def test_a_seed_that_no_record_can_hold_is_refused_before_anything_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    monkeypatch.setattr("sys.argv", ["holdzero", "run", "washer.toml", "--seed", str(2**53)])
    assert ended() == 2
    assert "--seed" in capfd.readouterr().err
    assert not (tmp_path / "records").exists()
