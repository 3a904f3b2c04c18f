"""Small studies held in memory, and the invented land they stand on. Nothing here reads a file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import hypothesis
import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.crs import local_equal_area
from allocator.core.grid import Grid, Window
from allocator.core.kit import Design, KitInputs
from allocator.core.settings import Settings, default_values
from allocator.core.study import BLANK_CLASS, CoverClass, Properties, Roads, Study, Water
from allocator.grid.tile_files import tile_files
from allocator.habitat.patches import Patches, join_patches, tile_patches
from allocator.habitat.tile import CELL_PARTS, ScoredTile

CRS_WKT = local_equal_area(-84.5, 32.4)

SWAMP, PASTURE, WATER, FOREST, SHRUB = range(5)
CLASSES = (
    CoverClass("90", "Woody Wetlands", 1.0, "no", "closed", "invented", "woody_wetland"),
    CoverClass("81", "Pasture/Hay", 0.2, "no", "open", "invented", "pasture"),
    CoverClass("11", "Open Water", 0.0, "permanent", "open", "invented", "open_water"),
    CoverClass("41", "Deciduous Forest", 0.4, "no", "closed", "invented", "deciduous_forest"),
    CoverClass("52", "Shrub/Scrub", 0.45, "no", "partial", "invented", "shrub"),
)

DESIGN = Design(
    panels=3, panel_length_ft=16, panel_height_ft=5, mesh_wide_in=2, mesh_high_in=4, wire_gauge=12, overlap_ft=1,
    door_ft=0, post_spacing_ft=4, post_length_ft=6, extra_posts=1, ties_per_overlap=5, bottom_ties=2, triggers=1,
    cameras=1, signs=1, gloves=2, bait_lb_per_night=25,
)  # fmt: skip
KIT = KitInputs("ring_3x16_5ft", DESIGN)


def law(examples: int = 40) -> hypothesis.settings:
    """Settings of a law: the same examples at every run, no deadline, nothing kept on disk."""
    return hypothesis.settings(max_examples=examples, deadline=None, derandomize=True, database=None)


@dataclass(frozen=True)
class ArrayReader:
    """Reads windows of an array that covers the whole grid; blank outside it."""

    values: NDArray[Any]
    blank: float

    def read(self, window: Window) -> NDArray[Any]:
        out = np.full(window.shape, self.blank, self.values.dtype)
        rows, columns = self.values.shape
        top, left = max(window.row, 0), max(window.column, 0)
        bottom, right = min(window.row + window.rows, rows), min(window.column + window.columns, columns)
        if top < bottom and left < right:
            out[top - window.row : bottom - window.row, left - window.column : right - window.column] = self.values[
                top:bottom, left:right
            ]
        return out


def objects(shapes: Sequence[shapely.Geometry]) -> NDArray[np.object_]:
    """Shapes as an array of objects."""
    out = np.empty(len(shapes), object)
    out[:] = list(shapes)
    return out


def make_grid(rows: int, columns: int, cell_m: float = 10.0, west_m: float = 0.0, south_m: float = 0.0) -> Grid:
    """A grid whose south-west corner lies at the given point."""
    return Grid(CRS_WKT, west_m, south_m + rows * cell_m, cell_m, rows, columns)


def make_settings(**sections: dict[str, Any]) -> Settings:
    """The shipped defaults; each keyword argument changes keys of its section."""
    values = default_values()
    values["study"]["name"] = "Invented bottoms"
    values["inputs"] = {"properties": {"path": "none.gpkg"}, "land_cover": {"path": "none.tif", "scheme": "nlcd"}}
    return Settings.model_validate(joined(values, sections))


def joined(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Tables joined key by key; anything that is not a table is replaced whole."""
    out = dict(below)
    for key, value in above.items():
        out[key] = joined(out.get(key) or {}, value) if isinstance(value, dict) else value
    return out


def make_study(
    cover: NDArray[np.uint8],
    shapes: Sequence[shapely.Geometry],
    *,
    cell_m: float = 10.0,
    enrolled: Sequence[bool] | None = None,
    water: Sequence[shapely.Geometry] | None = None,
    roads: Sequence[shapely.Geometry] | None = None,
    trucks: Sequence[str] | None = None,
    elevation: NDArray[np.float32] | None = None,
    buildings: Sequence[shapely.Geometry] | None = None,
    exclusions: Sequence[shapely.Geometry] | None = None,
    settings: Settings | None = None,
    **more: Any,
) -> Study:
    """A study of an array of class positions (as CLASSES) and property shapes; the south-west corner is 0, 0.

    Water shapes are permanent unless ``water_kinds_of_shapes`` says otherwise; ``more`` goes to the study as it is.
    """
    rows, columns = cover.shape
    number = len(shapes)
    lines = None
    if roads is not None:
        names = tuple(f"Road {place}" for place in range(len(roads)))
        lines = Roads(objects(roads), names, tuple(trucks or ["yes"] * len(roads)))
    classes = more.pop("classes", CLASSES)
    kinds = more.pop("water_kinds_of_shapes", ["permanent"] * len(water or ()))
    known = {classes[at].water for at in np.unique(cover) if at < len(classes)} - {"no"} | set(kinds)
    return Study(
        settings=settings or make_settings(),
        grid=make_grid(rows, columns, cell_m),
        properties=Properties(
            tuple(f"{place:03d}" for place in range(number)),
            tuple(f"Tract {place}" for place in range(number)),
            np.ones(number, bool) if enrolled is None else np.array(enrolled, bool),
            objects(shapes),
        ),
        cover=ArrayReader(cover.astype(np.uint8), BLANK_CLASS),
        classes=classes,
        water_kinds=frozenset(known),
        kit=more.pop("kit", KIT),
        water=None if water is None else Water(objects(water), np.array(kinds, object)),
        roads=lines,
        elevation=None if elevation is None else ArrayReader(elevation.astype(np.float32), np.nan),
        buildings=None if buildings is None else objects(buildings),
        exclusions=None if exclusions is None else objects(exclusions),
        **more,
    )


def scored_tile(score: NDArray[Any], window: Window, threshold: int = 5000) -> ScoredTile:
    """A tile of whole scores, labelled by scipy (not by the code under test)."""
    from scipy import ndimage

    is_habitat = (score >= threshold) & (score != 65535)
    labels, count = ndimage.label(is_habitat, np.ones((3, 3)))
    part = np.where(is_habitat, CELL_PARTS, 0).astype(np.uint32)
    part_score = np.where(is_habitat, score, 0).astype(np.uint16)
    return ScoredTile(window, score.astype(np.uint16), part, part_score, labels.astype(np.int32), count)


def patches_of(tiles: Sequence[ScoredTile], grid: Grid, smallest_m2: float) -> Patches:
    """Patches of scored tiles, joined."""
    with tile_files() as files:
        return join_patches([tile_patches(tile, grid, files) for tile in tiles], grid, smallest_m2)


def parcels(across: int, down: int, side_m: float, seed: int = 1) -> NDArray[np.object_]:
    """Irregular parcels that share their edges: cells of a jittered Voronoi diagram, bent into waves.

    Every point of an edge is moved by the same smooth function of where it lies, so neighbours keep the very same
    edge. Parcels fill about 0 to across * side_m by 0 to down * side_m.
    """
    random = np.random.default_rng(seed)
    column, row = np.meshgrid(np.arange(-2, across + 2), np.arange(-2, down + 2))
    centre = np.stack([column.ravel(), row.ravel()], axis=1) + 0.5 + random.uniform(-0.35, 0.35, (column.size, 2))
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(centre * side_m)))
    points = shapely.points(centre * side_m)
    inner = points[((column >= 0) & (column < across) & (row >= 0) & (row < down)).ravel()]
    tree = shapely.STRtree(cells)
    cells = cells[tree.query(inner, predicate="within")[1]]
    cells = shapely.set_precision(cells, 1e-6)

    def bent(ring: NDArray[np.float64]) -> NDArray[np.float64]:
        edges = []
        for start, end in pairwise(ring):
            low, high = sorted((tuple(start), tuple(end)))  # from the same end for both neighbours
            part = np.arange(12)[:, None] / 12
            points = low + part * (np.array(high) - low)
            edges.append(points if low == tuple(start) else np.r_[[high], points[:0:-1]])
        x, y = np.concatenate([*edges, edges[0][:1]]).T
        wave = side_m / 25
        return np.stack([x + wave * np.sin(17 * y / side_m) + y / 7, y + wave * np.sin(19 * x / side_m + 1)], axis=1)

    return objects([shapely.Polygon(bent(shapely.get_coordinates(cell))) for cell in cells])


def rough_land(rows: int, columns: int, seed: int = 0) -> NDArray[np.uint8]:
    """Class positions in blobs of a few cells, with some blank."""
    from scipy import ndimage

    random = np.random.default_rng(seed)
    smooth = ndimage.gaussian_filter(random.normal(size=(rows, columns)), 4)
    rank = smooth.ravel().argsort().argsort().reshape(rows, columns) / (rows * columns)
    cover = np.select(
        [rank < 0.04, rank < 0.45, rank < 0.6, rank < 0.75], [WATER, SWAMP, FOREST, SHRUB], default=PASTURE
    ).astype(np.uint8)
    cover[random.random(cover.shape) < 0.003] = BLANK_CLASS
    return cover
