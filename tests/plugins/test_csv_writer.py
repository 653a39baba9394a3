"""The CSV writer: tables that a spreadsheet opens without loss and without running anything."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from holdzero_plugins.writers.csv_tables import cell, write

PLAIN_STEPS = (("0", "0"), ("+0.1", "0.1"), ("-0.1", "-0.1"))


def rows_of(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(content.decode("utf-8-sig").splitlines()))


class TestResults:
    def test_numbers_come_back_to_the_last_bit(self, measure: Callable[..., Any]) -> None:
        record = measure().record
        (row,) = rows_of(write(record)[".results.csv"])
        assert float(row["value_um"]) == record["results"]["thickness"]["value_um"]
        assert float(row["expanded_uncertainty_um"]) == record["results"]["thickness"]["expanded_uncertainty_um"]
        assert row["digest"] == record["digest"]

    def test_what_has_no_number_is_an_empty_cell(self, measure: Callable[..., Any]) -> None:
        record = measure().record
        record["results"]["thickness"]["degrees_of_freedom"] = None
        (row,) = rows_of(write(record)[".results.csv"])
        assert row["degrees_of_freedom"] == ""


class TestReadings:
    def test_every_reading_stands_with_its_raw_text(self, measure: Callable[..., Any]) -> None:
        rows = rows_of(write(measure().record)[".readings.csv"])
        assert [(row["raw"].lstrip("'"), float(row["value"])) for row in rows[:3]] == [
            (raw, float(value)) for raw, value in PLAIN_STEPS
        ]


class TestFormulas:
    @pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
    def test_a_text_can_not_start_one(self, text: str) -> None:
        assert cell(text).startswith("'")

    def test_a_negative_number_stays_a_number(self) -> None:
        assert cell(-0.5) == "-0.5"

    def test_hostile_names_stay_in_their_cells(self, measure: Callable[..., Any], tmp_path: Path) -> None:
        del tmp_path
        record = measure(serials=('=cmd|"/C calc"!A0',)).record
        (row,) = rows_of(write(record)[".results.csv"])
        assert row["serial"] == '\'=cmd|"/C calc"!A0'
