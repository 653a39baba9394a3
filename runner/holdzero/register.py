"""The shop's register and settings: devices, inspectors, plugins and how routines are released, in `shop.toml`.

It knows what a device is and whether it is fit for what a routine requires on a given day; it
knows no run.
"""

from __future__ import annotations

import datetime as dt
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal, TypeAlias

from pydantic import Field, PrivateAttr, ValidationError

from holdzero.errors import Fault, FileFaultsError
from holdzero.limit import exceeds
from holdzero.routine.load import faults_of, read_toml
from holdzero.routine.resolve import Origins, Text
from holdzero.routine.schema import (
    Comparator,
    Format,
    Model,
    Name,
    Reference,
    RequiredComparator,
    RequiredReference,
    RequiredThermometer,
    Thermometer,
    Time,
)

__all__ = [
    "KINDS",
    "SOON",
    "BookSettings",
    "Device",
    "Inspector",
    "PluginSettings",
    "Register",
    "Requirement",
    "RoutineSettings",
    "Urgency",
    "checked_register",
    "device_from_data",
    "load_register",
    "plain_dates",
    "unfit",
    "urgency",
]

Device: TypeAlias = Reference | Comparator | Thermometer
Requirement: TypeAlias = RequiredReference | RequiredComparator | RequiredThermometer
Role: TypeAlias = Literal["reference", "comparator", "thermometer"]


class Inspector(Model):
    """A person who measures."""

    name: str = Field("", description="Full name.")


class PluginSettings(Model):
    """Which plugins are loaded besides the installed ones, which are not, and how long one may take."""

    folder: str = Field("", description="House folder with single files; counts from this file's folder.")
    enabled: tuple[Name, ...] = Field((), description="Files of the house folder that are loaded, without `.py`.")
    off: tuple[Name, ...] = Field((), description="Plugins that are not loaded, wherever they come from.")
    budget: Time = Field(0.2, description="How long a check may take over a reading before that is recorded.")
    limit: Time = Field(
        2.0, description="How long a check may take over a reading before it is given up; ten times that at the end."
    )


class RoutineSettings(Model):
    """How routines are released for production."""

    approval: Literal["asked", "required"] = Field(
        "asked", description="`required`: a routine without approval is for trials only."
    )


class BookSettings(Model):
    """Where records are kept."""

    url: str = Field(
        "", description="File or database address; a file counts from this file's folder. Empty: no book by itself."
    )
    key: str = Field("", description="File of the key that signs what is put in; counts from this file's folder.")


KINDS: dict[str, type[Model]] = {
    "reference": Reference,
    "comparator": Comparator,
    "thermometer": Thermometer,
    "inspector": Inspector,
}


class Register(Model):
    """All that the shop has, by identifier, as read and as written."""

    format: Format = 1
    reference: dict[Name, Reference] = Field(default_factory=dict)
    comparator: dict[Name, Comparator] = Field(default_factory=dict)
    thermometer: dict[Name, Thermometer] = Field(default_factory=dict)
    inspector: dict[Name, Inspector] = Field(default_factory=dict)
    plugins: PluginSettings = PluginSettings()
    routines: RoutineSettings = RoutineSettings()
    book: BookSettings = BookSettings()
    _data: dict[str, Any] = PrivateAttr(default_factory=dict)

    @property
    def data(self) -> dict[str, Any]:
        """All entries as written, dates as text."""
        return self._data

    def entry(self, kind: str, identifier: str) -> dict[str, Any] | None:
        """What is written of one entry, with its identifier; None if there is none."""
        table = self.data.get(kind, {}).get(identifier)
        return None if table is None else {"id": identifier} | table | {"id": identifier}


def load_register(path: Path) -> Register:
    """Read `shop.toml`; a file that does not exist is an empty register.

    Raises:
        FileFaultsError: with every fault found.
    """
    if not path.exists():
        return Register()
    text = read_toml(path)
    return checked_register(text)


def checked_register(text: Text) -> Register:
    """The register that a text is.

    Raises:
        FileFaultsError: with every fault found.
    """
    data = plain_dates(text.data)
    try:
        register = Register.model_validate(data)
    except ValidationError as error:
        raise FileFaultsError(faults_of(error, data, Origins(text), Register)) from None
    register._data = data  # noqa: SLF001  set once, here, where it is made
    return register


def plain_dates(raw: Any) -> Any:
    """The same with dates as text, as records and histories keep them."""
    if isinstance(raw, dict):
        return {key: plain_dates(item) for key, item in raw.items()}
    return raw.isoformat() if isinstance(raw, dt.date) else raw


def device_from_data(role: str, data: dict[str, Any]) -> Device:
    """The device that an event or record holds.

    Raises:
        FileFaultsError: the data are no such device.
    """
    if role not in KINDS:
        fault = Fault(file="", line=None, key="role", found=role, expected=", ".join(KINDS), mend="check the role")
        raise FileFaultsError((fault,))
    model = KINDS[role]
    try:
        device = model.model_validate(data)
    except ValidationError as error:
        text = Text(file=f"the {role} in the record", data=data, lines={})
        raise FileFaultsError(faults_of(error, data, Origins(text), model)) from None
    if not isinstance(device, Reference | Comparator | Thermometer):
        fault = Fault(file="", line=None, key=role, found=role, expected="a device", mend="check the role")
        raise FileFaultsError((fault,))
    return device


SOON = dt.timedelta(days=30)
"""What is due within this time is told."""


class Urgency(StrEnum):
    """How near the day is."""

    OVERDUE = "overdue"
    SOON = "due soon"
    LATER = "later"
    UNKNOWN = "no day known"


def urgency(day: dt.date | None, today: dt.date) -> Urgency:
    """How near the day is on which a device is due; on that day it still may be used."""
    if day is None:
        return Urgency.UNKNOWN
    if day < today:
        return Urgency.OVERDUE
    return Urgency.SOON if day - today <= SOON else Urgency.LATER


def unfit(device: Device, required: Requirement | None, on: dt.date) -> tuple[str, ...]:
    """Why a device must not be used; empty if it may.

    Args:
        device: of the register or the routine.
        required: what the routine requires of it; None where the routine states the device whole.
        on: the day.
    """
    overdue = device.due is not None and device.due < on
    reasons = [f"its calibration was due on {device.due}"] if overdue else []
    match required, device:
        case RequiredReference(), Reference():
            reasons.extend(_unfit_reference(device, required))
        case RequiredComparator(), Comparator():
            if exceeds(device.resolution, required.largest_resolution):
                reasons.append(f"it resolves {device.resolution:g} um, {required.largest_resolution:g} um is required")
            if required.smallest_travel is not None and exceeds(required.smallest_travel, device.travel or 0.0):
                reasons.append(f"its travel is less than {required.smallest_travel:g} um")
        case RequiredThermometer(), Thermometer():
            expanded = 2.0 * float(device.error.standard_uncertainty)
            if exceeds(expanded, required.largest_expanded):
                reasons.append(f"U = {expanded:.3g} K (k = 2), at most {required.largest_expanded:.3g} K is required")
        case None, _:
            pass
        case _:
            reasons.append("it is another kind of device")
    return tuple(reasons)


def _unfit_reference(device: Reference, required: RequiredReference) -> list[str]:
    reasons: list[str] = []
    if exceeds(device.size, required.size) or exceeds(required.size, device.size):
        reasons.append(f"its size is {device.size / 1000:g} mm, required is {required.size / 1000:g} mm")
    if required.material and device.material != required.material:
        reasons.append(f"it is of {device.material or 'unknown material'}, required is {required.material}")
    expanded = 2.0 * float(device.deviation.standard_uncertainty)
    if required.largest_expanded is not None and exceeds(expanded, required.largest_expanded):
        reasons.append(f"U = {expanded:.3g} um (k = 2), at most {required.largest_expanded:.3g} um is required")
    return reasons
