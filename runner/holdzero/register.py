"""The shop's register and settings: devices, inspectors, plugins and how routines are released, in `shop.toml`.

It knows what a device is and whether it is fit for what a routine requires on a given day; it
knows no run.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
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
    "BookSettings",
    "Device",
    "Inspector",
    "PluginSettings",
    "Register",
    "Requirement",
    "RoutineSettings",
    "add_entry",
    "device_from_data",
    "load_register",
    "unfit",
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
    return _checked(text)


def _checked(text: Text) -> Register:
    data = _dates_as_text(text.data)
    try:
        register = Register.model_validate(data)
    except ValidationError as error:
        raise FileFaultsError(faults_of(error, data, Origins(text), Register)) from None
    register._data = data  # noqa: SLF001  set once, here, where it is made
    return register


def _dates_as_text(raw: Any) -> Any:
    if isinstance(raw, dict):
        return {key: _dates_as_text(item) for key, item in raw.items()}
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


def add_entry(path: Path, kind: str, identifier: str, table: dict[str, Any]) -> Register:
    """Add an entry to the register file, or replace it; the file is written whole or not at all.

    Comments in the file are not kept.

    Raises:
        FileFaultsError: the entry is not valid, or the file can't be read.
        OSError: the file can't be written.
    """
    import tomli_w

    register = load_register(path)
    tables = {key: dict(register.data.get(key, {})) for key in KINDS}
    tables[kind][identifier] = table
    data: dict[str, Any] = {"format": 1, **register.data, **tables}
    kept = {key: item for key, item in data.items() if item}
    checked = _checked(Text(file=f"{kind} {identifier}", data=kept, lines={}))
    text = tomli_w.dumps(kept)
    _write_whole(path.resolve(), text)
    return checked


def _write_whole(path: Path, text: str) -> None:
    """Write beside, then rename over; who may read and write the file stays as it was."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with beside.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


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
