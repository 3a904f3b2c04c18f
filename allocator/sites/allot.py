"""Sites for the traps needed; and where fewer are on hand, for those, given where they gain most."""

from dataclasses import dataclass

from allocator.core.arrays import Floats
from allocator.core.progress import Progress, part_of
from allocator.core.study import Study
from allocator.habitat.season import Habitat
from allocator.sites.candidates import Candidates
from allocator.sites.place import Placement, place_sites, site_gains
from allocator.sites.reach import Demand
from allocator.traps.limited import allocate
from allocator.traps.need import Need, give_traps


@dataclass(frozen=True)
class Allotment:
    """Traps given, and where they stand.

    Parameters
    ----------
    given : Need
        Traps given to every complex and property: those needed, or fewer.
    placement : Placement
        Their sites.
    frontier_m2 : array of float64
        Habitat units (m2 times score) that 1, 2 and so on traps serve, placed where they gain most.
    marginal_m2 : float
        What one more trap than given would gain, sites near a sighting counted for more; NaN where none is needed.
    """

    given: Need
    placement: Placement
    frontier_m2: Floats
    marginal_m2: float


def allot_traps(
    study: Study, candidates: Candidates, demand: Demand, need: Need, habitat: Habitat, progress: Progress
) -> Allotment:
    """Give the traps on hand to complexes and choose their sites.

    Parameters
    ----------
    study : Study
        Settings, sightings.
    candidates : Candidates
        Where traps may stand.
    demand : Demand
        Habitat by square.
    need : Need
        Traps needed.
    habitat : Habitat
        Complexes and outlines of the planned season.
    progress : Progress
        Told after each complex.

    Returns
    -------
    Allotment
        Where all traps needed are on hand, the sites for all of them. Else sites are chosen for all first, to see what
        each would gain; the traps on hand go to the complexes where they gain most, and sites are chosen anew for them.
    """
    complexes, patches = habitat.complexes, habitat.patches.shapes
    available = study.settings.traps.available
    is_short = available is not None and available < need.complex_traps.sum()
    placement = place_sites(
        study, candidates, demand, need=need, complexes=complexes, patches=patches,
        progress=part_of(progress, 0.0, 0.5 if is_short else 1.0),
    )  # fmt: skip
    gains = site_gains(study, candidates, placement, need)
    allocation = allocate(gains.curves, int(need.complex_traps.sum()) if available is None else available)
    if not is_short:
        return Allotment(need, placement, gains.served_m2, allocation.marginal)
    given = give_traps(need, allocation.traps, study.settings.traps)
    placement = place_sites(
        study, candidates, demand, need=given, complexes=complexes, patches=patches,
        progress=part_of(progress, 0.5, 1.0),
    )  # fmt: skip
    return Allotment(given, placement, gains.served_m2, allocation.marginal)
