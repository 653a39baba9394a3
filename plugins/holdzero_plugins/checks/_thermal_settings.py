"""The keys of `[checks.thermal]`, which several checks read."""

from __future__ import annotations

from pydantic import Field

from holdzero.hooks import (
    ExpansionEstimate,
    Settings,
    Temperature,
    TemperatureDifference,
    TemperatureDifferenceEstimate,
    TemperatureEstimate,
    Time,
)


class ThermalSettings(Settings):
    """`[checks.thermal]`."""

    part_temperature: TemperatureEstimate | None = Field(None, description="Of the part, where no step measures it.")
    reference_temperature: TemperatureEstimate | None = Field(
        None, description="Of the reference, where no step measures it."
    )
    difference: TemperatureDifferenceEstimate | None = Field(
        None,
        description="Part less reference, where one of the two temperatures is not known by itself; where both are "
        "measured, its uncertainty is added to theirs.",
    )
    brought_from: TemperatureDifference | None = Field(
        None,
        description="Largest difference of part and reference when they were laid side by side. What a soak may have "
        "left of it counts beside `difference`: it falls to 37 % in each `time_constant`.",
    )
    time_constant: Time | None = Field(
        None,
        description="Of part and reference beside each other, at most: the time in which a difference falls to 37 %. "
        "Where left out, the longest that part and reference have in still air, by size, section and material.",
    )
    part_expansion: ExpansionEstimate | None = Field(None, description="Of the part, in place of the table's.")
    reference_expansion: ExpansionEstimate | None = Field(
        None, description="Of the reference, in place of the table's."
    )
    expansion_difference: ExpansionEstimate | None = Field(
        None, description="Part less reference, where it is better known than the two."
    )
    lowest: Temperature | None = Field(None, description="No temperature may be lower.")
    highest: Temperature | None = Field(None, description="No temperature may be higher.")
    largest_difference: TemperatureDifference | None = Field(
        None, description="Part and reference may not differ by more."
    )
    largest_change: TemperatureDifference | None = Field(
        None,
        description="While the part is read, neither part nor reference may change by more, or it is asked; where left "
        "out, largest_difference or 0.5 K, and what two readings of the thermometer may differ.",
    )
