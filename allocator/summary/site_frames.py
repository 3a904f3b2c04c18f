"""Tables of candidates and sites, with the columns that every output shows."""

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from allocator.core.arrays import Floats
from allocator.core.cautions import SITE_CAUTION
from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.ids import numbered
from allocator.core.study import BLANK_CLASS, Study
from allocator.core.units import acres, percent
from allocator.habitat.complexes import Complexes
from allocator.sites.allot import Allotment
from allocator.sites.decisions import Decided
from allocator.sites.measured import Measured
from allocator.sites.place import Placement
from allocator.sites.quality import SHADES
from allocator.sites.shortfall import Shortfall
from allocator.sites.sight import is_seen
from allocator.sites.spots import FLOODING
from allocator.summary.coordinates import crew_coordinates


def _words(names: Sequence[str], positions: Floats) -> NDArray[np.object_]:
    """Words by position; empty where the position is blank."""
    table = np.array([*(one.replace("_", " ") for one in names), ""], object)
    return table[np.where(np.isnan(positions), len(names), positions).astype(int)]


def _roads(study: Study, places: Measured) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Name of each nearest truck road and when it may be used."""
    names = np.array([*(study.roads.names if study.roads else ()), ""], object)
    when = np.where(places.road.is_dry, "dry weather only", "all year").astype(object)
    return names[places.road.road], when


def _cover(study: Study, places: Measured) -> NDArray[np.object_]:
    names = [one.name for one in study.classes]
    return np.array([*names, *[""] * (BLANK_CLASS - len(names)), "blank"], object)[places.spots.cover]


def candidate_frame(study: Study, decided: Decided, placement: Placement) -> gpd.GeoDataFrame:
    """One row per candidate.

    Parameters
    ----------
    study, decided, placement
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``candidates``.
    """
    places, number = decided.candidates.places, len(decided.candidates.quality)
    chosen = np.zeros(number, bool)
    chosen[placement.candidate] = True
    return gpd.GeoDataFrame(
        {
            "candidate_id": numbered("K", number, 4),
            "property_id": np.array(study.properties.ids, object)[places.spots.owner],
            "quality": decided.candidates.quality,
            "road_distance_m": places.road.distance_m,
            "road_when": _roads(study, places)[1],
            "access_m": _finite(places.access.length_m),
            "water_distance_m": places.spots.water_m,
            "slope_percent": percent(places.spots.slope),
            "flooding": _words(FLOODING, places.spots.flooding),
            "habitat_distance_m": places.habitat_m,
            "boundary_distance_m": places.boundary_m,
            "building_distance_m": places.building_m,
            "damage_distance_m": places.damage_m,
            "shade": np.array(SHADES, object)[places.spots.shade],
            "cover": _cover(study, places),
            "score": places.spots.score,
            "is_chosen": chosen,
        },
        geometry=places.points,
        crs=study.grid.crs_wkt,
    )


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def site_frame(study: Study, decided: Decided, placement: Placement, complexes: Complexes) -> gpd.GeoDataFrame:
    """One row per site, best first.

    Parameters
    ----------
    study, decided, placement, complexes
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``sites``.
    """
    at = placement.candidate
    places, number = decided.candidates.places.take(at), len(at)
    spots, road = places.spots, places.road
    longitude, latitude = transform_points(places.x_m, places.y_m, study.grid.crs_wkt, GEOGRAPHIC)
    foot_lon, foot_lat = transform_points(road.x_m, road.y_m, study.grid.crs_wkt, GEOGRAPHIC)
    bearing = np.asarray(Geod(ellps="WGS84").inv(longitude, latitude, foot_lon, foot_lat)[0]) % 360
    crew = [crew_coordinates(*place) for place in zip(latitude.tolist(), longitude.tolist(), strict=True)]
    names, when = _roads(study, places)
    known, seen = is_seen(study, places.x_m, places.y_m, road.x_m, road.y_m)
    decision, reason, cautions = (np.full(number, "", object) for _ in range(3))
    cautions[:] = SITE_CAUTION
    kept = dict(zip(decided.keep.tolist(), zip(decided.kept, decided.notes, strict=True), strict=True))
    for place, candidate in enumerate(at.tolist()):
        if candidate in kept:
            one, note = kept[candidate]
            decision[place], reason[place] = one.decision, one.reason
            if note:
                cautions[place] = f"Kept by the field visit although {note}. {SITE_CAUTION}"
    return gpd.GeoDataFrame(
        {
            "site_id": numbered("T", number),
            "rank": np.arange(1, number + 1),
            "property_id": np.array(study.properties.ids, object)[spots.owner],
            "complex_id": numbered("C", complexes.count)[placement.complex_of],
            "latitude": latitude,
            "longitude": longitude,
            "usng": np.array([place.usng for place in crew], object),
            "utm": np.array([place.utm for place in crew], object),
            "road_name": names,
            "road_distance_m": road.distance_m,
            "road_when": when,
            "access_m": _finite(places.access.length_m),
            "seen_from_road": np.where(known, np.where(seen, "yes", "no"), "").astype(object),
            "water_distance_m": spots.water_m,
            "slope_percent": percent(spots.slope),
            "flooding": _words(FLOODING, spots.flooding),
            "habitat_distance_m": places.habitat_m,
            "boundary_distance_m": places.boundary_m,
            "building_distance_m": places.building_m,
            "cover": _cover(study, places),
            "score": spots.score,
            "quality": decided.candidates.quality[at],
            "served_acres": acres(placement.served_m2),
            "door_bearing_deg": bearing,
            "decision": decision,
            "decision_reason": reason,
            "cautions": cautions,
        },
        geometry=places.points,
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
        {"site_id": numbered("T", len(placement.candidate)), "served_acres": acres(placement.served_m2)},
        geometry=placement.circles,
        crs=study.grid.crs_wkt,
    )


def access_frame(study: Study, decided: Decided, placement: Placement) -> gpd.GeoDataFrame:
    """One row per site that is reached on foot: the way in from the road.

    Parameters
    ----------
    study, decided, placement
        The stages' results.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``access_paths``.
    """
    access, at = decided.candidates.places.access, placement.candidate
    found = np.flatnonzero(np.isfinite(access.length_m[at]))
    return gpd.GeoDataFrame(
        {"site_id": numbered("T", len(at))[found], "length_m": access.length_m[at[found]]},
        geometry=np.asarray(shapely.get_parts(access.path[at[found]])).reshape(len(found)),
        crs=study.grid.crs_wkt,
    )


def shortfall_table(study: Study, shortfalls: Sequence[Shortfall], complexes: int) -> pd.DataFrame:
    """One row per change of a setting that would place a trap that has no site, the smallest first.

    Parameters
    ----------
    study : Study
        Properties.
    shortfalls : sequence of Shortfall
        Traps without a site.
    complexes : int
        Number of complexes.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``shortfalls``; one row with blanks where no change was found.
    """
    ids, names, rows = study.properties.ids, numbered("C", complexes), []
    for one in shortfalls:
        head = (ids[one.owner], names[one.complex], one.traps, one.reason)
        rows += [
            (*head, change.setting, change.now, change.needed, change.placed, change.words) for change in one.changes
        ]
        rows += [] if one.changes else [(*head, "", "", "", 0, "")]
    columns = [
        "property_id",
        "complex_id",
        "traps",
        "reason",
        "setting",
        "value_now",
        "value_needed",
        "traps_placed",
        "change",
    ]
    table = pd.DataFrame(rows, columns=columns)
    return table.astype({"traps": np.int64, "traps_placed": np.int64})


def decision_table(study: Study, decided: Decided, allotment: Allotment) -> pd.DataFrame:
    """One row per field decision: what became of it.

    Parameters
    ----------
    study, decided, allotment
        The stages' results.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``field_decisions``, in the order of the file.
    """
    ids = numbered("T", len(allotment.placement.candidate))
    now = dict(zip(allotment.placement.candidate.tolist(), ids, strict=True))
    kept = zip(decided.kept, decided.keep.tolist(), decided.notes, strict=True)
    radius, rows = study.settings.sites.reject_radius_m, {}
    for one, candidate, note in kept:
        moved = "" if np.isnan(one.moved_m) or one.moved_m < 1 else f", moved {one.moved_m:.0f} m"
        against = f"; although {note}" if note else ""
        rows[one.site_id] = (now[candidate], f"kept as {now[candidate]}{moved}{against}")
    rejected = [one for one in study.site_decisions if one.decision == "reject"]
    for one, dropped in zip(rejected, decided.dropped, strict=True):
        spots = "1 spot" if dropped == 1 else f"{dropped} spots"
        rows[one.site_id] = ("", f"rejected; {spots} within {radius:g} m left out")
    return pd.DataFrame(
        [(one.site_id, one.decision, one.reason, one.moved_m, *rows[one.site_id]) for one in study.site_decisions],
        columns=["site_id", "decision", "decision_reason", "moved_m", "new_site_id", "outcome"],
    ).astype({"moved_m": float})
