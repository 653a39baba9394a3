"""Amendments: another record of the same events, with its reason; who and what may be corrected, results never."""

from __future__ import annotations

import copy
import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar

import pytest

from holdzero.amending import amend_devices
from holdzero.amendment import AmendmentError, amendment_of, as_measured, with_devices
from holdzero.book import rows_of
from holdzero.catalogue import Catalogue
from holdzero.events import BenchKnown
from holdzero.explain import explain
from holdzero.record import amend_record, digest_of_record, dumps, loads
from holdzero.testing.many import Many
from holdzero.verify import verify
from holdzero_plugins.writers.html import write

AT = "2026-03-03T08:00:00.000+01:00"
Record = dict[str, Any]
Amend = Callable[..., Record]


@pytest.fixture
def record(catalogue: Catalogue) -> Record:
    return loads(next(Many(catalogue=catalogue).texts(1)), "the record")


def amended(record: Record, *, reason: str = "mistyped", by: str = "A. Ivers", **changes: str | None) -> Record:
    made = amend_record(record, reason=reason, by=by, at=AT, changes=changes or {"serial": "S000009"})
    return loads(dumps(made), "the amendment")


def signed_anew(record: Record, **amends: object) -> Record:
    """An amendment whose statement somebody wrote by hand, with a digest that fits."""
    changed = copy.deepcopy(record)
    changed["amends"] |= amends
    return {**changed, "digest": digest_of_record(changed)}


class TestAnAmendment:
    def test_recomputes(self, record: Record, catalogue: Catalogue) -> None:
        assert verify(amended(record), catalogue) == []

    def test_names_the_record_that_it_replaces_and_says_why(self, record: Record) -> None:
        amendment = amendment_of(amended(record, reason="label misread"))
        assert amendment is not None
        assert (amendment.digest, amendment.reason, amendment.by, amendment.at) == (
            record["digest"],
            "label misread",
            "A. Ivers",
            AT,
        )

    def test_shows_what_is_right_and_keeps_what_was_typed(self, record: Record) -> None:
        made = amended(record, serial="S000009", operator="M. Oduya")
        assert (made["run"]["serial"], made["run"]["operator"]) == ("S000009", "M. Oduya")
        assert made["amends"]["corrected"] == {
            "serial": ["S000000", "S000009"],
            "operator": ["T. Ester", "M. Oduya"],
        }
        assert made["events"] == record["events"]

    def test_changes_nothing_else(self, record: Record) -> None:
        made = amended(record)
        changed = {key for key in made if made[key] != record.get(key)}
        assert changed == {"amends", "run", "digest"}
        assert {key for key in made["run"] if made["run"][key] != record["run"][key]} == {"serial"}

    def test_stands_at_the_top_of_the_record(self, record: Record) -> None:
        assert list(amended(record))[:4] == ["format", "amends", "model", "verdict"]

    def test_leaves_the_record_that_it_replaces_as_it_was(self, record: Record) -> None:
        before = copy.deepcopy(record)
        amended(record)
        assert record == before

    def test_says_in_the_book_what_it_replaces(self, record: Record) -> None:
        made = amended(record)
        row = rows_of(made, dumps(made)).record
        assert (row["replaces"], row["serial"]) == (record["digest"], "S000009")
        assert "s000000" in row["words"]
        assert "mistyped" in row["words"]

    def test_a_serial_that_was_not_recorded_can_be_given(self, catalogue: Catalogue) -> None:
        record = loads(next(Many(catalogue=catalogue, serial=None, operators=(None,)).texts(1)), "")
        made = amended(record, serial="S1", operator="T. Ester")
        assert {"serial", "operator"} <= set(record["not_recorded"])
        assert not {"serial", "operator"} & set(made["not_recorded"])
        assert verify(made, catalogue) == []

    def test_of_a_part_of_a_batch_is_of_that_part_alone(self, catalogue: Catalogue) -> None:
        first, second = (loads(text, "") for text in Many(catalogue=catalogue, batch=2).texts(2))
        # Two parts were exchanged: each takes the other's serial.
        made = amended(first, serial="S000001"), amended(second, serial="S000000")
        assert [verify(item, catalogue) for item in made] == [[], []]
        assert [item["results"] for item in made] == [first["results"], second["results"]]
        assert explain(made[0])[4:] != explain(made[1])[4:]


class TestAnAmendmentOfAnAmendment:
    def test_names_the_amendment_and_keeps_what_the_events_say(self, record: Record, catalogue: Catalogue) -> None:
        first = amended(record, serial="S000009")
        second = amended(first, operator="M. Oduya")
        assert second["amends"]["digest"] == first["digest"]
        assert (second["run"]["serial"], second["run"]["operator"]) == ("S000009", "M. Oduya")
        assert as_measured(second, "serial") == "S000000"
        assert verify(second, catalogue) == []

    def test_can_go_back_to_what_was_typed(self, record: Record, catalogue: Catalogue) -> None:
        second = amended(amended(record, serial="S000009"), serial="S000000", reason="it was right")
        assert second["run"] == record["run"]
        assert verify(second, catalogue) == []


class TestWhatIsRefused:
    @pytest.mark.parametrize("blank", ["", "  ", "\t\n"])
    def test_no_reason(self, record: Record, blank: str) -> None:
        with pytest.raises(AmendmentError, match="no reason"):
            amended(record, reason=blank)

    def test_nobody_who_answers_for_it(self, record: Record) -> None:
        with pytest.raises(AmendmentError, match="no by"):
            amended(record, by=" ")

    def test_nothing_corrected(self, record: Record) -> None:
        with pytest.raises(AmendmentError, match="nothing is corrected"):
            amended(record, serial=None)

    def test_what_it_was_already(self, record: Record) -> None:
        with pytest.raises(AmendmentError, match="already"):
            amended(record, serial="S000000")

    @pytest.mark.parametrize("name", ["verdict", "source", "purpose"])
    def test_anything_but_serial_and_operator(self, record: Record, name: str) -> None:
        with pytest.raises(AmendmentError, match="measuring again is a new run"):
            amended(record, **{name: "pass"})

    def test_a_blank_serial(self, record: Record) -> None:
        with pytest.raises(AmendmentError, match="differs"):
            amended(record, serial=" ")


class TestVerifyingOneThatWasMadeByHand:
    @pytest.mark.parametrize(
        ("amends", "told"),
        [
            ({"reason": ""}, "amends: it has no reason"),
            ({"reason": None}, "amends: it has no reason"),
            ({"by": ""}, "amends: it has no by"),
            ({"digest": "S000000"}, "amends: it does not name the record"),
            ({"at": "yesterday"}, "amends: it does not say when"),
            ({"at": "2026-03-03T08:00:00"}, "amends: it does not say when"),
            ({"more": 1}, "amends: it must say"),
            ({"corrected": {"verdict": ["fail", "pass"]}}, "amends: verdict can't be corrected"),
            ({"corrected": {"serial": ["S000009"]}}, "amends: serial must be a pair"),
            ({"corrected": {"serial": ["S000000", None]}}, "amends: serial must be a text"),
            ({"corrected": []}, "amends: corrected is no table"),
        ],
    )
    def test_says_what_is_wrong_with_it(
        self, record: Record, catalogue: Catalogue, amends: dict[str, object], told: str
    ) -> None:
        (difference,) = verify(signed_anew(amended(record), **amends), catalogue)
        assert difference.startswith(told)

    def test_a_correction_of_what_the_events_do_not_say(self, record: Record, catalogue: Catalogue) -> None:
        made = signed_anew(amended(record, operator="M. Oduya"), corrected={"operator": ["N. Obody", "M. Oduya"]})
        (difference,) = verify(made, catalogue)
        assert difference.startswith("amends: operator was 'T. Ester' by the events")

    def test_a_serial_that_was_changed_without_saying_so(self, record: Record, catalogue: Catalogue) -> None:
        made = amended(record, operator="M. Oduya")
        made["run"]["serial"] = "S000009"
        made["digest"] = digest_of_record(made)
        assert verify(made, catalogue) == ["events: the first event does not start a run of this part"]

    def test_a_result_that_was_changed_with_it(self, record: Record, catalogue: Catalogue) -> None:
        made = amended(record)
        name = next(iter(made["results"]))
        made["results"][name]["value_um"] += 1.0
        made["digest"] = digest_of_record(made)
        (difference,) = verify(made, catalogue)
        assert difference.startswith(f"results.{name}.value_um")

    def test_a_statement_that_was_taken_away(self, record: Record, catalogue: Catalogue) -> None:
        made = amended(record, operator="M. Oduya")
        del made["amends"]
        made["digest"] = digest_of_record(made)
        (difference,) = verify(made, catalogue)
        assert difference.startswith("run.operator")


class TestWhatAReaderSees:
    def test_in_the_explanation(self, record: Record) -> None:
        head = "\n".join(explain(amended(record))[:6])
        assert f"Amends record {record['digest']}, by A. Ivers on {AT}: mistyped" in head
        assert "serial was S000000, is S000009" in head

    def test_the_readings_are_still_explained(self, record: Record) -> None:
        before, after = explain(record), explain(amended(record))
        assert [line for line in before if "entries" in line] == [line for line in after if "entries" in line]
        assert any("entries" in line for line in after)

    def test_on_the_page(self, record: Record) -> None:
        page = write(amended(record))[".html"].decode("utf-8")
        assert f"AMENDMENT. Amends record {record['digest']}: mistyped; serial was S000000, is S000009" in page
        assert "AMENDMENT" not in write(record)[".html"].decode("utf-8")

    def test_the_readings_of_the_part_are_still_drawn(self, record: Record) -> None:
        pages = [write(item)[".html"].decode("utf-8") for item in (record, amended(record))]
        before, after = (page.count("<circle") for page in pages)
        assert before == after
        assert "readings of other parts" not in pages[1]

    def test_times_have_their_offset(self, record: Record) -> None:
        assert dt.datetime.fromisoformat(amended(record)["amends"]["at"]).utcoffset() == dt.timedelta(hours=1)


class TestAWrongDevice:
    """The block that was named is not the one that lay there: results are computed anew."""

    OTHER: ClassVar[dict[str, Any]] = {
        "id": "B-6",
        "name": "Block 6",
        "size": "5 mm",
        "deviation": {"value": "+2 um", "expanded": "0.06 um", "coverage": 2},
        "material": "steel",
        "due": "2036-05-31",
    }

    @staticmethod
    def of(record: Record, catalogue: Catalogue, **devices: Record) -> Record:
        made = amend_devices(record, catalogue, reason="mixed up", by="A. Ivers", at=AT, changes={}, devices=devices)
        return loads(dumps(made), "the amendment")

    def test_is_put_right_and_the_size_follows(self, record: Record, catalogue: Catalogue) -> None:
        made = self.of(record, catalogue, reference=self.OTHER)
        was, now = (item["results"]["thickness"]["value_um"] for item in (record, made))
        # The measured size is the block's, nominal and deviation, and what was read against it.
        before = record["register"]["reference"]["deviation"]
        assert before["value"] == "0 um" if isinstance(before, dict) else before == "0 um"
        assert now - was == pytest.approx(2.0, abs=1e-9)
        assert made["register"]["reference"]["id"] == "B-6"
        assert made["events"] == record["events"]
        assert made["routine"] == record["routine"]
        assert verify(made, catalogue) == []
        assert "reference was" in " ".join(explain(made)[:6])

    def test_is_named_in_the_book_in_the_right_ones_place(self, record: Record, catalogue: Catalogue) -> None:
        made = self.of(record, catalogue, reference=self.OTHER)
        rows = rows_of(made, dumps(made))
        assert [row["identifier"] for row in rows.uses if row["role"] == "reference"] == ["B-6"]
        assert rows.record["replaces"] == record["digest"]
        assert "b-5.00" in rows.record["words"]

    def test_can_be_put_right_together_with_the_serial_and_back(self, record: Record, catalogue: Catalogue) -> None:
        first = self.of(record, catalogue, reference=self.OTHER)
        second = amended(first, serial="S000009")
        assert verify(second, catalogue) == []
        own = {key: item for key, item in record["register"]["reference"].items() if key != "overruled"}
        third = self.of(second, catalogue, reference=own)
        assert third["results"] == record["results"]
        assert third["amends"]["corrected"] == {"serial": ["S000000", "S000009"]}
        assert verify(third, catalogue) == []

    def test_of_a_comparator_forgets_what_the_book_knew_of_the_wrong_one(self, record: Record) -> None:
        scatter = {"s_um": 0.1, "degrees_of_freedom": 40.0, "runs": 9.0}
        known = BenchKnown(
            seq=2, wall=AT, time_s=0.0, book="b", comparator="K-1", scatter=scatter, standard={"x": 1}, earlier=[{}]
        )
        pairs = {"comparator": [{"id": "K-1"}, {"id": "K-9"}]}
        amends = {"digest": record["digest"], "reason": "r", "by": "b", "at": AT, "corrected": pairs}
        amendment = amendment_of({**record, "amends": amends})
        assert amendment is not None
        (made,) = with_devices([known], amendment)
        assert made == replace(known, comparator="K-9", scatter=None, standard=None)

    def test_of_a_comparator_brings_its_own_error(self, record: Record, catalogue: Catalogue) -> None:
        right = {**record["register"]["comparator"], "id": "K-9", "error": {"halfwidth": "2 um"}}
        del right["overruled"]
        made = self.of(record, catalogue, comparator=right)
        assert verify(made, catalogue) == []
        was, now = (item["results"]["thickness"]["expanded_uncertainty_um"] for item in (record, made))
        assert now > was + 1.0

    def test_that_is_overdue_is_a_doubt_with_the_reason(self, record: Record, catalogue: Catalogue) -> None:
        made = self.of(record, catalogue, reference={**self.OTHER, "due": "2020-01-01"})
        assert "mixed up" in made["register"]["reference"]["overruled"]
        assert "reference/overruled" in {finding["code"] for finding in made["findings"]}
        assert verify(made, catalogue) == []

    @pytest.mark.parametrize("role", ["thermometer"])
    def test_that_was_not_there_is_refused(self, record: Record, catalogue: Catalogue, role: str) -> None:
        with pytest.raises(AmendmentError, match="no thermometer"):
            self.of(record, catalogue, **{role: {"id": "t", "error": {"halfwidth": "1 K"}}})

    def test_whose_readings_would_mean_something_else_is_refused(self, record: Record, catalogue: Catalogue) -> None:
        inches = {"id": "K-9", "resolution": "0.00001 in"}
        with pytest.raises(AmendmentError, match="mean"):
            self.of(record, catalogue, comparator=inches)

    def test_of_a_record_that_does_not_recompute_is_refused(self, record: Record, catalogue: Catalogue) -> None:
        forged = {**record, "verdict": "fail"}
        with pytest.raises(AmendmentError, match="does not recompute"):
            self.of(forged, catalogue, reference=self.OTHER)

    @pytest.mark.parametrize("forge", ["value", "old", "new"])
    def test_that_somebody_wrote_by_hand_shows(self, record: Record, catalogue: Catalogue, forge: str) -> None:
        made = self.of(record, catalogue, reference=self.OTHER)
        if forge == "value":
            made["results"]["thickness"]["value_um"] -= 1.0
        else:
            old, new = copy.deepcopy(made["amends"]["corrected"]["reference"])
            (old if forge == "old" else new)["deviation"] = "+1 um"
            made["amends"]["corrected"]["reference"] = [old, new]
        assert verify({**made, "digest": digest_of_record(made)}, catalogue) != []
