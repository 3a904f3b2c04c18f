"""The whole journey on one screen: a study goes in, a plan comes out."""

from pathlib import Path

from allocator.core.grid import Window
from allocator.core.memory import hand_back
from allocator.core.progress import Progress, part_of, silent
from allocator.core.results import Plan
from allocator.core.study import Study
from allocator.field.work import plan_work
from allocator.grid.land import land_reader
from allocator.grid.run import TilePool, run_tiles
from allocator.grid.tile_files import tile_files
from allocator.habitat.histogram import join_histograms, tile_histogram
from allocator.habitat.patches import tile_patches
from allocator.habitat.season import join_habitat, season_moves
from allocator.habitat.tile import score_tile, sum_tile
from allocator.sites.access import WayFinder
from allocator.sites.allot import allot_traps
from allocator.sites.candidates import measure_candidates
from allocator.sites.decisions import apply_decisions
from allocator.sites.measured import Measurer
from allocator.sites.misses import NearMisses
from allocator.sites.reach import join_demand, square_cells, tile_demand
from allocator.sites.roads import TruckRoads
from allocator.sites.shortfall import explain_shortfalls
from allocator.sites.spots import find_spots, join_spots
from allocator.summary.gather import Stages, gather
from allocator.traps.ask import ask_next
from allocator.traps.count_range import count_range
from allocator.traps.need import need_of_areas


def plan_traps(
    study: Study, *, workers: int | TilePool = 1, tile_cells: int | None = None, progress: Progress = silent,
    scratch: Path | None = None,
) -> Plan:  # fmt: skip
    """Habitat, traps, sites and field work of a study.

    Parameters
    ----------
    study : Study
        As read by ``read_study``.
    workers : int or TilePool
        Threads to use, or who takes the tiles, such as :class:`allocator.cluster.DaskTiles`; the plan is the same
        with any.
    tile_cells : int, optional
        Side of a tile in cells; the plan is the same with any. Absent: what is quick for this study.
    progress : Progress
        Told how far the work is.
    scratch : pathlib.Path, optional
        Folder for cells that wait to be joined, under the same path for all who take tiles; absent: the system's for
        temporary files.

    Returns
    -------
    Plan
        All tables; a plan without habitat or without sites is still a plan.

    Raises
    ------
    SitesInfeasibleError
        The sites to keep cannot all hold at once.
    OutputError
        The cells cannot be kept in ``scratch``.

    Examples
    --------
    >>> from allocator import demo_study_file, read_study
    >>> plan = plan_traps(read_study(demo_study_file()))
    >>> bool(plan.totals.traps == plan.properties["traps"].sum())
    True
    """
    settings, grid, reader = study.settings, study.grid, land_reader(study)
    side = square_cells(grid, settings.service_radius_m)

    windows, threads = grid.tiles(tile_cells or reader.tile_cells), workers if isinstance(workers, int) else 1
    with tile_files(scratch) as files:

        def survey(window: Window):  # type: ignore[no-untyped-def]
            land = reader.land(window)
            tiles = [score_tile(land, study, season) for season in study.seasons]
            seasons = [(tile_patches(tile, grid, files, at), sum_tile(land, tile)) for at, tile in enumerate(tiles)]
            rows = tile_histogram(land, study, study.planned)
            return seasons, rows, tile_demand(tiles[0], side), find_spots(land, tiles[0], study)

        surveys, rows, demands, spots = zip(
            *run_tiles(windows, survey, workers=workers, progress=part_of(progress, 0.0, 0.7)), strict=True
        )
        habitats = [
            join_habitat(*zip(*pieces, strict=True), study, season)
            for pieces, season in zip(zip(*surveys, strict=True), study.seasons, strict=True)
        ]
    planned, enrolled = habitats[0], study.properties.enrolled
    demand = join_demand(demands, planned.patches, planned.complexes, grid)
    del surveys, demands  # of a state they take a gigabyte
    hand_back()
    moves = season_moves(habitats, reader, windows, workers=threads)
    needs = [need_of_areas(one.areas, enrolled, settings.traps) for one in habitats]
    ranges = count_range(study, join_histograms(rows), planned, needs[0])
    del rows
    hand_back()
    asked = ask_next(planned.areas, enrolled, needs[0], settings.traps)
    roads = TruckRoads(study)
    finder = WayFinder(reader, roads)
    measurer = Measurer(study, roads, planned.patches.shapes, planned.patches.outlined)
    found = join_spots(spots, grid, settings.sites, planned.patches.outlined)
    del spots
    candidates = measure_candidates(found, measurer, finder, workers=threads)
    del found
    hand_back()
    decided = apply_decisions(candidates, measurer, reader, finder)
    allotment = allot_traps(study, decided, demand, needs[0], planned, part_of(progress, 0.75, 1.0))
    shortfalls = explain_shortfalls(study, allotment, NearMisses(reader, measurer), finder)
    places = decided.candidates.places.take(allotment.placement.candidate)
    work = plan_work(study, roads, places)
    return gather(study, Stages(habitats, moves, needs, ranges, asked, decided, allotment, shortfalls, work))
