"""Field decisions: sites to keep become candidates where the crew put them, rejected ground is left alone."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from allocator.core.arrays import Floats, Ints
from allocator.core.errors import SitesInfeasibleError
from allocator.core.grid import Window
from allocator.core.study import Shapes, Study
from allocator.core.visits import SiteDecision
from allocator.grid.land import LandReader
from allocator.habitat.tile import score_tile
from allocator.sites.access import WayFinder
from allocator.sites.candidates import Candidates
from allocator.sites.limits import LIMITS, broken_limits
from allocator.sites.measured import Measured, Measurer, joined
from allocator.sites.spots import Spots, cell_spots, joined_spots

FURTHEST_M = 2_000.0
"""No way in is looked for to a kept site further than this from a truck road."""
FIRM = ("building", "exclusion")
"""Limits that a field decision does not lift."""


@dataclass(frozen=True)
class Decided:
    """Candidates after the field visit.

    Parameters
    ----------
    candidates : Candidates
        Kept sites come after the others; those on rejected ground are gone.
    kept : tuple of SiteDecision
        Sites to keep; the last candidates, in this order.
    notes : tuple of str
        For each kept site the limits that it breaks, in words; empty where none.
    dropped : tuple of int
        For each rejected site, how many candidates its ground had.
    """

    candidates: Candidates
    kept: tuple[SiteDecision, ...]
    notes: tuple[str, ...]
    dropped: tuple[int, ...]

    @property
    def keep(self) -> Ints:
        """Positions of the kept sites among the candidates."""
        number = len(self.candidates.quality)
        return np.arange(number - len(self.kept), number)


def apply_decisions(candidates: Candidates, measurer: Measurer, reader: LandReader, finder: WayFinder) -> Decided:
    """Candidates with the field decisions in force.

    Parameters
    ----------
    candidates : Candidates
        As measured.
    measurer : Measurer
        Measures kept sites; its study has the decisions.
    reader : LandReader
        Land, to describe the ground of kept sites.
    finder : WayFinder
        Finds the ways in.

    Returns
    -------
    Decided
        The same candidates where there are no decisions.

    Raises
    ------
    SitesInfeasibleError
        A site to keep stands on land that is not enrolled, too near a building, or where no trap may stand.
    """
    study = measurer.study
    kept = tuple(one for one in study.site_decisions if one.decision == "keep")
    rejected = [one for one in study.site_decisions if one.decision == "reject"]
    places, quality = candidates.places, candidates.quality
    dropped = [0] * len(rejected)
    if rejected:
        near = _near(places.x_m, places.y_m, rejected, study)
        dropped = [len(one) for one in near]
        left = np.setdiff1d(np.arange(len(places)), np.concatenate(near))
        places, quality = places.take(left), quality[left]
    notes: tuple[str, ...] = ()
    if kept:
        found = _kept_places(kept, measurer, reader)
        for place in range(len(kept)):
            # One far site widens no other's ground.
            far = min(max(float(found.road.distance_m[place]), study.settings.sites.road_distance_m[1]), FURTHEST_M)
            found = found.with_access(finder, np.array([place]), furthest_m=far)
        notes = _notes(kept, found, study)
        places, quality = joined(places, found), np.concatenate([quality, found.quality(study)])
    return Decided(Candidates(places, quality, candidates.passed), kept, notes, tuple(dropped))


def _near(x_m: Floats, y_m: Floats, rejected: list[SiteDecision], study: Study) -> list[Ints]:
    """Spots on the ground of each rejected site."""
    at = [(one.x_m, one.y_m) for one in rejected]
    if not len(x_m):
        return [np.empty(0, np.int64)] * len(at)
    tree = cKDTree(np.stack([x_m, y_m], axis=1))
    found = tree.query_ball_point(at, study.settings.sites.reject_radius_m)
    return [np.asarray(one, np.int64) for one in found]


def _kept_places(kept: tuple[SiteDecision, ...], measurer: Measurer, reader: LandReader) -> Measured:
    study = measurer.study
    points = np.asarray(shapely.points([(one.x_m, one.y_m) for one in kept]))
    owners = _owners(kept, points, study)
    columns, rows = study.grid.to_cells(shapely.get_x(points), shapely.get_y(points))
    parts: list[Spots] = []
    for row, column, owner in zip(rows.astype(int), columns.astype(int), owners, strict=True):
        land = reader.land(Window(int(row), int(column), 1, 1))
        tile = score_tile(land, study, study.planned)
        parts.append(cell_spots(land, tile, study, cell=np.zeros(1, np.int64), owner=np.array([owner])))
    return measurer.measure(joined_spots(parts), points)


def _owners(kept: tuple[SiteDecision, ...], points: Shapes, study: Study) -> Ints:
    """Enrolled property that each kept site stands on."""
    properties, owners, problems = study.properties, [], []
    tree = shapely.STRtree(properties.shapes)
    for one, point in zip(kept, points, strict=True):
        its = np.sort(tree.query(point, predicate="intersects"))
        enrolled = its[properties.enrolled[its]]
        if len(enrolled):
            owners.append(int(enrolled[0]))
            continue
        where = "on none of the properties"
        if len(its):
            where = f"on property {properties.ids[its[0]]}, which is not enrolled"
        problems.append(
            f"site_decisions: site {one.site_id} is to be kept but stands {where}. Enrol the property, move the point, "
            "or clear its decision."
        )
    if problems:
        raise SitesInfeasibleError(*problems)
    return np.array(owners, np.int64)


def _notes(kept: tuple[SiteDecision, ...], found: Measured, study: Study) -> tuple[str, ...]:
    """Limits that kept sites break, in words; those that no decision lifts are an error."""
    sites = study.settings.sites
    broken = broken_limits(found, sites)
    problems, notes = [], []
    for place, one in enumerate(kept):
        words = []
        if not np.isfinite(found.road.distance_m[place]):
            problems.append(
                f"site_decisions: site {one.site_id} is to be kept but the study has no road that a truck may "
                "use. Give inputs.roads, or clear its decision."
            )
            continue
        for limit, is_broken in zip(LIMITS, broken[:, place], strict=True):
            if not is_broken:
                continue
            value = float(limit.value(found)[place])
            text = limit.words.format(limit=limit.show(limit.limit(sites)), value=limit.show(value))
            words.append(text)
            if limit.name in FIRM:
                key = f", lower {limit.setting} if the law allows it," if limit.setting else ""
                problems.append(
                    f"site_decisions: site {one.site_id} is to be kept but {text}. Move the point{key} or clear its "
                    "decision."
                )
        notes.append("; ".join(words))
    if problems:
        raise SitesInfeasibleError(*problems)
    return tuple(notes)
