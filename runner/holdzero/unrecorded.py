"""What a record should say and does not: a reader must not take silence for an answer.

The list of fields is that of records in a measuring room (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["unrecorded"]

Record = Mapping[str, Any]


def _has_run(name: str) -> Callable[[Record], bool]:
    return lambda record: bool(record["run"][name])


def _has_device(role: str, key: str) -> Callable[[Record], bool]:
    return lambda record: bool((record["register"].get(role) or {}).get(key))


def _of_a_block(there: Callable[[Record], bool]) -> Callable[[Record], bool]:
    """Nothing of a block is left out where the zero was taken on the part."""
    return lambda record: "place" in record["routine"]["document"]["reference"] or there(record)


def _has_temperature(of: str) -> Callable[[Record], bool]:
    return lambda record: any(
        row["unit"] == "degC" and row["place"] == of and row["counts"] for row in record["readings"]
    )


def _never(record: Record) -> bool:
    del record  # there is no place for it
    return False


_FIELDS: dict[str, Callable[[Record], bool]] = {
    "revision": lambda record: bool(record["routine"]["revision"]),
    "serial": _has_run("serial"),
    "lot": _never,
    "quantity": _never,
    "customer": _never,
    "data from the customer": _never,
    "operator": _has_run("operator"),
    "role of the operator": _never,
    "bench": _never,
    "site": _never,
    "identifier of the reference": _of_a_block(_has_device("reference", "id")),
    "material of the reference": _of_a_block(_has_device("reference", "material")),
    "certificate of the reference": _of_a_block(_has_device("reference", "certificate")),
    "due date of the reference": _of_a_block(_has_device("reference", "due")),
    "joints of the reference": _of_a_block(_never),
    "identifier of the comparator": _has_device("comparator", "id"),
    "turn of the comparator": _has_device("comparator", "turn"),
    "sign convention of the comparator": _never,
    "certificate of the comparator": _has_device("comparator", "certificate"),
    "due date of the comparator": _has_device("comparator", "due"),
    "identifier of the thermometer": _has_device("thermometer", "id"),
    "temperature of the part": _has_temperature("part"),
    "temperature of the reference": _of_a_block(_has_temperature("reference")),
    "temperature of the air": _has_temperature("air"),
    "humidity": _never,
    "slope of the temperature": _never,
}


def unrecorded(record: Record) -> list[str]:
    """What is not recorded, in words, in an order that does not change.

    Args:
        record: with its `routine`, `run`, `register` and `readings`.
    """
    return [name for name, is_there in _FIELDS.items() if not is_there(record)]
