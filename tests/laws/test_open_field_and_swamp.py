"""What every shipped scheme, profile and season must make of open fields and of woody wetland."""

from pathlib import Path

import numpy as np
import pytest

from allocator.core.settings import read_profile, shipped_profiles
from allocator.core.study import class_score
from allocator.habitat.components import COMPONENTS, LIMITS
from allocator.habitat.score import Component, curve_index, score_cells, whole_score
from allocator.inputs.schemes import COVER_SCHEMES, read_scheme
from tests.builders import make_settings

SEASONS = ("year_round", "dry", "wet")
PROFILES = (None, *shipped_profiles())
OPEN_GROUPS = {"grass", "pasture", "crop", "orchard", "developed_open", "developed", "barren", "shore", "tundra"}
CURVES = {"water": "water_m", "lowland": "lowland_m", "escape": "escape_m", "crops": "crops_m",
          "developed": "developed_m", "canopy": "canopy_percent"}  # fmt: skip


def habitat_of(profile, season):
    regional = {} if profile is None else read_profile(profile)["habitat"]
    return make_settings(habitat=regional).habitat.in_season(season)


def indices(habitat, name):
    """Every index that a component can take, at the ends and the points of its curve or table."""
    if name in ("flooding", "drainage"):
        return list(getattr(habitat, name).model_dump().values())
    return [index for _, index in getattr(habitat.curves, CURVES[name])]


def score_with(habitat, cover, others):
    made = [Component("cover", habitat.weights.cover, np.array([cover]))]
    made += [
        Component(name, getattr(habitat.weights, name), np.array([index]), is_limit=name in LIMITS)
        for name, index in others.items()
    ]
    return int(whole_score(score_cells(made, habitat.combine))[0])


@pytest.mark.parametrize("season", SEASONS)
@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("scheme", COVER_SCHEMES)
def test_open_field_is_never_habitat(scheme, profile, season):
    """At any distance and height, with any of the optional layers: also where all of them are at their best.

    Adding a component at its best raises a score below 1, so all at their best is the highest that a class can reach;
    fewer components are tried one by one as well.
    """
    habitat = habitat_of(profile, season)
    threshold = round(habitat.threshold * 10_000)
    best = {name: max(indices(habitat, name)) for name in COMPONENTS[1:]}
    fields = [one for one in read_scheme(scheme, Path()).classes if one.group in OPEN_GROUPS and one.score > 0]
    assert fields
    for one in fields:
        cover = class_score(one, habitat)
        for left_out in (*best, None):
            others = {name: index for name, index in best.items() if name != left_out}
            assert score_with(habitat, cover, others) < threshold, (one.code, one.name, left_out)
        for names in ((), ("water",), ("water", "lowland")):
            assert score_with(habitat, cover, {name: best[name] for name in names}) < threshold, one.name


FIELDS = {
    "nlcd": ("71", "81", "82"), "nlcd_1992": ("71", "81", "82", "83", "84"), "ccap": ("6", "7", "8"),
    "worldcover": ("30", "40"), "cdl": ("1", "5", "36", "37", "61", "176"), "cowardin": ("Pf",),
}  # fmt: skip


@pytest.mark.parametrize("scheme", FIELDS)
def test_grass_hay_and_crops_are_open_fields_with_a_score(scheme):
    """Else the test above would pass over them: grass, hay, corn, soybeans, alfalfa, fallow as in each legend."""
    by_code = {one.code: one for one in read_scheme(scheme, Path()).classes}
    for code in FIELDS[scheme]:
        assert by_code[code].group in OPEN_GROUPS, by_code[code].name
        assert 0 < by_code[code].score <= 0.1, by_code[code].name


WOODY = {"nlcd": "90", "nlcd_1992": "91", "ccap": "13", "worldcover": "95", "cowardin": "PFO", "cdl": "190"}


@pytest.mark.parametrize("season", SEASONS)
@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("scheme", COVER_SCHEMES)
def test_woody_wetland_is_habitat_within_600_m_of_water_at_any_height(scheme, profile, season):
    """And at the water's edge on low ground whatever soil, crops, canopy and escape cover say: also at their worst.
    Beside a house it still is where those layers are not given.
    """
    habitat = habitat_of(profile, season)
    woody = next(one for one in read_scheme(scheme, Path()).classes if one.code == WOODY[scheme])
    cover, threshold = class_score(woody, habitat), round(habitat.threshold * 10_000)
    assert woody.group == "woody_wetland" and woody.water == "wetland"
    for metres in (0, 200, 400, 600):
        water = float(curve_index(np.array([float(metres)]), habitat.curves.water_m)[0])
        for lowland in indices(habitat, "lowland"):
            assert score_with(habitat, cover, {"water": water, "lowland": lowland}) >= threshold, (metres, lowland)
    worst = {name: min(indices(habitat, name)) for name in COMPONENTS[3:] if name not in LIMITS}
    assert score_with(habitat, cover, {"water": 1.0, "lowland": 1.0} | worst) >= threshold
    if cover == 1:
        assert score_with(habitat, cover, {"water": 1.0, "developed": min(indices(habitat, "developed"))}) >= threshold


def test_woody_wetland_at_the_defaults_reaches_as_far_as_the_formula_says():
    """(1^2 * w * l)^(1/4) >= 0.5 at the least lowland index l = 0.2 needs w >= 0.0625 / 0.2 = 0.3125: on the default
    curve from 1 at 200 m to 0 at 1,500 m that is 1500 - 0.3125 * 1300 = 1,093.75 m. Without elevation w^(1/3) >= 0.5
    needs w >= 0.125: 1500 - 0.125 * 1300 = 1,337.5 m.
    """
    habitat = habitat_of(None, "year_round")

    def at(metres, **others):
        water = float(curve_index(np.array([metres]), habitat.curves.water_m)[0])
        return score_with(habitat, 1.0, {"water": water} | others)

    assert at(1093.75, lowland=0.2) >= 5000 > at(1094.5, lowland=0.2)
    assert at(1337.5) >= 5000 > at(1338.0)


@pytest.mark.parametrize("profile", shipped_profiles())
def test_a_profile_says_what_it_rests_on(profile):
    told = read_profile(profile)
    assert set(told) == {"name", "note", "source", "habitat"}
    assert "expert judgement" in told["note"].casefold()
    assert "project default" in told["source"]


def test_regions_differ_in_the_sign_of_the_wetland_effect():
    """Wetland selected in Florida, avoided in a Texas study (preprint yvm2020.authorea.com 441736/articles/648114)."""
    marsh = next(one for one in read_scheme("nlcd", Path()).classes if one.group == "herbaceous_wetland")
    florida, texas = (
        class_score(marsh, habitat_of(name, "year_round")) for name in ("florida_flatwoods", "texas_brush")
    )
    assert florida > marsh.score > texas
