"""From a record to the rows of the book: pure, so that `verify` can make them anew and compare."""

from __future__ import annotations

import datetime as dt
import hashlib
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from holdzero.amendment import goes_by
from holdzero.errors import RecordError

__all__ = ["Rows", "column", "document_of", "kept_text", "ms_of", "packed", "rows_of", "wall_of"]

_LARGEST = 100_000_000  # bytes of a document
_LEVEL = 6  # of compression: a record shrinks to a fifth; more takes longer and gains little


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The rows that a record makes: one of `records`, several of the others; without keys of their own."""

    record: dict[str, Any]
    results: tuple[dict[str, Any], ...]
    uses: tuple[dict[str, Any], ...]
    bench: tuple[dict[str, Any], ...]


def packed(text: str) -> bytes:
    """A record's text as the book keeps it."""
    return zlib.compress(text.encode("utf-8"), _LEVEL)


def document_of(content: bytes) -> str:
    """The text of a record that the book keeps.

    Raises:
        RecordError: the content is damaged.
    """
    unpack = zlib.decompressobj()
    try:
        text = unpack.decompress(content, _LARGEST)
        whole = unpack.eof and not unpack.unconsumed_tail and not unpack.unused_data
        return _whole(text, whole=whole).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise RecordError(f"the document in the book is damaged: {error}") from None


def _whole(text: bytes, *, whole: bool) -> bytes:
    if not whole:
        raise RecordError("the document in the book is damaged: it is not whole")
    return text


_LONGEST = 200
_KEPT = 160


def column(text: str) -> str:
    """A text as a column holds it, so that every database can keep it and put it into an index.

    PostgreSQL keeps no zero byte in a text, and no long text in an index.

    >>> column("SR-2041"), len(column("x" * 2000))
    ('SR-2041', 193)
    """
    plain = kept_text(text)
    if len(plain) <= _LONGEST:
        return plain
    return f"{plain[:_KEPT]}…{hashlib.sha256(plain.encode()).hexdigest()[:32]}"


def kept_text(text: str) -> str:
    """A text as every database can keep it: without a zero byte, and without half a character."""
    return text.replace("\x00", "\u2400").encode("utf-8", "replace").decode("utf-8")


def _cleaned(row: Mapping[str, Any]) -> dict[str, Any]:
    return {key: column(value) if isinstance(value, str) and key not in _WHOLE else value for key, value in row.items()}


# Not in an index, and read by people.
_WHOLE = frozenset({"words", "title"})


def ms_of(wall: str) -> tuple[int, str]:
    """A wall time as milliseconds since 1970 in UTC, and the offset that it was written with.

    Raises:
        RecordError: it is no time with an offset.

    >>> ms_of("2026-03-02T09:00:00.250+01:00")
    (1772438400250, '+01:00')
    """
    try:
        moment = dt.datetime.fromisoformat(wall)
    except ValueError:
        raise RecordError(f"{wall!r} is no time") from None
    offset = moment.utcoffset()
    if offset is None:
        raise RecordError(f"{wall!r} has no offset from UTC")
    minutes = round(offset.total_seconds() / 60.0)
    sign = "-" if minutes < 0 else "+"
    since = moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    zone = f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    return since // dt.timedelta(milliseconds=1), zone


def wall_of(ms: int, zone: str) -> str:
    """The wall time again, in the bench's zone.

    >>> wall_of(1772438400250, "+01:00")
    '2026-03-02T09:00:00.250+01:00'
    """
    hours, _, minutes = zone[1:].partition(":")
    offset = dt.timedelta(hours=int(hours), minutes=int(minutes or 0))
    where = dt.timezone(-offset if zone.startswith("-") else offset)
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=ms)
    return moment.astimezone(where).isoformat(timespec="milliseconds")


def rows_of(record: Mapping[str, Any], text: str) -> Rows:
    """The rows of a record.

    Args:
        record: as plain data.
        text: the same as it was written, byte for byte.

    Raises:
        RecordError: the record is not whole.
    """
    try:
        return _rows(record, text)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise RecordError(f"the record is not whole ({type(error).__name__}: {error})") from None


def _rows(record: Mapping[str, Any], text: str) -> Rows:
    run, routine = record["run"], record["routine"]
    started_ms, zone = ms_of(run["started"])
    finished_ms, _ = ms_of(run["finished"])
    row = {
        "digest": str(record["digest"]),
        "run": str(run["journal_sha256"]),
        "part": str(routine["part"]),
        "revision": str(routine["revision"]),
        "serial": run["serial"],
        "operator": run["operator"],
        "title": kept_text(str(routine["title"])),
        "routine_digest": str(routine["digest"]),
        "verdict": str(record["verdict"]),
        "purpose": str(run["purpose"]),
        "simulated": bool(record["simulated"]),
        "started_ms": started_ms,
        "finished_ms": finished_ms,
        "zone": zone,
        "second_person": bool(routine["document"]["routine"].get("second_person", False)),
        "replaces": (record.get("amends") or {}).get("digest"),
        "words": _words(record),
        "document": packed(text),
    }
    return Rows(
        record=_cleaned(row),
        results=tuple(_cleaned(item) for item in _results(record)),
        uses=tuple(_cleaned(item) for item in _uses(record, started_ms)),
        bench=tuple(_cleaned(item) for item in _bench(record, started_ms)),
    )


def _words(record: Mapping[str, Any]) -> str:
    """All that a person may search for, in small letters."""
    run, routine = record["run"], record["routine"]
    devices = (entry for _, entry in _devices(record))
    said = (
        *(routine[key] for key in ("title", "part", "revision")),
        *(run[key] for key in ("serial", "operator")),
        record["verdict"],
        *(entry.get(key) for entry in devices for key in ("id", "name", "certificate")),
        *record["results"],
        *(finding["text"] for finding in record["findings"]),
        *_amended_words(record.get("amends") or {}),
    )
    return kept_text("\n".join(str(word) for word in said if word)).lower()


def _amended_words(amends: Mapping[str, Any]) -> Iterator[str]:
    """An amended record is found by its reason too, and by what was wrong before."""
    yield from (amends[key] for key in ("reason", "by") if key in amends)
    yield from (goes_by(old) for old, _ in amends.get("corrected", {}).values())


def _results(record: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for name, result in record["results"].items():
        yield {
            "characteristic": name,
            "measure": result["measure"],
            "verdict": result["verdict"],
            "value_um": result["value_um"],
            "expanded_uncertainty_um": result["expanded_uncertainty_um"],
            "lower_um": result["lower_um"],
            "upper_um": result["upper_um"],
        }


def _devices(record: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for role, entry in record["register"].items():
        if isinstance(entry, Mapping):
            yield role, entry


def _identifier(entry: Mapping[str, Any]) -> str:
    """What a device goes by: its identifier in the register, else its name."""
    return str(entry.get("id") or entry.get("name") or "")


def _uses(record: Mapping[str, Any], started_ms: int) -> Iterator[dict[str, Any]]:
    for role, entry in _devices(record):
        yield {
            "role": role,
            "identifier": _identifier(entry),
            "name": str(entry.get("name") or ""),
            "due": entry.get("due"),
            "started_ms": started_ms,
        }


# What a finding tells of the bench: its kind, and how its value and the others are made of its data.
_TOLD = {
    "check_standard/good": "standard",
    "check_standard/limit": "standard",
    "zero_return/closure": "closure",
    "repeatability/scatter": "scatter",
}


def _bench(record: Mapping[str, Any], started_ms: int) -> Iterator[dict[str, Any]]:
    if record["simulated"]:
        return  # made-up readings tell nothing of a bench
    devices = dict(_devices(record))
    comparator = _identifier(devices.get("comparator", {}))
    counts: dict[str, int] = {}
    for finding in record["findings"]:
        kind = _TOLD.get(finding["code"])
        value, dof, limit = _numbers(kind, finding["data"]) if kind else (None, None, None)
        if kind is None or value is None:
            continue
        counts[kind] = counts.get(kind, 0) + 1
        of = devices.get("check_standard" if kind == "standard" else "reference", {})
        yield {
            "run": record["run"]["journal_sha256"],
            "kind": kind,
            "number": counts[kind],
            "comparator": comparator,
            "standard": _identifier(of),
            "value_um": value,
            "dof": dof,
            "limit_um": limit,
            "at_ms": started_ms,
        }


def _numbers(kind: str, data: Mapping[str, Any]) -> tuple[float | None, float | None, float | None]:
    """Value [um], degrees of freedom [1] and limit [um]."""
    if kind == "standard":
        read, expected = data.get("read_um"), data.get("expected_um")
        off = None if read is None or expected is None else read - expected
        return off, None, data.get("limit_um")
    if kind == "closure":
        return data.get("closure_um"), None, data.get("limit_um")
    return data.get("s_um"), data.get("degrees_of_freedom"), None
