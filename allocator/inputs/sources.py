"""Every file of a study read on its own, near the properties only, each still in its own coordinate system."""

import math
from dataclasses import dataclass, field
from pathlib import Path

from allocator.core.crs import Bounds
from allocator.core.errors import InputError, SettingsError
from allocator.core.grid import Grid
from allocator.core.kit import KitInputs
from allocator.core.settings import CropsInput, LandCoverInput, Settings
from allocator.core.study import InputRecord
from allocator.inputs.cover import CoverPolygons, read_cover_polygons
from allocator.inputs.features import FeatureTable, read_features
from allocator.inputs.files import find_file
from allocator.inputs.findings import Findings
from allocator.inputs.kit_tables import read_kit
from allocator.inputs.mosaics import open_rasters
from allocator.inputs.properties import PropertyTable, read_properties
from allocator.inputs.rasters import RasterFile, is_raster
from allocator.inputs.remote import is_remote
from allocator.inputs.roads import RoadTable, read_roads
from allocator.inputs.schemes import Scheme, check_scores, read_scheme
from allocator.inputs.soils import read_soils
from allocator.inputs.water import WaterTable, read_water

FEATURE_ROLES = ("escape_cover", "buildings", "exclusions", "sightings")
RASTER_ROLES = ("elevation", "canopy", "crops")
METRES_PER_DEGREE = 110_000.0
BESIDE_THE_WAY = 0.1
"""Roads to a yard that lies outside are read in a rectangle wider by this share on each side: ways bend outwards."""
SPARE_M = 1_000.0
"""Read this much farther than needed, so that the box in degrees is never too small."""


@dataclass
class Sources:
    """What was read, each in its own coordinate system; None or missing where absent or refused.

    Parameters
    ----------
    properties, scheme, cover, crops_scheme, water, roads, soils
        As their readers give them.
    kit, kit_records
        Trap design, prices and costs, and records of their files.
    rasters, features : dict
        Role to elevation, canopy and crops; role to escape cover, buildings, exclusions and sightings.
    """

    properties: PropertyTable | None = None
    scheme: Scheme | None = None
    cover: RasterFile | CoverPolygons | None = None
    crops_scheme: Scheme | None = None
    water: WaterTable | None = None
    roads: RoadTable | None = None
    soils: FeatureTable | None = None
    kit: KitInputs | None = None
    kit_records: tuple[InputRecord, ...] = ()
    rasters: dict[str, RasterFile] = field(default_factory=dict)
    features: dict[str, FeatureTable] = field(default_factory=dict)


def read_sources(settings: Settings, folder: Path, findings: Findings) -> Sources:
    """Every file on its own; the properties first, so that large files are read near them only.

    Parameters
    ----------
    settings : Settings
        Names the files.
    folder : Path
        Folder of the study file.
    findings : Findings
        Gathers problems; an error in one file does not stop the others from being read.

    Returns
    -------
    Sources
        What could be read.
    """
    inputs, sources, limit = settings.inputs, Sources(), settings.study.repair_limit
    with findings.gathering("inputs.properties"):
        sources.properties, found = read_properties(inputs.properties, folder, repair_limit=limit)
        findings.extend(found)
    near = _box_to_read(settings, sources.properties.degrees) if sources.properties is not None else None
    with findings.gathering("inputs.land_cover.scheme"):
        scheme = read_scheme(inputs.land_cover.scheme, folder)
        check_scores(scheme, settings.habitat)
        sources.scheme = scheme
    with findings.gathering("inputs.land_cover"):
        sources.cover = _read_cover(inputs.land_cover, folder, near, limit, findings)
    if inputs.crops is not None:
        with findings.gathering("inputs.crops.scheme"):
            sources.crops_scheme = _crops_scheme(inputs.crops, folder)
    for role in RASTER_ROLES:
        setting = getattr(inputs, role)
        if setting is not None:
            with findings.gathering(f"inputs.{role}"):
                sources.rasters[role], found = open_rasters(setting.paths, role, folder)
                findings.extend(found)
    if inputs.water is not None:
        with findings.gathering("inputs.water"):
            sources.water, found = read_water(inputs.water, folder, near)
            findings.extend(found)
    if inputs.roads is not None:
        with findings.gathering("inputs.roads"):
            sources.roads, found = read_roads(inputs.roads, folder, near and reaching(near, settings.crews.base))
            findings.extend(found)
    if inputs.soils is not None:
        with findings.gathering("inputs.soils"):
            sources.soils, found = read_soils(inputs.soils, folder, near)
            findings.extend(found)
    for role in FEATURE_ROLES:
        setting = getattr(inputs, role)
        if setting is not None:
            with findings.gathering(f"inputs.{role}"):
                sources.features[role], found = read_features(role, setting, folder, near)
                findings.extend(found)
    with findings.gathering("equipment"):
        sources.kit, sources.kit_records = read_kit(settings, folder)
    return sources


def _crops_scheme(setting: CropsInput, folder: Path) -> Scheme:
    scheme = read_scheme(setting.scheme, folder)
    if not any(one.crops for one in scheme.classes):
        raise SettingsError(
            f"inputs.crops.scheme = {setting.scheme!r}: no class of this scheme names a crop. Use cdl, or give the CSV "
            "a column crops (names split by ;)."
        )
    return scheme


def _read_cover(
    setting: LandCoverInput, folder: Path, near: Bounds | None, repair_limit: float, findings: Findings
) -> RasterFile | CoverPolygons:
    first = setting.paths[0]
    source: RasterFile | CoverPolygons
    if not is_remote(first) and not is_raster(find_file(first, "land_cover", folder)[0]):
        source, found = read_cover_polygons(setting, folder, near, repair_limit=repair_limit)
    else:
        source, found = open_rasters(setting.paths, "land_cover", folder)
        if setting.scheme == "cowardin":
            raise InputError(f"{source.name}: the scheme cowardin has letter codes; a raster holds numbers.")
        if setting.class_field is not None:
            message = f"class_field = {setting.class_field!r} is not used: the land cover is a raster."
            findings.add("note", source.name, message)
    findings.extend(found)
    return source


def _box_to_read(settings: Settings, degrees: Bounds) -> Bounds:
    """Rectangle in degrees that holds all land that matters to the plan."""
    far_m = wide_m(settings) + SPARE_M
    west, south, east, north = degrees
    high = far_m / METRES_PER_DEGREE
    wide = high / max(math.cos(math.radians(min(max(abs(south), abs(north)) + high, 89.0))), 0.01)
    return west - wide, max(south - high, -90.0), east + wide, min(north + high, 90.0)


def reaching(box: Bounds, point: tuple[float, float] | None) -> Bounds:
    """A rectangle widened to hold a point and land around the way there.

    Parameters
    ----------
    box : tuple of float
        West, south, east, north, in any system.
    point : tuple of float or None
        Eastward and northward coordinate in the same system: the yard that crews start from. None: nothing changes.

    Returns
    -------
    tuple of float
        The rectangle itself where it holds the point.
    """
    if point is None:
        return box
    west, south = min(box[0], point[0]), min(box[1], point[1])
    east, north = max(box[2], point[0]), max(box[3], point[1])
    if (west, south, east, north) == box:
        return box
    wide, high = BESIDE_THE_WAY * (east - west), BESIDE_THE_WAY * (north - south)
    return west - wide, south - high, east + wide, north + high


def wide_m(settings: Settings) -> float:
    """How far beyond the properties anything can matter.

    Parameters
    ----------
    settings : Settings
        Curves, site rules and margin.

    Returns
    -------
    float
        Metres.
    """
    sites = settings.sites
    near_site = max(sites.road_distance_m[1], sites.water_distance_m[1], sites.building_setback_m)
    return settings.study.margin_m + max(settings.reach_m, near_site, settings.service_radius_m)


def input_records(sources: Sources, grid: Grid) -> tuple[InputRecord, ...]:
    """Records of all files, in the order of the study file.

    Parameters
    ----------
    sources : Sources
        What was read.
    grid : Grid
        The study's cells, which count as features of rasters.

    Returns
    -------
    tuple of InputRecord
        One for each file.
    """
    cells, cover = grid.rows * grid.columns, sources.cover
    records = list(sources.properties.records) if sources.properties is not None else []
    if cover is not None:
        records += cover.records(cells) if isinstance(cover, RasterFile) else cover.records
    records += sources.water.records if sources.water is not None else ()
    records += sources.roads.records if sources.roads is not None else ()
    for raster in sources.rasters.values():
        records += raster.records(cells)
    records += sources.soils.records if sources.soils is not None else ()
    for features in sources.features.values():
        records += features.records
    records += sources.kit_records
    return tuple(records)
