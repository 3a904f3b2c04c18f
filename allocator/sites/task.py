"""The covering problem of one complex: its habitat, the spots that reach it, spacing and shares."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array, eye_array, hstack
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Study
from allocator.sites.choose import Choice, choose_sites
from allocator.sites.reach import Demand, reach_matrix


@dataclass(frozen=True)
class Task:
    """What one complex asks for and what it has to choose from.

    Parameters
    ----------
    reach : csr_array, shape (spots, squares)
        Which spot serves which square of habitat.
    units_m2 : array of float64, shape (squares,)
        Habitat units that no trap in place serves yet.
    worth : array of float64, shape (squares,)
        The same, that near a sighting counted for more.
    bonus : array of float64, shape (spots,)
        What the quality of each spot counts.
    conflicts : array of int64, shape (pairs, 2)
        Spots too near each other.
    owner : array of int64, shape (spots,)
        Property of each spot.
    """

    reach: csr_array
    units_m2: Floats
    worth: Floats
    bonus: Floats
    conflicts: Ints
    owner: Ints

    @property
    def reached(self) -> Bools:
        """Which spots reach any habitat of the complex."""
        return np.asarray(np.diff(self.reach.indptr) > 0)


@dataclass(frozen=True)
class Solved:
    """The sites of one complex.

    Parameters
    ----------
    spots : array of int64
        Spots of the task that are sites, in the order of what each adds.
    gain_m2, weighted_m2 : array of float64
        Habitat units that each adds; and the same, those near a sighting counted for more.
    objective, bound : float
        What the choice is worth, and what no choice can exceed.
    """

    spots: Ints
    gain_m2: Floats
    weighted_m2: Floats
    objective: float
    bound: float


def make_task(
    study: Study, demand: Demand, place: int, *, x_m: Floats, y_m: Floats, owner: Ints, quality: Floats,
    in_place: Floats, spacing_m: float, radius_m: float,
) -> Task:  # fmt: skip
    """The problem of one complex.

    Parameters
    ----------
    study : Study
        Sightings and weights.
    demand : Demand
        Habitat by square.
    place : int
        The complex.
    x_m, y_m, owner, quality : array, shape (spots,)
        Spots to choose from.
    in_place : array of float64, shape (traps, 2)
        Traps that stand already: what they serve counts as served.
    spacing_m, radius_m : float
        Least distance between two sites, and how far a trap serves.

    Returns
    -------
    Task
        Ready to be solved.
    """
    its = np.s_[demand.first[place] : demand.first[place + 1]]
    squares = np.stack([demand.x_m[its], demand.y_m[its]], axis=1)
    reach = reach_matrix(x_m, y_m, demand.x_m[its], demand.y_m[its], radius_m)
    units = demand.units_m2[its].copy()
    if len(in_place) and len(units):
        units[cKDTree(in_place).query(squares)[0] <= radius_m] = 0
    close = np.empty((0, 2), np.int64)
    if spacing_m > 0 and len(x_m):
        close = cKDTree(np.stack([x_m, y_m], axis=1)).query_pairs(np.nextafter(spacing_m, 0), output_type="ndarray")
    bonus = quality * study.settings.sites.quality_share * study.settings.traps.m2_per_trap
    bonus[np.diff(reach.indptr) == 0] = 0
    return Task(reach, units, units * sighting_factor(study, squares), bonus, close, owner)


def sighting_factor(study: Study, places: Floats) -> Floats:
    """How much more habitat counts because pigs were seen near it.

    Parameters
    ----------
    study : Study
        Sightings, service radius, weight.
    places : array of float64, shape (n, 2)
        Where the habitat is.

    Returns
    -------
    array of float64, shape (n,)
        1, or 1 plus the weight within the service radius of a sighting.
    """
    factor = np.ones(len(places))
    seen, settings = study.sightings, study.settings
    if seen is not None and len(seen) and len(places):
        tree = cKDTree(seen[["x_m", "y_m"]].to_numpy(float))
        factor[tree.query(places)[0] <= settings.service_radius_m] += settings.traps.sightings_weight
    return factor


def solve(task: Task, *, limit: Ints, count: int, keep: tuple[int, ...], seconds: float, seed: int) -> Solved:
    """Sites for a complex.

    Parameters
    ----------
    task : Task
        The problem.
    limit : array of int64, shape (properties,)
        Most sites on each property.
    count : int
        Most sites.
    keep : tuple of int
        Spots that must be sites.
    seconds : float
        Most time; 0: a quick choice.
    seed : int
        Of the search.

    Returns
    -------
    Solved
        A site that adds no habitat is no site, however good the spot, unless it was kept.
    """
    # Quality enters as one cell per spot that only this spot serves, worth little.
    reach = hstack([task.reach, eye_array(len(task.owner), format="csr")], format="csr")
    choice: Choice = choose_sites(
        reach, np.concatenate([task.worth, task.bonus]), count, task.conflicts, task.owner, limit, keep,
        seconds=seconds, seed=seed,
    )  # fmt: skip
    sites, gains = _ranked(task, np.array(choice.sites, np.int64))
    holds = (gains[0] > 0) | np.isin(sites, keep)
    return Solved(sites[holds], gains[0][holds], gains[1][holds], choice.served, choice.bound)


def _ranked(task: Task, chosen: Ints) -> tuple[Ints, Floats]:
    """Chosen spots in the order of what each adds to those before, kept ones too; and what they add, both ways."""
    left, waiting = np.ones(len(task.units_m2)), chosen
    order: list[int] = []
    gains = np.zeros((2, len(chosen)))
    both = np.stack([task.units_m2, task.worth], axis=1)
    for place in range(len(chosen)):
        adds = task.reach[waiting] @ (both * left[:, None])
        best = int(np.argmax(adds[:, 0]))
        gains[:, place] = adds[best]
        order.append(int(waiting[best]))
        waiting = np.delete(waiting, best)
        cells = task.reach.indices[task.reach.indptr[order[-1]] : task.reach.indptr[order[-1] + 1]]
        left[cells] = 0
    return np.array(order, np.int64), gains
