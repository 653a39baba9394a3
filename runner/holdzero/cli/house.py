"""The shop as the command line opens it: its register, its settings, and the plugins that they allow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdzero.catalogue import Catalogue, House, load_catalogue
from holdzero.checks import Patience
from holdzero.cli import DEFAULT_SHOP
from holdzero.errors import HoldzeroError
from holdzero.register import Register, load_register

__all__ = ["Shop", "open_shop"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """A shop that was opened."""

    path: Path
    register: Register
    catalogue: Catalogue

    def book(self, named: str | None) -> str | None:
        """The book that is meant: the one named, else that of the settings; None for none."""
        url = self.register.book.url
        return named or (url if not url or "://" in url else str(self.path.parent / url)) or None

    @property
    def key(self) -> Path | None:
        """File of the key that signs what goes into the book; None where the shop has none."""
        said = self.register.book.key
        return self.path.parent / said if said else None

    def entries(self, choices: Mapping[str, str]) -> dict[str, Mapping[str, Any]]:
        """Entries of the register for the devices that were named, by role.

        Raises:
            HoldzeroError: one is not there.
        """
        found: dict[str, Mapping[str, Any]] = {}
        for role, name in choices.items():
            entry = self.register.entry(role, name)
            if entry is None:
                raise HoldzeroError(f"there is no {role} {name!r} in {self.path}")
            found[role] = entry
        return found

    @property
    def patience(self) -> Patience:
        """How long a check may take."""
        settings = self.register.plugins
        return Patience(budget_s=settings.budget, limit_s=settings.limit)


def open_shop(named: Path | None, *, lazily: bool = False, catalogue: Catalogue | None = None) -> Shop:
    """Read the settings of the shop and load its plugins.

    Args:
        named: the file that the user named; None for the one in the current folder, whose house
            folder is not trusted.
        lazily: whether built-in plugins wait until they are asked for.
        catalogue: in place of all plugins that are installed or the shop's.

    Raises:
        FileFaultsError: with every fault of the settings.
    """
    path = named if named is not None else DEFAULT_SHOP
    register = load_register(path)
    if catalogue is not None:
        return Shop(path=path, register=register, catalogue=catalogue)
    settings = register.plugins
    house = House(
        folder=path.parent / settings.folder if settings.folder else None,
        enabled=settings.enabled,
        off=settings.off,
        trusted=named is not None,
    )
    if settings.enabled:
        # Whatever makes a number is there before anybody's code runs, so that what that does to it is seen.
        import holdzero.record  # noqa: F401
    return Shop(path=path, register=register, catalogue=load_catalogue(house=house, lazily=lazily))
