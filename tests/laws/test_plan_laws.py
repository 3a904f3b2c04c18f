"""Laws of the whole journey, on small studies held in memory."""

from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Polygon, box

from allocator.core.study import BLANK_CLASS, PolygonCover, Soils
from allocator.core.units import acres
from allocator.plan import plan_traps
from tests.builders import (
    FOREST,
    PASTURE,
    SHRUB,
    SWAMP,
    WATER,
    ArrayReader,
    law,
    make_settings,
    make_study,
    objects,
    rough_land,
)  # fmt: skip

TABLES = (
    "properties", "habitat", "complexes", "sites", "candidates", "service_areas", "cover_acres", "seasons",
    "season_acres", "assumptions", "inputs", "problems",
)  # fmt: skip

TOTALS = ("area_acres", "habitat_acres", "habitat_units_acres", "enrolled_habitat_acres", "traps_exact")


def fingerprint(plan):
    """Every table as exact text, floats to the last bit, shapes as bytes."""

    def plain(value):
        if isinstance(value, float | np.floating):
            return float(value).hex()
        return value.wkb_hex if isinstance(value, shapely.Geometry) else str(value)

    tables = {}
    for name in TABLES:
        table = getattr(plan, name)
        tables[name] = [table.columns.tolist(), [[plain(value) for value in row] for row in table.to_numpy(object)]]
    tables["totals"] = [[plain(value) for value in asdict(plan.totals).values()]]
    tables["solver"] = [[plain(value) for value in asdict(plan.solver).values()]]
    tables["score"] = [one.score.tobytes() + one.is_habitat.tobytes() for one in plan.scores.values()]
    tables["warnings"] = plan.warnings
    return tables


def full_study():
    """30 m cells, 6.6 by 7.2 km: elevation, roads, properties that overlap, a stream, buildings, exclusions."""
    rows, columns, cell_m = 220, 240, 30.0
    random = np.random.default_rng(11)
    cover = rough_land(rows, columns, seed=6)
    east, north = columns * cell_m, rows * cell_m
    ground = np.cumsum(random.normal(0, 0.4, (rows, columns)), axis=1).astype(np.float32) + 20
    ground[random.random(ground.shape) < 0.002] = np.nan
    shapes = [
        box(301, 299, 3000, 3500), Polygon([(2500, 3000), (6500, 2900), (6300, 6100), (2600, 6000)]),
        box(3100, 250, 6900, 2900), box(400, 3600, 2400, 6300), box(2000, 2000, 4000, 4000),
    ]  # fmt: skip
    roads = [
        LineString([(0, 1500), (3600, 1700), (east, 1200)]), LineString([(1500, 0), (1600, north)]),
        LineString([(5000, north), (5100, 3000), (4800, 0)]), LineString([(0, 5000), (east, 5100)]),
    ]  # fmt: skip
    return make_study(
        cover, shapes, cell_m=cell_m, enrolled=[True, True, True, False, True], elevation=ground, roads=roads,
        trucks=["yes", "dry", "yes", "no"], buildings=[box(1700, 1500, 1720, 1520)],
        exclusions=[box(5000, 1000, 5300, 2500)],
        water=[LineString([(100, 6500), (3000, 3300), (7000, 700)]), box(4000, 4000, 4100, 4075)],
        water_kinds_of_shapes=["seasonal", "permanent"], escape_cover=objects([box(3300, 600, 3600, 1500)]),
        canopy=ArrayReader(random.integers(0, 101, (rows, columns)).astype(np.float32), np.nan),
        soils=Soils(objects([box(0, 0, 3000, north), box(3500, 0, east, 4000)]),
                    np.array([4, 1], np.uint8), np.array([6, BLANK_CLASS], np.uint8)),
        settings=make_settings(
            study={"season": ["year_round", "dry", "wet"]},
            habitat={"join_distance_m": 60.0},
            traps={"acres_per_trap": 60, "smallest_habitat_acres": 20},
            sites={"spacing_m": 300.0, "slope_limit_percent": 30.0},
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def whole():
    return plan_traps(full_study())


def test_the_study_of_these_laws_has_something_of_everything(whole):
    assert len(whole.sites) >= 5
    assert len(whole.complexes) >= 3
    assert len(whole.candidates) > len(whole.sites)
    assert whole.totals.traps > 5
    assert (whole.properties["habitat_acres"] > 0).all()
    assert {"open", "partial", "closed"} == set(whole.candidates["shade"])
    assert whole.candidates["slope_percent"].notna().any()
    assert whole.facts["score_components"] == [
        "cover", "water", "lowland", "escape", "developed", "flooding", "drainage", "canopy",
    ]  # fmt: skip
    assert whole.seasons["season"].tolist() == ["year_round", "dry", "wet"]
    assert (whole.seasons["habitat_acres"] > 0).all() and whole.seasons["habitat_acres"].nunique() == 3
    assert whole.totals.area_acres < whole.properties["area_acres"].sum()  # properties overlap


@pytest.mark.parametrize(("tile_cells", "workers"), [(64, 1), (64, 2), (200, 1), (200, 2), (4096, 1), (4096, 2)])
def test_a_plan_is_the_same_to_the_last_bit_for_all_tiles_and_workers(whole, tile_cells, workers):
    expected = fingerprint(whole)
    found = fingerprint(plan_traps(full_study(), tile_cells=tile_cells, workers=workers))
    for name, table in expected.items():
        assert found[name] == table, name


def test_polygon_cover_is_the_same_for_all_tiles():
    study = full_study()
    random = np.random.default_rng(2)
    at = shapely.points(random.uniform(0, 7200, 150), random.uniform(0, 6600, 150))
    shapes = objects(shapely.buffer(at, random.uniform(200, 700, 150)))
    cover = PolygonCover(shapes, random.integers(0, 5, 150).astype(np.uint8))
    study = replace(study, cover=cover)
    first = fingerprint(plan_traps(study, tile_cells=4096))
    second = fingerprint(plan_traps(study, tile_cells=90))
    assert first == second
    assert len(first["sites"][1])


def test_totals_are_the_sums_of_the_tables(whole):
    totals = whole.totals
    assert totals.traps == whole.properties["traps"].sum() == whole.complexes["traps"].sum()
    assert totals.sites == len(whole.sites) == whole.complexes["sites"].sum() == whole.properties["sites"].sum()
    assert totals.traps_exact == pytest.approx(whole.complexes["traps_exact"].sum())
    assert totals.enrolled_habitat_acres == pytest.approx(whole.complexes["enrolled_habitat_acres"].sum())
    assert totals.shortfall == totals.traps - totals.sites
    assert whole.habitat["area_acres"].sum() == pytest.approx(whole.complexes["habitat_acres"].sum())
    assert (whole.complexes["enrolled_habitat_acres"] <= whole.complexes["habitat_acres"] * (1 + 1e-12)).all()
    short = whole.properties["shortfall"] > 0
    assert (whole.properties["shortfall_reason"] != "").tolist() == short.tolist()


def test_classes_of_a_property_sum_to_its_area(whole):
    by_class = whole.cover_acres.groupby("property_id")["area_acres"].sum()
    np.testing.assert_allclose(by_class.to_numpy(), whole.properties["area_acres"].to_numpy(), rtol=1e-6)


def test_sites_keep_every_rule_measured_anew(whole):
    sites, settings = whole.sites, whole.study.settings
    points = sites.geometry.to_numpy()
    apart = shapely.distance(points[:, None], points[None])[np.triu_indices(len(points), 1)]
    assert apart.min() >= settings.sites.spacing_m
    enrolled = whole.properties.set_index("property_id")
    for one, row in zip(points, sites.to_dict("records"), strict=True):
        assert enrolled.loc[row["property_id"], "enrolled"]
        assert enrolled.loc[row["property_id"], "geometry"].contains(one)
        assert not any(area.intersects(one) for area in whole.study.exclusions)
    per_property = sites["property_id"].value_counts()
    assert all(number <= enrolled.loc[name, "traps"] for name, number in per_property.items())
    truck = np.array(whole.study.roads.truck) != "no"
    by_road = shapely.distance(points[:, None], whole.study.roads.shapes[truck][None]).min(axis=1)
    low, high = settings.sites.road_distance_m
    assert low <= by_road.min() <= by_road.max() <= high


def test_ground_served_by_two_sites_counts_once(whole):
    habitat = shapely.union_all(whole.habitat.geometry.to_numpy())
    circles = shapely.union_all(whole.service_areas.geometry.to_numpy())
    most = acres(shapely.area(shapely.intersection(habitat, circles)))
    assert 0 < whole.sites["served_acres"].sum() <= most * len(whole.complexes)
    one_complex = whole.sites.groupby("complex_id")["served_acres"].sum()
    for name, served in one_complex.items():
        patches = whole.habitat[whole.habitat["complex_id"] == name].geometry.to_numpy()
        its = whole.service_areas[whole.sites["complex_id"].to_numpy() == name].geometry.to_numpy()
        ground = shapely.intersection(shapely.union_all(patches), shapely.union_all(its))
        assert served == pytest.approx(acres(ground.area), rel=1e-6)


def land_study(shapes, cover=None, **changes):
    cover = rough_land(50, 60, seed=3) if cover is None else cover
    settings = make_settings(
        habitat={"smallest_patch_acres": 0.5, "curves": {"water_m": [[0, 1], [100, 1], [300, 0]]}},
        traps={"acres_per_trap": 5, "smallest_habitat_acres": 1},
    )
    return make_study(cover, shapes, settings=settings, **changes)


def test_one_property_over_all_holds_the_acres_of_all_patches():
    plan = plan_traps(land_study([box(-50, -50, 650, 550)]))
    assert len(plan.habitat) >= 2
    assert plan.properties["habitat_acres"].sum() == pytest.approx(plan.habitat["area_acres"].sum(), rel=1e-12)
    assert plan.totals.habitat_acres == pytest.approx(plan.habitat["area_acres"].sum(), rel=1e-12)
    units = (plan.habitat["area_acres"] * plan.habitat["mean_score"]).sum()
    assert plan.properties["habitat_units_acres"].sum() == pytest.approx(units, rel=1e-9)
    assert plan.habitat["area_acres"].sum() == pytest.approx(acres(plan.score.is_habitat.sum() * 100.0))


cuts = st.lists(st.tuples(st.floats(-60, 660), st.floats(-60, 560), st.floats(0, np.pi)), min_size=1, max_size=3)
UNCUT = plan_traps(land_study([box(13, 27, 571, 489)]))


@law(25)
@given(cuts)
def test_splitting_a_property_keeps_the_totals(lines):
    shapes = [box(13, 27, 571, 489)]
    for x, y, angle in lines:
        dx, dy = 2000 * np.cos(angle), 2000 * np.sin(angle)
        half = Polygon([(x - dx, y - dy), (x + dx, y + dy), (x + dx - dy, y + dy + dx), (x - dx - dy, y - dy + dx)])
        halves = [part for shape in shapes for part in (shape & half, shape - half)]
        shapes = [part for part in halves if part.geom_type == "Polygon" and part.area > 1]
    plan = plan_traps(land_study(shapes))
    # rounding: some millionths of a cell for each cell on a cut
    within = 1e-5
    for name in TOTALS:
        assert getattr(plan.totals, name) == pytest.approx(getattr(UNCUT.totals, name), rel=within), name
    assert plan.properties["habitat_acres"].sum() == pytest.approx(UNCUT.totals.habitat_acres, rel=within)
    assert plan.totals.traps == UNCUT.totals.traps
    assert plan.complexes["traps"].tolist() == UNCUT.complexes["traps"].tolist()


@law(15)
@given(st.integers(0, 40), st.integers(0, 30))
def test_ground_in_two_properties_counts_once_in_totals(column, row):
    """A second property drawn over the first along cell lines: totals are those of the ground covered."""
    other = box(10.0 * column, 10.0 * row, 10.0 * column + 200, 10.0 * row + 150)
    both = plan_traps(land_study([box(10, 20, 570, 480), other]))
    ground = plan_traps(land_study([box(10, 20, 570, 480) | other]))
    for name in (*TOTALS, "traps"):
        assert getattr(both.totals, name) == pytest.approx(getattr(ground.totals, name), rel=1e-9), name
    alone = plan_traps(land_study([other]))
    assert both.properties["habitat_acres"][1] == pytest.approx(alone.properties["habitat_acres"][0])


def test_a_boundary_given_twice_changes_no_total():
    once = plan_traps(land_study([box(13, 27, 571, 489)]))
    twice = plan_traps(land_study([box(13, 27, 571, 489)] * 2))
    for name in TOTALS:
        assert getattr(twice.totals, name) == pytest.approx(getattr(once.totals, name), rel=1e-6), name


def test_habitat_units_stay_when_a_polygon_of_one_class_is_cut():
    """Habitat units = sum of score times area (ESM 102): the same for one polygon and for its two parts."""
    base = land_study([box(0, 0, 600, 500)], np.full((50, 60), PASTURE, np.uint8))
    swamp, pond = box(101, 99, 480, 420), box(300, 440, 330, 460)

    def units(*parts):
        shapes = [box(0, 0, 600, 500), *parts, pond]
        classes = [PASTURE, *[SWAMP] * len(parts), WATER]
        study = replace(
            base, cover=PolygonCover(objects(shapes), np.array(classes, np.uint8)), water_kinds=frozenset({"permanent"})
        )
        plan = plan_traps(study)
        return plan.totals.habitat_units_acres, plan.totals.habitat_acres, len(plan.habitat)

    whole_units = units(swamp)
    assert whole_units[0] > 10
    assert units(swamp & box(0, 0, 237, 500), swamp - box(0, 0, 237, 500)) == whole_units


@pytest.mark.parametrize("cover", [PASTURE, WATER, FOREST, 255])
def test_land_without_habitat_is_still_a_plan(cover):
    plan = plan_traps(land_study([box(0, 0, 600, 500)], np.full((50, 60), cover, np.uint8)))
    assert plan.totals.habitat_acres == plan.totals.traps == plan.totals.sites == 0
    assert len(plan.habitat) == len(plan.complexes) == len(plan.sites) == len(plan.service_areas) == 0
    assert plan.solver.status == "none"
    assert "No habitat was found" in " ".join(plan.warnings)


@pytest.mark.parametrize("cell", [SWAMP, SHRUB])
def test_a_study_of_one_cell(cell):
    plan = plan_traps(land_study([box(0, 0, 10, 10)], np.array([[cell]], np.uint8)))
    assert plan.properties["area_acres"][0] == pytest.approx(acres(100.0))
    assert len(plan.habitat) == 0  # smaller than the smallest patch


def test_a_plan_leaves_its_study_alone():
    study = full_study()
    before = fingerprint_of_study(study)
    plan_traps(study)
    assert fingerprint_of_study(study) == before


def fingerprint_of_study(study):
    return (
        study.cover.values.tobytes(), study.elevation.values.tobytes(), study.properties.enrolled.tobytes(),
        shapely.to_wkb(study.properties.shapes).tolist(), shapely.to_wkb(study.roads.shapes).tolist(),
        shapely.to_wkb(study.water.shapes).tolist(), study.settings.model_dump_json(),
    )  # fmt: skip


def test_tables_are_pandas_tables_with_plain_numbers(whole):
    for name in TABLES:
        table = getattr(whole, name)
        assert isinstance(table, pd.DataFrame)
        assert isinstance(table.index, pd.RangeIndex)
