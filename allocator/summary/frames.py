"""Tables with geometry, in the user's units and with the columns that every output shows."""

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from allocator.core.arrays import Floats, Ints
from allocator.core.cautions import SITE_CAUTION
from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.study import BLANK_CLASS, Study
from allocator.core.units import acres, percent
from allocator.habitat.area import Areas
from allocator.habitat.complexes import Complexes
from allocator.habitat.components import COMPONENTS
from allocator.habitat.patches import Patches
from allocator.sites.allot import Allotment
from allocator.sites.candidates import Candidates
from allocator.sites.place import Placement
from allocator.sites.spots import SHADES
from allocator.summary.coordinates import crew_coordinates
from allocator.traps.need import Need, traps_alone
from allocator.traps.ranges import Ranges

ROAD_WHEN = {"yes": "all year", "dry": "dry weather only"}


def _ids(letter: str, number: int, least: int = 3) -> NDArray[np.object_]:
    """Ids such as P001, all of one length so that they sort as text."""
    width = max(least, len(str(number)))
    return np.array([f"{letter}{place:0{width}d}" for place in range(1, number + 1)], object)


def _over(part: Floats, whole: Floats) -> Floats:
    return np.divide(part, whole, out=np.zeros(len(part)), where=whole > 0)


def whole_range(traps: Ints, exact: Floats, ends: Floats) -> Ints:
    """Low and high whole traps: the plan's number moved by what the exact figure moves, a half upwards.

    Parameters
    ----------
    traps, exact : array, shape (...)
        Whole and exact traps of the plan.
    ends : array of float64, shape (2, ...)
        Low and high exact traps.

    Returns
    -------
    array of int64, shape (2, ...)
        0 or more; the plan's own number where nothing moves.
    """
    moved = np.floor(np.asarray(traps) + (ends - exact) + 0.5 + 1e-9)
    return np.maximum(moved, 0).astype(np.int64)


def property_frame(
    study: Study, areas: Areas, need: Need, ranges: Ranges, *, allotment: Allotment, candidates: Candidates
) -> gpd.GeoDataFrame:
    """One row per property.

    Parameters
    ----------
    study, areas, need, ranges, allotment, candidates
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``properties``.
    """
    properties, number = study.properties, len(study.properties.ids)
    area_m2 = shapely.area(properties.shapes)
    habitat_m2 = np.bincount(areas.pair_property, areas.pair_m2, number)
    is_blank = areas.class_position == BLANK_CLASS
    blank_m2 = np.bincount(areas.class_property[is_blank], areas.class_m2[is_blank], number)
    # Ground outside the land cover's edge has no cells at all: blank too.
    outside_m2 = np.maximum(area_m2 - shapely.area(shapely.clip_by_rect(properties.shapes, *study.grid.bounds_m)), 0)
    outside_m2[outside_m2 < 1e-9 * area_m2] = 0
    placement, given = allotment.placement, allotment.given.property_traps
    sited = np.bincount(candidates.spots.owner[placement.candidate], minlength=number)
    low, high = whole_range(need.property_traps, need.property_exact, ranges.traps)
    return gpd.GeoDataFrame(
        {
            "property_id": np.array(properties.ids, object),
            "name": np.array(properties.names, object),
            "enrolled": properties.enrolled,
            "area_acres": acres(area_m2),
            "habitat_acres": acres(habitat_m2),
            "habitat_percent": percent(_over(habitat_m2, area_m2)),
            "habitat_units_acres": acres(np.bincount(areas.pair_property, areas.pair_units_m2, number)),
            "habitat_low_acres": acres(ranges.habitat_m2[0]),
            "habitat_high_acres": acres(ranges.habitat_m2[1]),
            "blank_percent": percent(_over(blank_m2 + outside_m2, area_m2)),
            "traps_exact": need.property_exact,
            "traps": need.property_traps,
            "traps_low": low,
            "traps_high": high,
            "traps_alone": traps_alone(need, study.settings.traps),
            "traps_given": given,
            "sites": sited,
            "shortfall": given - sited,
            "shortfall_reason": np.array(placement.reason, object),
        },
        geometry=properties.shapes,
        crs=study.grid.crs_wkt,
    )


def habitat_frame(study: Study, patches: Patches, complexes: Complexes) -> gpd.GeoDataFrame:
    """One row per patch.

    Parameters
    ----------
    study, patches, complexes
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``habitat``.
    """
    return gpd.GeoDataFrame(
        {
            "patch_id": _ids("P", len(patches.cells)),
            "complex_id": _ids("C", complexes.count)[complexes.complex_of],
            "area_acres": acres(patches.cells * study.grid.cell_area_m2),
            "habitat_units_acres": acres(patches.cells * patches.mean_score * study.grid.cell_area_m2),
            "mean_score": patches.mean_score,
        }
        | {f"mean_{name}": patches.mean_index.get(name, np.full(len(patches.cells), np.nan)) for name in COMPONENTS},
        geometry=patches.shapes,
        crs=study.grid.crs_wkt,
    )


def complex_frame(
    study: Study, areas: Areas, need: Need, *, complexes: Complexes, patches: Patches, allotment: Allotment
) -> gpd.GeoDataFrame:
    """One row per complex.

    Parameters
    ----------
    study, areas, need, complexes, patches, allotment
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``complexes``.
    """
    number, placement = complexes.count, allotment.placement
    sited = np.bincount(placement.complex_of, minlength=number)
    parts, owner = shapely.get_parts(patches.shapes, return_index=True)
    of = complexes.complex_of[owner]
    order = np.argsort(of, kind="stable")
    shapes = shapely.multipolygons(parts[order], indices=of[order]) if number else np.empty(0, object)
    gap = np.round(percent(1 - 1 / placement.complex_bound), 6)
    return gpd.GeoDataFrame(
        {
            "complex_id": _ids("C", number),
            "patches": np.bincount(complexes.complex_of, minlength=number),
            "habitat_acres": acres(areas.complex_m2),
            "enrolled_habitat_acres": acres(areas.complex_enrolled_m2),
            "habitat_units_acres": acres(areas.complex_units_m2),
            "traps_exact": need.complex_exact,
            "traps": need.complex_traps,
            "traps_given": allotment.given.complex_traps,
            "sites": sited,
            "served_percent": percent(_over(placement.complex_served, areas.complex_units_m2)),
            "gap_percent": np.where(sited > 0, gap, np.nan),
        },
        geometry=shapes,
        crs=study.grid.crs_wkt,
    )


def candidate_frame(study: Study, candidates: Candidates, placement: Placement) -> gpd.GeoDataFrame:
    """One row per candidate.

    Parameters
    ----------
    study, candidates, placement
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``candidates``.
    """
    spots = candidates.spots
    chosen = np.zeros(len(spots.row), bool)
    chosen[placement.candidate] = True
    return gpd.GeoDataFrame(
        {
            "candidate_id": _ids("K", len(spots.row), 4),
            "property_id": np.array(study.properties.ids, object)[spots.owner],
            "quality": candidates.quality,
            "road_distance_m": candidates.road.distance_m,
            "water_distance_m": spots.water_m,
            "slope_percent": percent(spots.slope),
            "boundary_distance_m": candidates.boundary_m,
            "building_distance_m": candidates.building_m,
            "shade": np.array(SHADES, object)[spots.shade],
            "score": spots.score,
            "is_chosen": chosen,
        },
        geometry=shapely.points(candidates.x_m, candidates.y_m),
        crs=study.grid.crs_wkt,
    )


def site_frame(study: Study, candidates: Candidates, placement: Placement, complexes: Complexes) -> gpd.GeoDataFrame:
    """One row per site, best first.

    Parameters
    ----------
    study, candidates, placement, complexes
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``sites``.
    """
    at = placement.candidate
    spots = candidates.spots.take(at)
    x_m, y_m, road = candidates.x_m[at], candidates.y_m[at], candidates.road
    longitude, latitude = transform_points(x_m, y_m, study.grid.crs_wkt, GEOGRAPHIC)
    foot_lon, foot_lat = transform_points(road.x_m[at], road.y_m[at], study.grid.crs_wkt, GEOGRAPHIC)
    bearing = np.asarray(Geod(ellps="WGS84").inv(longitude, latitude, foot_lon, foot_lat)[0]) % 360
    crew = [crew_coordinates(*place) for place in zip(latitude.tolist(), longitude.tolist(), strict=True)]
    names = [study.roads.names[place] for place in road.road[at]] if study.roads else []
    when = [ROAD_WHEN[study.roads.truck[place]] for place in road.road[at]] if study.roads else []
    return gpd.GeoDataFrame(
        {
            "site_id": _ids("T", len(at)),
            "rank": np.arange(1, len(at) + 1),
            "property_id": np.array(study.properties.ids, object)[spots.owner],
            "complex_id": _ids("C", complexes.count)[placement.complex_of],
            "latitude": latitude,
            "longitude": longitude,
            "usng": np.array([place.usng for place in crew], object),
            "utm": np.array([place.utm for place in crew], object),
            "road_name": np.array(names, object),
            "road_distance_m": road.distance_m[at],
            "road_when": np.array(when, object),
            "water_distance_m": spots.water_m,
            "slope_percent": percent(spots.slope),
            "cover": np.array(
                [study.classes[place].name if place < BLANK_CLASS else "blank" for place in spots.cover], object
            ),
            "score": spots.score,
            "quality": candidates.quality[at],
            "served_acres": acres(placement.served_m2),
            "door_bearing_deg": bearing,
            "decision": np.full(len(at), "", object),
            "cautions": np.full(len(at), SITE_CAUTION, object),
        },
        geometry=shapely.points(x_m, y_m),
        crs=study.grid.crs_wkt,
    )


def service_frame(study: Study, placement: Placement) -> gpd.GeoDataFrame:
    """One row per site: the ground it serves.

    Parameters
    ----------
    study, placement
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``service_areas``.
    """
    return gpd.GeoDataFrame(
        {"site_id": _ids("T", len(placement.candidate)), "served_acres": acres(placement.served_m2)},
        geometry=placement.circles,
        crs=study.grid.crs_wkt,
    )
