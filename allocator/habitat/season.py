"""Habitat of one season over the whole study; and the ground that changes from season to season."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.core.grid import Window
from allocator.core.progress import silent
from allocator.core.results import ScoreMap
from allocator.core.study import Season, Study
from allocator.grid.edges import WHOLE
from allocator.grid.land import LandReader
from allocator.grid.run import run_tiles
from allocator.habitat.area import Areas, add_up
from allocator.habitat.complexes import Complexes, join_complexes
from allocator.habitat.patches import Patches, TilePatches, join_patches, score_map
from allocator.habitat.tile import Sums


@dataclass(frozen=True)
class Habitat:
    """Habitat of one season.

    Parameters
    ----------
    season : Season
        The season.
    patches, complexes, areas
        What was found.
    score : ScoreMap
        Score of every cell.
    """

    season: Season
    patches: Patches
    complexes: Complexes
    areas: Areas
    score: ScoreMap


@dataclass(frozen=True)
class Moves:
    """Ground on properties that is habitat in one season and not in another, square metres, counted once.

    Parameters
    ----------
    gained_m2, lost_m2 : float
        Habitat in the season but not in the planned one; and the reverse.
    """

    gained_m2: float
    lost_m2: float


def join_habitat(pieces: Sequence[TilePatches], sums: Sequence[Sums], study: Study, season: Season) -> Habitat:
    """Habitat of a season from that of its tiles.

    Parameters
    ----------
    pieces, sums : sequence
        Patches and sums of every tile.
    study : Study
        The study.
    season : Season
        The season that the tiles were scored for.

    Returns
    -------
    Habitat
        The same whatever the tiling.
    """
    grid = study.grid
    patches = join_patches(pieces, grid, season.habitat.smallest_patch_m2)
    complexes = join_complexes(patches.shapes, season.habitat.join_distance_m)
    areas = add_up(sums, patches, complexes, cell_area_m2=grid.cell_area_m2)
    return Habitat(season, patches, complexes, areas, score_map(pieces, patches, grid))


def season_moves(
    habitats: Sequence[Habitat], reader: LandReader, windows: Sequence[Window], *, workers: int
) -> list[Moves]:
    """What each season gains and loses against the first.

    Parameters
    ----------
    habitats : sequence of Habitat
        The planned season first.
    reader : LandReader
        Knows the property lines.
    windows : sequence of Window
        All tiles.
    workers : int
        Threads.

    Returns
    -------
    list of Moves
        One for each season; the first holds zeros.
    """
    if len(habitats) == 1:
        return [Moves(0.0, 0.0)]

    def count(window: Window) -> list[tuple[int, int]]:
        covered = reader.covered(window).reshape(window.shape)
        cells = np.s_[window.row : window.row + window.rows, window.column : window.column + window.columns]
        planned = habitats[0].score.is_habitat[cells]
        found = []
        for one in habitats:
            other = one.score.is_habitat[cells]
            found.append((int(covered[other & ~planned].sum()), int(covered[planned & ~other].sum())))
        return found

    part_m2 = habitats[0].score.grid.cell_area_m2 / WHOLE
    totals = np.array(run_tiles(windows, count, workers=workers, progress=silent)).sum(axis=0)
    return [Moves(float(gained * part_m2), float(lost * part_m2)) for gained, lost in totals]
