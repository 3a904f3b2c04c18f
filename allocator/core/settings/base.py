"""What all settings are made of: sections that refuse unknown keys, curves, ranges, scores and the words they take."""

import math
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Combine = Literal["geometric", "arithmetic", "minimum"]
WaterKind = Literal["permanent", "seasonal", "wetland"]
Flooding = Literal["none", "very_rare", "rare", "occasional", "frequent", "very_frequent"]
Drainage = Literal[
    "excessively", "somewhat_excessively", "well", "moderately_well", "somewhat_poorly", "poorly", "very_poorly"
]
CoverGroup = Literal[
    "woody_wetland", "shrub_wetland", "herbaceous_wetland", "salt_marsh", "deciduous_forest", "evergreen_forest",
    "mixed_forest", "forest", "shrub", "grass", "pasture", "crop", "orchard", "developed_open", "developed", "barren",
    "shore", "tundra", "ice", "open_water", "other",
]  # fmt: skip
"""Kinds of land cover that all schemes share, so that a season or a profile can score them in any scheme."""


def _is_curve(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if len(points) < 2:
        raise ValueError("a curve needs at least two points, such as [[0, 1.0], [1500, 0.0]]")
    if not all(math.isfinite(value) for value, _ in points):
        raise ValueError("the first numbers of a curve's points must be finite")
    if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        raise ValueError("the first numbers of a curve's points must grow")
    if any(not 0 <= index <= 1 for _, index in points):
        raise ValueError("the second number of each point is an index from 0 to 1")
    return points


def _is_range(ends: tuple[float, float]) -> tuple[float, float]:
    if not 0 <= ends[0] < ends[1]:
        raise ValueError("give the least, then the most, such as [5, 60]")
    return ends


def _is_positive_range(ends: tuple[float, float]) -> tuple[float, float]:
    if not 0 < ends[0] <= ends[1] < math.inf:
        raise ValueError("give the least, then the most, both above 0, such as [200, 400]")
    return ends


Curve = Annotated[tuple[tuple[float, float], ...], AfterValidator(_is_curve)]
Range = Annotated[tuple[float, float], AfterValidator(_is_range)]
PositiveRange = Annotated[tuple[float, float], AfterValidator(_is_positive_range)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Score = Annotated[float, Field(ge=0, le=1)]


class Section(BaseModel):
    """A table of the study file: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)
