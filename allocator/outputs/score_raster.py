"""``habitat_score.tif``: the score of every cell as a cloud-optimised GeoTIFF that any GIS opens."""

from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.transform import Affine

from allocator.core.cautions import HEADLINE
from allocator.core.results import BLANK_SCORE, SCORE_STEPS, ScoreMap


def write_score_raster(score: ScoreMap, path: Path) -> None:
    """Write the score as 32-bit numbers from 0 to 1, NaN where it is blank, with coarser copies inside.

    Parameters
    ----------
    score : ScoreMap
        Ten-thousandths on the study's grid.
    path : pathlib.Path
        A new file.
    """
    grid = score.grid
    values = score.score.astype(np.float32) / np.float32(SCORE_STEPS)
    values[score.score == BLANK_SCORE] = np.nan
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "nodata": np.nan, "crs": grid.crs_wkt,
        "height": grid.rows, "width": grid.columns,
        "transform": Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m),
    }  # fmt: skip
    # The COG driver copies a finished raster, so one is made in memory first.
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as plain:
            plain.write(values, 1)
            plain.set_band_description(1, "habitat score, 0 to 1")
            plain.update_tags(caution=HEADLINE)
        with memory.open() as plain:
            rasterio.shutil.copy(
                plain, path, driver="COG", compress="DEFLATE", predictor="3", overview_resampling="average", level=1
            )
