"""``habitat_score.tif``: the score of every cell as a cloud-optimised GeoTIFF that any GIS opens."""

from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.transform import Affine
from rasterio.windows import Window

from allocator.core.cautions import HEADLINE
from allocator.core.results import BLANK_SCORE, SCORE_STEPS, ScoreMap

ROWS_AT_ONCE = 512


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
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "nodata": np.nan, "crs": grid.crs_wkt,
        "height": grid.rows, "width": grid.columns, "bigtiff": "if_safer",
        "transform": Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m),
    }  # fmt: skip
    # The COG driver copies a finished raster, so one is made beside it first, strip by strip.
    plain_path = path.with_suffix(".plain.tif")
    with rasterio.open(plain_path, "w", **profile) as plain:
        for row in range(0, grid.rows, ROWS_AT_ONCE):
            steps = score.score[row : row + ROWS_AT_ONCE]
            values = steps.astype(np.float32) / np.float32(SCORE_STEPS)
            values[steps == BLANK_SCORE] = np.nan
            plain.write(values, 1, window=Window(0, row, grid.columns, len(steps)))
        plain.set_band_description(1, "habitat score, 0 to 1")
        plain.update_tags(caution=HEADLINE)
    rasterio.shutil.copy(
        plain_path, path, driver="COG", compress="DEFLATE", predictor="3", overview_resampling="average", level=1,
        bigtiff="if_safer",
    )  # fmt: skip
    plain_path.unlink()
