"""What a field visit decided about the sites of an earlier plan."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class SiteDecision:
    """What a field visit decided about one site.

    Parameters
    ----------
    site_id : str
        As in the plan that was taken along; never blank.
    decision, reason : str
        keep or reject, and why in the visitor's words; the reason may be empty.
    x_m, y_m, moved_m : float
        Where the point lies now, in the study's system and on its grid; and how many metres that is from where its own
        latitude and longitude columns say (NaN: it has none).
    """

    site_id: str
    decision: Literal["keep", "reject"]
    reason: str
    x_m: float
    y_m: float
    moved_m: float
