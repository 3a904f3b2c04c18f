"""Tables with geometry, in the user's units and with the columns that every output shows."""

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely

from allocator.core.arrays import Floats, Ints
from allocator.core.ids import numbered
from allocator.core.study import BLANK_CLASS, Study
from allocator.core.units import acres, percent
from allocator.habitat.area import Areas
from allocator.habitat.complexes import Complexes
from allocator.habitat.components import COMPONENTS
from allocator.habitat.patches import Patches
from allocator.sites.allot import Allotment
from allocator.sites.shortfall import Shortfall
from allocator.traps.need import Need, traps_alone
from allocator.traps.ranges import Ranges

CLOSED_PERCENT = 1e-4
"""A gap up to this counts as proven best."""


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


def gap_percent(worth: Floats, bound: Floats) -> Floats:
    """What a better choice of sites could at most add, in percent of the bound.

    Parameters
    ----------
    worth, bound : array of float64
        What the choice is worth, and what none can exceed.

    Returns
    -------
    array of float64
        0 where there is nothing to serve.
    """
    return np.maximum(np.round(percent(1 - _over(worth, bound)) * (bound > 0), 6), 0.0)


def property_frame(
    study: Study, areas: Areas, need: Need, ranges: Ranges, *, allotment: Allotment, shortfalls: Sequence[Shortfall]
) -> gpd.GeoDataFrame:
    """One row per property.

    Parameters
    ----------
    study, areas, need, ranges, allotment, shortfalls
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
    placement, given = allotment.placement, allotment.given
    sited = np.bincount(allotment.board.candidates.places.spots.owner[placement.candidate], minlength=number)
    reasons = np.full(number, "", object)
    for one in shortfalls:
        reasons[one.owner] = "; ".join(filter(None, [reasons[one.owner], one.words]))
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
            "traps_given": given.property_traps,
            "existing_traps": allotment.in_place,
            "sites": sited,
            "shortfall": np.bincount(given.pairs.property, allotment.pair_short, number).astype(np.int64),
            "shortfall_reason": reasons,
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
            "patch_id": numbered("P", len(patches.cells)),
            "complex_id": numbered("C", complexes.count)[complexes.complex_of],
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
    gap = gap_percent(placement.complex_worth, placement.complex_bound)
    held = allotment.held.in_place_complex
    status = np.where(gap <= CLOSED_PERCENT, "optimal", "feasible").astype(object)
    return gpd.GeoDataFrame(
        {
            "complex_id": numbered("C", number),
            "patches": np.bincount(complexes.complex_of, minlength=number),
            "habitat_acres": acres(areas.complex_m2),
            "enrolled_habitat_acres": acres(areas.complex_enrolled_m2),
            "habitat_units_acres": acres(areas.complex_units_m2),
            "traps_exact": need.complex_exact,
            "traps": need.complex_traps,
            "traps_given": allotment.given.complex_traps,
            "existing_traps": np.bincount(held[held >= 0], minlength=number),
            "sites": sited,
            "served_percent": percent(_over(placement.complex_served, areas.complex_units_m2)),
            "solver_status": np.where(sited > 0, status, "none"),
            "choice_acres": np.where(sited > 0, acres(placement.complex_worth), np.nan),
            "bound_acres": np.where(sited > 0, acres(placement.complex_bound), np.nan),
            "gap_percent": np.where(sited > 0, gap, np.nan),
        },
        geometry=shapes,
        crs=study.grid.crs_wkt,
    )
