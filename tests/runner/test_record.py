"""The record: it holds all that is needed, and verify recomputes every number."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from holdzero.catalogue import Catalogue
from holdzero.errors import RecordError
from holdzero.model_version import MODEL_VERSION
from holdzero.record import digest_of_record, dumps, loads
from holdzero.verify import Outcome, recompute, verify

Record = dict[str, Any]


@pytest.fixture
def record(measure: Callable[..., Any]) -> Record:
    made: Record = measure().record
    return made


def redigested(record: Record) -> Record:
    """As somebody would who knows how digests are made."""
    return {**record, "digest": digest_of_record(record)}


TOP = (
    "format",
    "model",
    "verdict",
    "simulated",
    "routine",
    "run",
    "register",
    "events",
    "results",
    "findings",
    "software",
    "digest",
)
RESULT = (
    "value_um",
    "standard_uncertainty_um",
    "degrees_of_freedom",
    "coverage_factor",
    "expanded_uncertainty_um",
    "lower_um",
    "upper_um",
    "conformance_probability",
    "verdict",
    "rule",
    "budget",
)
ROW = (
    "name",
    "estimate",
    "standard_uncertainty",
    "unit",
    "sensitivity",
    "contribution_um",
    "degrees_of_freedom",
    "evaluation",
    "why",
)


class TestContents:
    def test_it_has_all_that_the_contract_names(self, record: Record) -> None:
        assert set(TOP) <= set(record)
        assert {"operator", "serial", "source", "started", "finished"} <= set(record["run"])
        assert set(RESULT) <= set(record["results"]["thickness"])
        for row in record["results"]["thickness"]["budget"]:
            assert set(row) == set(ROW)

    def test_u_is_k_times_the_standard_uncertainty(self, record: Record) -> None:
        result = record["results"]["thickness"]
        expected = result["coverage_factor"] * result["standard_uncertainty_um"]
        assert result["expanded_uncertainty_um"] == pytest.approx(expected, rel=1e-12)

    def test_infinite_degrees_of_freedom_are_null(self, record: Record) -> None:
        rows = {row["name"]: row for row in record["results"]["thickness"]["budget"]}
        assert rows["error of the comparator"]["degrees_of_freedom"] is None

    def test_the_raw_text_stands_beside_the_value(self, record: Record) -> None:
        readings = [(e["raw"], e["value_um"]) for e in record["events"] if e["event"] == "reading_taken"]
        assert ("+1.1", 1.1) in readings

    def test_software_and_plugins_are_named_with_digests(self, record: Record) -> None:
        software = record["software"]
        assert software["holdzero"]["digest"].startswith("sha256:")
        names = {plugin["name"] for plugin in software["plugins"]}
        assert {"repeatability", "zero_return", "readings"} <= names
        assert all(plugin["digest"].startswith("sha256:") for plugin in software["plugins"])

    def test_the_digest_is_that_of_the_canonical_document(self, record: Record) -> None:
        import hashlib

        import rfc8785

        bare = {key: item for key, item in record.items() if key != "digest"}
        assert record["digest"] == "sha256:" + hashlib.sha256(rfc8785.dumps(bare)).hexdigest()

    def test_it_survives_its_own_file(self, record: Record) -> None:
        assert loads(dumps(record), "file") == record


class TestAnotherVersionOfTheModel:
    """A number that changed because the model did is no tampering; naming another model must not help a forger."""

    @pytest.fixture
    def older(self, record: Record) -> Record:
        """As a version before might have made it: another u, and findings in other words."""
        made = copy.deepcopy(record)
        made["model"] = MODEL_VERSION - 1
        made["results"]["thickness"]["standard_uncertainty_um"] *= 0.9
        made["findings"][0]["text"] += " So it was said then."
        return redigested(made)

    def test_neither_confirms_nor_refutes(self, older: Record, catalogue: Catalogue) -> None:
        again = recompute(older, catalogue)
        assert again.outcome is Outcome.OTHER_MODEL
        assert again.verdict == older["verdict"]
        assert again.results["thickness"]["standard_uncertainty_um"] == pytest.approx(
            older["results"]["thickness"]["standard_uncertainty_um"] / 0.9
        )

    def test_with_the_same_numbers_confirms(self, record: Record, catalogue: Catalogue) -> None:
        made = redigested({**record, "model": MODEL_VERSION - 1})
        assert recompute(made, catalogue).outcome is Outcome.IDENTICAL

    def test_of_a_newer_holdzero_neither_confirms_nor_refutes(self, older: Record, catalogue: Catalogue) -> None:
        made = redigested({**older, "model": MODEL_VERSION + 7})
        assert recompute(made, catalogue).outcome is Outcome.OTHER_MODEL

    def test_of_a_time_when_none_was_named_neither_confirms_nor_refutes(
        self, older: Record, catalogue: Catalogue
    ) -> None:
        made = redigested({key: value for key, value in older.items() if key != "model"})
        assert recompute(made, catalogue).outcome is Outcome.OTHER_MODEL

    def test_a_digest_that_does_not_hold_is_tampering_all_the_same(self, older: Record, catalogue: Catalogue) -> None:
        made = {**older, "verdict": "fail"}
        assert recompute(made, catalogue).outcome is Outcome.DIFFERS

    @pytest.mark.parametrize("model", [None, "1", True, 0, -3, 1.0])
    def test_what_names_no_version_is_tampering(self, model: object, older: Record, catalogue: Catalogue) -> None:
        made = redigested({**older, "model": model})
        assert recompute(made, catalogue).outcome is Outcome.DIFFERS

    @pytest.mark.parametrize("part", ["events", "readings", "steps", "run", "register", "routine", "simulated"])
    def test_what_no_model_makes_must_hold(self, part: str, older: Record, catalogue: Catalogue) -> None:
        made = copy.deepcopy(older)
        match part:
            case "events":
                next(e for e in made["events"] if e.get("raw") == "+1.1")["value_um"] = 1.2
            case "readings" | "steps":
                made[part].pop()
            case "run":
                made["run"]["operator"] = "Somebody Else"
            case "register":
                made["register"]["reference"]["name"] = "Another block"
            case "routine":
                made["routine"]["title"] = "Another"
            case "simulated":
                made["simulated"] = not made["simulated"]
        assert recompute(redigested(made), catalogue).outcome is Outcome.DIFFERS


class TestVerifying:
    def test_an_untouched_record_recomputes(self, record: Record, catalogue: Catalogue) -> None:
        assert verify(record, catalogue) == []

    def test_a_changed_record_has_another_digest(self, record: Record, catalogue: Catalogue) -> None:
        changed = {**record, "run": {**record["run"], "operator": "Somebody Else"}}
        assert any(line.startswith("digest:") for line in verify(changed, catalogue))

    def test_every_number_of_a_result_is_compared(self, record: Record, catalogue: Catalogue) -> None:
        for path in numbers(record["results"], ("results",)):
            changed = copy.deepcopy(record)
            node: Any = changed
            for part in path[:-1]:
                node = node[part]
            node[path[-1]] += 0.001
            assert verify(redigested(changed), catalogue), f"{path} is not compared"

    def test_a_changed_verdict_is_named(self, record: Record, catalogue: Catalogue) -> None:
        changed = redigested({**record, "verdict": "fail"})
        assert verify(changed, catalogue) == ['verdict: recomputed "pass", the record says "fail"']

    def test_a_reading_that_is_not_what_its_text_says_is_named(self, record: Record, catalogue: Catalogue) -> None:
        changed = copy.deepcopy(record)
        (event,) = [e for e in changed["events"] if e.get("raw") == "+1.1"]
        event["value_um"] = 1.2
        assert any("'+1.1' means 1.1, the record says 1.2" in line for line in verify(redigested(changed), catalogue))

    def test_a_removed_event_is_noticed(self, record: Record, catalogue: Catalogue) -> None:
        changed = copy.deepcopy(record)
        del changed["events"][3]
        assert any("missing or doubled" in line for line in verify(redigested(changed), catalogue))

    def test_an_event_that_was_added_is_noticed(self, record: Record, catalogue: Catalogue) -> None:
        changed = copy.deepcopy(record)
        changed["events"].append({**changed["events"][-1], "seq": len(changed["events"]) + 1})
        assert verify(redigested(changed), catalogue)

    def test_a_changed_routine_is_noticed(self, record: Record, catalogue: Catalogue) -> None:
        changed = copy.deepcopy(record)
        changed["routine"]["document"]["characteristics"]["thickness"]["upper"] = "+9 um"
        assert any("digest that stands beside it" in line for line in verify(redigested(changed), catalogue))

    def test_a_removed_finding_is_noticed(self, record: Record, catalogue: Catalogue) -> None:
        changed = redigested({**record, "findings": record["findings"][1:]})
        assert any(line.startswith("findings") for line in verify(changed, catalogue))

    def test_another_order_of_keys_changes_nothing(self, measure: Callable[..., Any], catalogue: Catalogue) -> None:
        made = measure(trials="2000").record
        assert verify(json.loads(json.dumps(made, sort_keys=True)), catalogue) == []

    def test_a_simulation_without_end_is_refused(self, record: Record, catalogue: Catalogue) -> None:
        changed = copy.deepcopy(record)
        changed["events"][0]["trials"] = 10**12
        assert any("at most 1000000000" in line for line in verify(redigested(changed), catalogue))

    @pytest.mark.parametrize("key", ["run", "routine", "results", "register", "findings", "verdict"])
    def test_a_missing_part_is_an_answer_not_a_crash(self, record: Record, catalogue: Catalogue, key: str) -> None:
        changed = {name: item for name, item in record.items() if name != key}
        assert verify(redigested(changed), catalogue)

    @pytest.mark.parametrize("events", [None, [], [{}], [1], "text", [{"event": "run_started"}]])
    def test_events_that_are_none_are_an_answer_not_a_crash(
        self, record: Record, catalogue: Catalogue, events: object
    ) -> None:
        assert verify(redigested({**record, "events": events}), catalogue)


class TestReading:
    @pytest.mark.parametrize("text", ["", "{", "[]", "1", '{"format": 1}', '{"a": NaN}', "[" * 5000])
    def test_what_is_no_record_is_refused(self, text: str) -> None:
        with pytest.raises(RecordError, match="file: no "):
            loads(text, "file")

    def test_a_newer_format_is_named(self, record: Record) -> None:
        with pytest.raises(RecordError, match="format 2; this version reads format 1"):
            loads(json.dumps({**record, "format": 2}), "file")


def numbers(node: Any, path: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    if isinstance(node, dict):
        for key, item in node.items():
            yield from numbers(item, (*path, key))
    elif isinstance(node, list):
        for index, item in enumerate(node):
            yield from numbers(item, (*path, index))
    elif isinstance(node, float | int) and not isinstance(node, bool):
        yield path
