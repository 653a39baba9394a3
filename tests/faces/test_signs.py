"""Signs on all faces: CAUTION with its colour says that somebody can be hurt, and nothing else says it."""

from __future__ import annotations

import colorsys
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import holdzero
import holdzero_plugins
from holdzero.catalogue import Catalogue

RUNNER, PLUGINS = (Path(package.__file__ or "").parent for package in (holdzero, holdzero_plugins))
DRAWN = {".py", ".html", ".css", ".js", ".svg", ".in"}
# Hue of a safety yellow or amber [degrees]; ISO 3864-4 has its yellow within (bounds are ours, no source).
AMBER_DEG = (30.0, 70.0)


def sources() -> Iterator[tuple[str, str]]:
    """Everything that is shown or makes what is shown: name and text."""
    for root in (RUNNER, PLUGINS):
        for path in sorted(root.rglob("*")):
            if path.suffix in DRAWN:
                yield str(path.relative_to(root)), path.read_text("utf-8")


def is_amber(colour: str) -> bool:
    red, green, blue = (int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5))
    hue, _, saturation = colorsys.rgb_to_hls(red, green, blue)
    return AMBER_DEG[0] <= 360.0 * hue <= AMBER_DEG[1] and saturation > 0.3  # greys have none


class TestCaution:
    def test_its_word_stands_before_a_routine_s_caution_alone(self) -> None:
        # The signal words of ANSI Z535.4 and ISO 3864-2 say that somebody can be hurt (from memory).
        found = [
            (name, line.strip())
            for name, text in sources()
            for line in text.splitlines()
            if re.search(r"(?<![A-Z_])CAUTION(?![A-Z_])", line)
        ]
        assert [name for name, _ in found] == ["cli/terminal.py", "page/templates/sheet.html"]
        assert all("caution }}" in line or "{prompt.caution}" in line for _, line in found)

    def test_no_plugin_calls_anything_else_a_caution(self, catalogue: Catalogue) -> None:
        kinds = (catalogue.checks, catalogue.sources, catalogue.writers, catalogue.rules, catalogue.contrasts)
        said = [declared.title for kind in kinds for _, declared in kind.values()]
        for _, check in catalogue.checks.values():
            said += [field.description or "" for field in check.settings.model_fields.values()]
        assert len(said) > 20
        assert [words for words in said if "caution" in words.lower()] == []

    def test_its_colour_is_nobody_else_s(self) -> None:
        found = [
            line.strip()
            for _, text in sources()
            for line in text.splitlines()
            if any(map(is_amber, re.findall(r"#[0-9a-fA-F]{6}\b", line)))
        ]
        assert found
        assert [line for line in found if not line.startswith("--caution:")] == []
        words = {
            (name, line.strip())
            for name, text in sources()
            for line in text.splitlines()
            if re.search(r"\b(yellow|amber|orange)\b", line, flags=re.IGNORECASE)
        }
        comments = {(name, line) for name, line in words if line.startswith(("#", "/*"))}
        assert words - comments == {("cli/terminal.py", 'self._say(f"CAUTION  {prompt.caution}", "bold yellow")')}


def luminance(colour: str) -> float:
    """Relative luminance [1].

    Source: WCAG 2.2, definition of relative luminance (from memory).
    """
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


class TestTones:
    @pytest.mark.parametrize(
        "path",
        [
            RUNNER / "page/static/bench.css",
            RUNNER / "pictures/templates/page.css",
            PLUGINS / "writers/templates/record.css",
        ],
        ids=lambda path: path.name,
    )
    def test_each_is_read_on_paper_and_on_its_own_ground_light_and_dark(self, path: Path) -> None:
        """WCAG 2.2, 1.4.3: 4.5 to 1 for text (from memory)."""
        blocks = re.findall(r"\{([^{}]*--paper:[^{}]*)\}", path.read_text("utf-8"))
        assert len(blocks) >= 2
        for block in blocks:
            colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
            tones = [name.removesuffix("-wash") for name in colours if name.endswith("-wash")]
            assert len(tones) >= 3
            pairs = [(tone, ground) for tone in tones for ground in ("paper", f"{tone}-wash")]
            pairs += [("ink", f"{tone}-wash") for tone in tones]
            assert [pair for pair in pairs if contrast(colours[pair[0]], colours[pair[1]]) < 4.5] == []
