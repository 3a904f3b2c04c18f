"""``[inputs.*]``: the files of a study."""

from typing import Annotated, Literal

from pydantic import Field

from allocator.core.settings.base import Section

Files = str | Annotated[tuple[str, ...], Field(min_length=1)]


class PathInput(Section):
    """One file, or several that count as one."""

    path: Files = Field(description="file, or a list of files; relative to the study file")

    @property
    def paths(self) -> tuple[str, ...]:
        """The files as a tuple, also when there is one."""
        return (self.path,) if isinstance(self.path, str) else self.path


class FileInput(PathInput):
    """One input file, or several that count as one."""

    path: Files = Field(description="file, FILE:LAYER, or a list of either; relative to the study file")
    layer: str | None = Field(None, description="layer, when the file holds several")


class PropertiesInput(FileInput):
    """Property boundaries: polygons."""

    id: str | None = Field(None, description="column with a unique id, kept as text; absent: numbered by row")
    name: str | None = Field(None, description="column with the name shown")
    enrolled: str | None = Field(None, description="column, yes or no; absent: all are enrolled")


SHEETS = "raster, or a list of sheets on the same cells; relative to the study file, or the address of a GeoTIFF"
UnknownCodes = Literal["auto", "refuse", "blank"]
UNKNOWN_CODES = (
    "codes that the scheme does not have: refuse the file, or count those cells as blank; auto: blank with a warning, "
    "but refuse where another scheme knows all codes, half of the map is unknown, or a wetland code is mistyped"
)


class LandCoverInput(FileInput):
    """Land cover: a raster or polygons."""

    scheme: str = Field(description="nlcd, nlcd_1992, ccap, worldcover, cowardin, cdl, or the path of a CSV")
    class_field: str | None = Field(None, description="column with the class code; polygons only")
    unknown_codes: UnknownCodes = Field("auto", description=UNKNOWN_CODES)


class WaterInput(FileInput):
    """Water: lines and polygons."""

    class_field: str | None = Field(None, description="column with the kind of water; absent: all of it is permanent")
    scheme: str | None = Field(None, description="nhd (feature codes), or the path of a CSV (code,name,water)")


class RoadsInput(FileInput):
    """Roads: lines."""

    class_field: str | None = Field(None, description="column with the road class; absent: a truck may use every road")
    name_field: str | None = Field(None, description="column with the road's name")
    scheme: str | None = Field(None, description="mtfcc, osm, or the path of a CSV (code,name,truck)")
    tracktype_field: str | None = Field(
        None, description="column with how firm a track is, grade1 to grade5; absent: tracktype, with scheme osm"
    )
    access_field: str | None = Field(
        None, description="column with who may use the road, such as private; absent: access, with scheme osm"
    )


class ElevationInput(PathInput):
    """Ground elevation: a raster, or several sheets of one."""

    path: Files = Field(description=SHEETS)
    vertical_unit: Literal["m", "ft", "us_ft"] = Field("m", description="unit of the heights")


class CropsInput(PathInput):
    """Crops of one year: a raster of class codes, or several sheets of one."""

    path: Files = Field(description=SHEETS)
    scheme: str = Field("cdl", description="cdl, or the path of a CSV (code,name,score,crops)")
    unknown_codes: UnknownCodes = Field("auto", description=UNKNOWN_CODES)


class SoilsInput(FileInput):
    """Soil map units: polygons."""

    flooding_field: str | None = Field(None, description="column with the flooding frequency class, none to frequent")
    drainage_field: str | None = Field(None, description="column with the drainage class, such as Poorly drained")


class CanopyInput(PathInput):
    """Tree canopy: a raster of percent, or several sheets of one."""

    path: Files = Field(description="raster of percent, 0 to 100, or a list of sheets; relative to the study file")


class SiteDecisionsInput(FileInput):
    """Decisions of a field visit: the sites of a plan, or points like them, with keep or reject."""

    id: str = Field("site_id", description="column with the site's id, kept as text")
    decision: str = Field("decision", description="column with keep or reject; blank: undecided")
    reason: str = Field("decision_reason", description="column with the reason, as text; may be missing")


class Inputs(Section):
    """The files of a study."""

    properties: PropertiesInput = Field(description="property boundaries, polygons (required)")
    land_cover: LandCoverInput = Field(description="land cover, polygons or a raster (required)")
    water: WaterInput | None = Field(None, description="water, lines and polygons; absent: water of the land cover")
    roads: RoadsInput | None = Field(None, description="roads, lines; absent: no sites are chosen")
    elevation: ElevationInput | None = Field(None, description="ground elevation, a raster")
    escape_cover: FileInput | None = Field(None, description="thickets that pigs bed in and flee to, polygons")
    crops: CropsInput | None = Field(None, description="crops of one year, a raster")
    soils: SoilsInput | None = Field(None, description="soil map units with flooding or drainage class, polygons")
    canopy: CanopyInput | None = Field(None, description="tree canopy in percent, a raster")
    buildings: FileInput | None = Field(None, description="buildings, points or polygons: setbacks, and in the score")
    exclusions: FileInput | None = Field(None, description="polygons where no trap may stand")
    sightings: FileInput | None = Field(None, description="points where pigs or their sign were seen: a check, drawn")
    existing_traps: FileInput | None = Field(None, description="points of traps already in place")
    site_decisions: SiteDecisionsInput | None = Field(
        None, description="points that a field visit decided to keep or reject, such as a plan's plan.gpkg, edited"
    )
