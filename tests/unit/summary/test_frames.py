"""Tables in the user's units: bearings, coordinates, blanks, warnings, assumptions."""

import numpy as np
import pytest
from shapely import LineString, box

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.units import acres
from allocator.plan import plan_traps
from allocator.summary.coordinates import crew_coordinates
from tests.builders import CRS_WKT, SWAMP, WATER, make_settings, make_study

SETTINGS = make_settings(
    habitat={"smallest_patch_acres": 0.1},
    traps={"acres_per_trap": 20, "smallest_habitat_acres": 1},
    sites={"spacing_m": 50.0, "building_setback_m": 1.0},
)


def swamp_study(road=((0, 100), (600, 100)), **changes):
    cover = np.full((50, 60), SWAMP, np.uint8)
    cover[:, 29] = WATER
    options = {"roads": [LineString(road)], "settings": SETTINGS} | changes
    return make_study(cover, [box(0, 0, 600, 500)], **options)


@pytest.fixture(scope="module")
def plan():
    return plan_traps(swamp_study())


def test_there_are_sites_to_look_at(plan):
    assert len(plan.sites) >= 3
    assert plan.sites["rank"].tolist() == list(range(1, len(plan.sites) + 1))
    assert plan.sites["site_id"].tolist() == [f"T{rank:03d}" for rank in plan.sites["rank"]]


SIDES = {
    # road, the property on one side of it, water on that side, where the road then lies
    "road to the south": (((0, 100), (600, 100)), box(0, 101, 600, 300), np.s_[30:32, :], 180.0),
    "road to the north": (((0, 400), (600, 400)), box(0, 200, 600, 399), np.s_[20:22, :], 0.0),
    "road to the west": (((60, 0), (60, 500)), box(61, 0, 260, 500), np.s_[:, 15:17], 270.0),
    "road to the east": (((540, 0), (540, 500)), box(340, 0, 539, 500), np.s_[:, 44:46], 90.0),
}


@pytest.mark.parametrize("name", SIDES)
def test_the_door_faces_the_road(name):
    road, side, water, expected = SIDES[name]
    cover = np.full((50, 60), SWAMP, np.uint8)
    cover[water] = WATER
    found = plan_traps(make_study(cover, [side], roads=[LineString(road)], settings=SETTINGS)).sites
    assert len(found)
    off = (found["door_bearing_deg"].to_numpy() - expected + 180) % 360 - 180
    np.testing.assert_allclose(off, 0, atol=0.1)  # the study lies near the middle of its projection
    assert found["door_bearing_deg"].between(0, 360, inclusive="left").all()


def test_coordinates_of_sites_are_those_of_their_points(plan):
    longitude, latitude = transform_points(
        plan.sites.geometry.x.to_numpy(), plan.sites.geometry.y.to_numpy(), CRS_WKT, GEOGRAPHIC
    )
    np.testing.assert_allclose(plan.sites["longitude"], longitude, atol=1e-12)
    np.testing.assert_allclose(plan.sites["latitude"], latitude, atol=1e-12)
    assert (abs(longitude + 84.5) < 0.01).all()
    assert (abs(latitude - 32.4) < 0.01).all()
    for place, row in enumerate(plan.sites.to_dict("records")):
        crew = crew_coordinates(latitude[place], longitude[place])
        assert (row["usng"], row["utm"]) == (crew.usng, crew.utm)


def test_roads_are_named_and_dry_weather_is_said():
    study = swamp_study(trucks=["dry"])
    sites = plan_traps(study).sites
    assert set(sites["road_name"]) == {"Road 0"}
    assert set(sites["road_when"]) == {"dry weather only"}


def test_no_water_known_leaves_distances_blank():
    cover = np.full((50, 60), SWAMP, np.uint8)
    study = make_study(cover, [box(0, 0, 600, 500)], roads=[LineString([(0, 100), (600, 100)])], settings=SETTINGS)
    found = plan_traps(study)
    assert len(found.sites)
    assert found.sites["water_distance_m"].isna().all()
    assert found.sites["slope_percent"].isna().all()
    assert "distance to water, height above water" in " ".join(found.warnings)


def test_blank_land_cover_counts_as_area_never_as_habitat():
    cover = np.full((50, 60), SWAMP, np.uint8)
    cover[:, :15] = 255
    found = plan_traps(make_study(cover, [box(0, 0, 600, 500)], settings=SETTINGS))
    row = found.properties.iloc[0]
    assert row["blank_percent"] == pytest.approx(25)
    assert row["habitat_percent"] == pytest.approx(75)
    assert row["habitat_acres"] == pytest.approx(acres(450 * 500.0))
    assert "25.0 percent" in " ".join(found.warnings)


def test_ground_beyond_the_grid_is_blank_too():
    found = plan_traps(make_study(np.full((50, 60), SWAMP, np.uint8), [box(300, 0, 900, 500)], settings=SETTINGS))
    assert found.properties["blank_percent"][0] == pytest.approx(50)
    assert found.properties["area_acres"][0] == pytest.approx(acres(600 * 500.0))


def test_a_property_without_roads_says_why():
    found = plan_traps(swamp_study(roads=None))
    assert found.properties["shortfall"][0] == found.totals.traps > 0
    reason = found.properties["shortfall_reason"][0]
    assert reason == "roads were not given; no change of a single limit that was tried would place it"
    assert f"{found.totals.shortfall} of {found.totals.traps} traps have no site" in found.warnings[0]


def test_spacing_is_said_where_it_leaves_traps_without_a_site():
    settings = make_settings(
        habitat={"smallest_patch_acres": 0.1},
        traps={"acres_per_trap": 5, "smallest_habitat_acres": 1},
        sites={"spacing_m": 400.0, "building_setback_m": 1.0},
    )
    found = plan_traps(swamp_study(settings=settings))
    assert found.totals.shortfall > 0
    assert "nearer than 400 m to another trap" in found.properties["shortfall_reason"][0]


def test_assumptions_name_every_setting_once_and_say_what_was_changed(plan):
    table = plan.assumptions.set_index("setting")
    assert table.index.is_unique
    assert (table["source"] != "").all()
    assert (table["unit"] != "").all()
    assert table.loc["traps.acres_per_trap", "value"] == "20.0"
    assert "study file" in table.loc["traps.acres_per_trap", "source"]
    assert table.loc["habitat.threshold", "source"].startswith("project default")
    assert table.loc["habitat.cover.90", "value"] == "1"
    assert table.loc["sites.service_radius_m", "value"] == "160.5"  # sqrt(20 * 4046.8564224 / pi)
