"""What a plan takes to carry out: trap sets and days, driving, person-hours, money."""

from collections.abc import Sequence
from dataclasses import dataclass

from allocator.core.study import Study
from allocator.field.costs import Costs, cost_plan
from allocator.field.labour import Task, driven_miles, labour
from allocator.field.schedule import Schedule, plan_schedule
from allocator.field.trips import Trips, plan_trips
from allocator.sites.measured import Measured
from allocator.sites.roads import TruckRoads


@dataclass(frozen=True)
class Work:
    """Season, driving, person-hours and money of a plan.

    Parameters
    ----------
    schedule : Schedule
        Trap sets and days.
    trips : Trips
        Rounds and driving.
    tasks : sequence of Task
        Person-hours.
    costs : Costs
        Kit and money.
    """

    schedule: Schedule
    trips: Trips
    tasks: Sequence[Task]
    costs: Costs

    @property
    def person_hours(self) -> float | None:
        """Person-hours of all tasks; None where those of one are not known."""
        hours = [one.hours for one in self.tasks if one.hours is not None]
        return sum(hours) if len(hours) == len(self.tasks) else None

    @property
    def miles(self) -> float | None:
        """Miles of the season; None without a base on the road network."""
        return driven_miles(self.schedule, self.trips)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know before relying on it; a plan that asks for no cost at all is not blamed for it."""
        against = (f"The trap: {one[0].lower()}{one[1:]}." for one in self.costs.known_against)
        found = [*self.schedule.notes, *self.trips.notes, *against]
        blank = self.costs.blank
        if blank and not self.costs.is_unknown:
            shown = ", ".join(blank[:8]) + (f" and {len(blank) - 8} more" if len(blank) > 8 else "")
            found.append(f"No price is known for {shown}: that is left out, and the true cost is higher.")
        return tuple(found)


def plan_work(study: Study, roads: TruckRoads, places: Measured) -> Work:
    """What the sites of a plan take to carry out.

    Parameters
    ----------
    study : Study
        Settings, trap design, prices.
    roads : TruckRoads
        The road graph.
    places : Measured
        The sites, in order of rank.

    Returns
    -------
    Work
        Each part stands even where another could not be planned; ``warnings`` say which.
    """
    schedule = plan_schedule(study.settings, len(places))
    trips = plan_trips(study, roads, places, schedule)
    tasks = labour(study, schedule, trips)
    return Work(schedule, trips, tasks, cost_plan(study, schedule, trips, tasks))
