"""Tables of what plugins add to the language of a routine, as Markdown: the keys, and the words that can be used."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from holdzero.catalogue import Catalogue
from holdzero.estimate import Estimate
from holdzero.hooks import Settings
from holdzero.routine.keys import key_table, tables_within

__all__ = ["plugin_tables"]

_PPM = 1e6


def plugin_tables(catalogue: Catalogue) -> str:
    """All that the plugins of a catalogue add: checks, steps, measures, rules, materials, names of units."""
    catalogue.want_all()
    checks = [check for _, (_, check) in sorted(catalogue.checks.items())]
    steps = [kind for _, (_, kind) in sorted(catalogue.steps.items())]
    rules = [rule for _, (_, rule) in sorted(catalogue.rules.items())]
    tables = [
        *(part for check in checks for part in _tables(f"[checks.{check.name}]", check.title, check.settings)),
        *(part for kind in steps for part in _tables(f'do = "{kind.name}"', kind.title, kind.settings)),
        *(part for rule in rules for part in _tables(_RULE.format(rule.name), rule.title, rule.settings)),
        _list("Measures", ("measure", "what it is", "places"), _measures(catalogue)),
        _list("Materials", ("material", "expansion in 1e-6/K", "source"), _materials(catalogue)),
        _list("Names of units, in readings alone", ("name", "worth", "what it is"), _units(catalogue)),
    ]
    return "\n".join(tables)


_RULE = '[decision.settings], with `rule = "{}"`'


def _tables(title: str, words: str, settings: type[Settings]) -> Iterator[str]:
    """The table of a declaration's keys, and those of the tables within it."""
    yield key_table(title, settings, f"{words[:1].upper()}{words[1:]}.")
    for key, model in tables_within(settings):
        yield key_table(f"{key}, in {title}" if title.startswith("do") else f"{title.strip('[]')}.{key}", model)


def _list(title: str, heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [f"| {' | '.join(cells)} |" for cells in (heads, *rows)]
    return "\n".join([f"### {title}", "", lines[0], "|---" * len(heads) + "|", *lines[1:], ""])


def _measures(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for name, (_, contrast) in sorted(catalogue.contrasts.items()):
        most = "or more" if contrast.most is None else f"to {contrast.most}"
        exactly = contrast.most == contrast.fewest
        yield f"`{name}`", contrast.title, f"{contrast.fewest}" if exactly else f"{contrast.fewest} {most}"


def _materials(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for name, (_, material) in sorted(catalogue.materials.items()):
        grows = material.expansion
        yield f"`{name}`", *(("not known", "") if grows is None else (_in_ppm(grows), _in_a_cell(grows.why)))


def _in_ppm(grows: Estimate) -> str:
    """A coefficient and how well it is known: within what, or its standard uncertainty."""
    (first, *more) = grows.parts
    value = f"{grows.value * _PPM:.6g}"
    if first.halfwidth and not more:
        return f"{value} ± {first.halfwidth * _PPM:.6g}"
    return f"{value}, u = {grows.standard_uncertainty * _PPM:.2g}"


def _units(catalogue: Catalogue) -> Iterator[tuple[str, ...]]:
    for name, (_, unit) in sorted(catalogue.units.items()):
        yield f"`{name}`", unit.worth, unit.title


def _in_a_cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
