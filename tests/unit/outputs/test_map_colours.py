"""Colours of the map: told apart by every kind of eye and in grey, and never alone in telling."""

import itertools
import re
from importlib import resources

import numpy as np
import pytest

from allocator.outputs.map_image import RAMP

colorspacious = pytest.importorskip("colorspacious", reason="colorspacious is a development dependency")

CSS = (resources.files("allocator.outputs") / "templates/map.css").read_text(encoding="utf-8")
SCRIPT = (resources.files("allocator.outputs") / "templates/map.js").read_text(encoding="utf-8")
INKS = dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", CSS))
SHADES = tuple(INKS[f"traps-{number}"] for number in range(5))
EYES = ("normal", "deuteranomaly", "protanomaly", "tritanomaly", "grey")
LEAST = {"grey": 7.0}
"""CAM02-UCS distance wanted between any two: 7 in grey, 10 for every eye (Machado et al. 2009, full severity)."""
LINES = {
    "property": ("solid", "ink"), "habitat": ("solid", "moss"), "water": ("solid", "water"),
    "road-yes": ("double", "road"),
    "unsigned": ("dashes", "ink"), "road-dry": ("dashes", "road"), "round-check": ("dashes", "moss"),
    "service": ("dots", "clay"), "road-no": ("dots", "road-no"), "access": ("dots", "ink"),
    "round-bait": ("dots", "plum"),
    "complex": ("dashes and dots", "plum"),
}  # fmt: skip
"""Lines that may lie on the map together: their pattern, and the name of their colour."""


def _rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])


def _seen(colour: str, eye: str) -> np.ndarray:
    rgb = _rgb(colour)
    if eye == "normal":
        return rgb
    if eye == "grey":
        lightness = colorspacious.cspace_convert(rgb, "sRGB1", "CIELab")[0]
        return np.clip(colorspacious.cspace_convert([lightness, 0, 0], "CIELab", "sRGB1"), 0, 1)
    space = {"name": "sRGB1+CVD", "cvd_type": eye, "severity": 100}
    return np.clip(colorspacious.cspace_convert(rgb, space, "sRGB1"), 0, 1)


def _distance(one: str, other: str, eye: str) -> float:
    return float(colorspacious.deltaE(_seen(one, eye), _seen(other, eye), input_space="sRGB1"))


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.0."""

    def light(colour: str) -> float:
        rgb = _rgb(colour)
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    dark, bright = sorted((light(one), light(other)))
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("colours", [RAMP, SHADES], ids=["score", "need"])
def test_classes_are_told_apart(colours: tuple[str, ...], eye: str) -> None:
    for one, other in itertools.combinations(colours, 2):
        assert _distance(one, other, eye) > LEAST.get(eye, 10.0), (one, other)


@pytest.mark.parametrize("eye", EYES)
def test_lines_of_one_pattern_are_told_apart(eye: str) -> None:
    for (pattern, one), (other_pattern, other) in itertools.combinations(LINES.values(), 2):
        if pattern == other_pattern and one != other:
            assert _distance(INKS[one], INKS[other], eye) > LEAST.get(eye, 10.0), (one, other)


def _swatch(name: str) -> dict[str, str]:
    """Style of a line in the map's key."""
    found = re.search(rf"\.s-{name} \{{([^}}]*)\}}", CSS)
    assert found, name
    return dict(part.strip().split(": ", 1) for part in found[1].split(";") if part.strip())


def _pattern(name: str, dashes: list[float]) -> str:
    if name == "road-yes":
        assert re.search(r"\.s-road-core \{", CSS)
        return "double"
    if len(dashes) > 2:
        return "dashes and dots"
    return "solid" if not dashes else "dots" if dashes[0] <= 2 else "dashes"


@pytest.mark.parametrize("name", LINES)
def test_the_key_draws_each_line_as_listed(name: str) -> None:
    style = _swatch(name)
    dashes = [float(part) for part in style.get("stroke-dasharray", "").split()]
    assert _pattern(name, dashes) == LINES[name][0]
    # swatches without a stroke of their own have that of all
    assert style.get("stroke", "var(--ink)") == f"var(--{LINES[name][1]})"
    assert f'ink("{LINES[name][1]}")' in SCRIPT


def test_no_two_lines_look_the_same_without_their_colour() -> None:
    """Pattern and width, or what fills or cases the line, differ wherever two may be taken for each other."""
    looks = {}
    for name in LINES:
        style = _swatch(name)
        looks[name] = (LINES[name][0], style.get("stroke-dasharray"), style.get("stroke-width"), style.get("fill"))
    assert len(set(looks.values())) == len(looks), looks


@pytest.mark.parametrize("ground", ["paper", "leaf"])
@pytest.mark.parametrize("text", ["ink", "soft", "clay-dark", "clay", "spruce"])
def test_text_stands_out(text: str, ground: str) -> None:
    assert _contrast(INKS[text], INKS[ground]) >= 4.5


@pytest.mark.parametrize("ground", ["ink", "clay", "clay-dark", "here"])
def test_white_text_stands_out(ground: str) -> None:
    assert _contrast("#ffffff", INKS[ground]) >= 4.5


@pytest.mark.parametrize("line", sorted({ink for _, ink in LINES.values()}))
def test_lines_stand_out_from_the_paper(line: str) -> None:
    """3 to 1, as WCAG 2.1 asks of graphics (1.4.11)."""
    assert _contrast(INKS[line], INKS["leaf"]) >= 3.0


def test_what_is_measured_tells_a_bad_ramp() -> None:
    """Red to green in five classes (ColorBrewer's RdYlGn, from memory, unverified) is known to fail for deutan eyes."""
    pairs = list(itertools.combinations(("#d7191c", "#fdae61", "#ffffbf", "#a6d96a", "#1a9641"), 2))
    assert min(_distance(*pair, "normal") for pair in pairs) > 15
    assert min(_distance(*pair, "deuteranomaly") for pair in pairs) < 5
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.0: ratios run from 1 to 21
