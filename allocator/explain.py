"""Why a place has its score: a study and a point go in, plain words come out."""

import re

import numpy as np

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.errors import SettingsError
from allocator.core.study import Study
from allocator.grid.land import land_reader
from allocator.habitat.explain import Explanation, explain_cell

SMALL_PATCHES = "A patch smaller than habitat.smallest_patch_acres does not count as habitat in the plan."


def explain_point(study: Study, at: str) -> str:
    """The score of a point and what it is made of, in words.

    Parameters
    ----------
    study : Study
        As read by ``read_study``.
    at : str
        ``LAT,LON`` in degrees, WGS 84.

    Returns
    -------
    str
        A few lines.

    Raises
    ------
    SettingsError
        The text is not a point, or the point lies outside the land that the study scores.

    Examples
    --------
    >>> from allocator import demo_study_file, read_study
    >>> print(explain_point(read_study(demo_study_file()), "28.41304,-64.60424").splitlines()[0])
    28.41304, -64.60424, year round: score 1.0000, habitat (from 0.5 up)
    """
    latitude, longitude = _degrees(at)
    x, y = transform_points(np.array([longitude]), np.array([latitude]), GEOGRAPHIC, study.grid.crs_wkt)
    columns, rows = study.grid.to_cells(x, y)
    row, column = int(np.floor(rows[0])), int(np.floor(columns[0]))
    if not (0 <= row < study.grid.rows and 0 <= column < study.grid.columns):
        raise SettingsError(
            f"--at {at}: the point lies outside the land that this study scores (the properties and "
            f"{study.settings.study.margin_m:g} m around them). Give a point inside, latitude first."
        )
    place, reader = f"{latitude:.7g}, {longitude:.7g}", land_reader(study)
    told = [
        _words(f"{place}, {season.words}" if len(study.seasons) > 1 else place,
               explain_cell(study, reader, season, row=row, column=column))
        for season in study.seasons
    ]  # fmt: skip
    return "\n\n".join(told) + f"\n{SMALL_PATCHES}"


def _degrees(at: str) -> tuple[float, float]:
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*", at)
    if not found or abs(float(found[1])) > 90 or abs(float(found[2])) > 180:
        raise SettingsError(f"--at {at}: expected latitude and longitude in degrees, such as 28.41,-64.60.")
    return float(found[1]), float(found[2])


def _words(place: str, why: Explanation) -> str:
    if why.score is None:
        lines = [f"{place}: no score, the land cover is blank here"]
    else:
        verdict = "habitat" if why.score >= why.threshold else "not habitat"
        lines = [f"{place}: score {why.score:.4f}, {verdict} (from {why.threshold:g} up)"]
    lines.append(f"{why.season}, {why.combine} of:")
    for one in why.reasons:
        what = "factor" if one.is_limit else "index"
        index = "left out here" if one.index is None else f"{what} {one.index:.3f}"
        lines.append(f"  {one.component:9} weight {one.weight:g}  {index}  {one.value}  [{one.source}]")
    lines += [f"  {name:9} left out: no data or no weight" for name in why.left_out]
    return "\n".join(lines)
