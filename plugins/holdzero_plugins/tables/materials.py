"""Materials of gauge blocks, tips, plates and parts, from tables with their sources."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any

from holdzero.hooks import Estimate, Material, hookimpl


@cache
def materials() -> Mapping[str, Material]:
    """All that the tables hold, by name.

    Source: beside each row, in `data/materials.toml` (expansion), `data/elastic.toml`, `data/heat.toml` and
    `data/strength.toml` (hardness, yield).
    """
    grows, gives, warms, bears = (_table(name) for name in ("materials", "elastic", "heat", "strength"))
    names = sorted({*grows, *gives, *warms, *bears})
    return {
        name: _material(name, grows.get(name), gives.get(name), {**warms.get(name, {}), **bears.get(name, {})})
        for name in names
    }


def _table(name: str) -> Mapping[str, Mapping[str, Any]]:
    folder = resources.files("holdzero_plugins.tables")
    return tomllib.loads(folder.joinpath(f"data/{name}.toml").read_text("utf-8"))


def _material(
    name: str, grows: Mapping[str, Any] | None, gives: Mapping[str, Any] | None, rest: Mapping[str, Any]
) -> Material:
    expansion = modulus = None
    if grows is not None:
        expansion = Estimate.within(grows["expansion"] * 1e-6, grows["halfwidth"] * 1e-6, why=grows["source"])
    if gives is not None:
        modulus = Estimate.within(float(gives["modulus"]), float(gives["halfwidth"]), why=gives["source"])
    return Material(
        name=name,
        expansion=expansion,
        modulus=modulus,
        poisson=gives["poisson"] if gives is not None else None,
        density_kg_m3=rest.get("density"),
        heat_J_kgK=rest.get("heat"),
        conductivity_W_mK=rest.get("conductivity"),
        hardness_GPa=rest.get("hardness"),
        yield_GPa=rest.get("yield"),
    )


@hookimpl
def holdzero_materials() -> Sequence[Material]:
    """The materials of the tables."""
    return list(materials().values())
