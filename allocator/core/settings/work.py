"""``[equipment]``, ``[prices]``, ``[calendar]``, ``[crews]`` and ``[grant]``: what a plan takes to carry out."""

import math
from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from allocator.core.kit import DE_MINIMIS, REVISED_FROM, RateKind
from allocator.core.settings.base import NotNegative, Positive, Section
from allocator.core.units import METRES_PER_MILE

Whole = Annotated[int, Field(ge=0)]
Count = Annotated[int, Field(ge=1)]
Percent = Annotated[Decimal, Field(ge=0, le=100, allow_inf_nan=False)]
Dollars = Annotated[Decimal, Field(ge=0, le=1_000_000_000, allow_inf_nan=False)]


def _no_number(value: object) -> object:
    if isinstance(value, int | float):
        raise PydanticCustomError("date_type", "a number is no day")
    return value


Day = Annotated[date, BeforeValidator(_no_number)]


class EquipmentSettings(Section):
    """The kind of trap, and how many sets of it."""

    design: str = Field(description="name of a trap design, shipped or in designs")
    designs: str | None = Field(None, description="CSV with designs of your own; relative to the study file")
    panels: Count | None = Field(None, description="panels of a ring; absent: as the design has it")
    sets: Count | None = Field(None, description="trap sets to work with at most; absent: as many as the season needs")
    owned: Whole = Field(description="trap sets that are there already and need not be bought")
    spare_percent: NotNegative = Field(description="spares of every item, percent of the sets' own, rounded up")
    payload_lb: Positive = Field(description="what a truck or its trailer carries, pounds")


class PricesSettings(Section):
    """What things cost."""

    path: str | None = Field(
        None, description="CSV with dated prices (item,unit,unit_price_usd,date,source); absent: no price is known"
    )


class CalendarSettings(Section):
    """When traps may stand, and how long each stage at a site takes."""

    first_day: Day | None = Field(None, description="first day of the season; absent: no dates are planned")
    last_day: Day | None = Field(None, description="last day of the season")
    first_call: Day | None = Field(
        None, description="day of the first calls to 811; absent: calls may be made before the season"
    )
    closed: tuple[tuple[Day, Day], ...] = Field(
        (), description="first and last day of each time inside the season when no trap may stand"
    )
    holidays: Literal["off", "work"] = Field(description="whether US federal holidays are left out, or worked on")
    locate_business_days: Whole = Field(description="business days from the call to 811 until posts may be driven")
    build_days: Count = Field(description="days to build a trap at a site")
    pre_bait_days: Whole = Field(description="days of bait with the door tied open")
    capture_days: Count = Field(description="days that the trap is armed")
    reset_days: Whole = Field(description="days to take the trap down and move it")
    move_test_day: Whole = Field(description="day of pre-bait by which a site without visits is given up; 0: no test")

    @model_validator(mode="after")
    def _in_order(self) -> "CalendarSettings":
        if (self.first_day is None) != (self.last_day is None):
            missing = "last_day" if self.last_day is None else "first_day"
            raise ValueError(f"{missing} is missing; give both, such as first_day = 2026-02-02, last_day = 2026-09-30")
        if self.first_day and self.last_day and self.last_day < self.first_day:
            raise ValueError(f"last_day {self.last_day} is before first_day {self.first_day}; correct one of them")
        for first, last in self.closed:
            if last < first:
                raise ValueError(f"closed [{first}, {last}] ends before it begins; give the first day, then the last")
        if self.move_test_day > self.pre_bait_days:
            raise ValueError(
                f"move_test_day is {self.move_test_day}, but pre_bait_days only {self.pre_bait_days}; the test falls "
                "within the pre-bait"
            )
        return self


class CrewSettings(Section):
    """Crews: where they start, how long they work, what each task takes."""

    base_latitude: Annotated[float, Field(ge=-90, le=90)] | None = Field(
        None, description="latitude of the yard that rounds start from, degrees; absent: no rounds are planned"
    )
    base_longitude: Annotated[float, Field(ge=-180, le=180)] | None = Field(
        None, description="longitude of the same, degrees"
    )
    base_road_distance_m: Positive = Field(description="furthest that the yard may lie from a truck road, metres")
    available: Count | None = Field(None, description="crews at hand; absent: as many as the work needs")
    size: Count = Field(description="people in a crew")
    shift_hours: Positive = Field(description="longest round of a crew, hours")
    road_mph: Positive = Field(description="speed of a truck between stops, miles an hour")
    walk_mph: Positive = Field(description="speed on foot from the road to the trap and back, miles an hour")
    check_interval_hours: Positive = Field(description="longest time between two checks of an armed trap, hours")
    check_rule: str = Field(description="rule that the interval is taken from, with its date")
    check_minutes: NotNegative = Field(description="time at an armed trap at each check, minutes")
    bait_every_days: Count = Field(description="days between two visits during pre-bait")
    bait_minutes: NotNegative = Field(description="time at a trap at each bait visit, minutes")
    locate_hours: NotNegative = Field(description="person-hours for the utility locate of a site")
    build_hours: NotNegative = Field(description="person-hours to build a trap, all visits together, without driving")
    reset_hours: NotNegative = Field(description="person-hours to take a trap down and load it, without driving")
    wage_usd_per_hour: Dollars | None = Field(None, description="wage, US dollars an hour; absent: no labour cost")
    fringe_percent: Percent | None = Field(None, description="fringe benefits, percent of wages; absent: none counted")
    seconds: NotNegative = Field(description="most time to look for shorter rounds, for all rounds together")

    @model_validator(mode="after")
    def _whole_base(self) -> "CrewSettings":
        if (self.base_latitude is None) != (self.base_longitude is None):
            missing = "base_longitude" if self.base_longitude is None else "base_latitude"
            raise ValueError(f"{missing} is missing; give latitude and longitude of the yard, in degrees")
        return self

    @property
    def base(self) -> tuple[float, float] | None:
        """Longitude and latitude of the yard; None where none is given."""
        if self.base_longitude is None or self.base_latitude is None:
            return None
        return self.base_longitude, self.base_latitude

    @property
    def road_m_per_hour(self) -> float:
        """Metres that a truck drives in an hour."""
        return self.road_mph * METRES_PER_MILE

    @property
    def walk_m_per_hour(self) -> float:
        """Metres that a crew walks in an hour."""
        return self.walk_mph * METRES_PER_MILE

    @property
    def days_between_checks(self) -> int:
        """Whole days from one check of an armed trap to the next: those that the interval holds, at least 1."""
        return max(1, math.floor(self.check_interval_hours / 24 + 1e-9))

    @property
    def checks_per_day(self) -> int:
        """Checks on a day with checks: more than one where the interval is shorter than a day."""
        return max(1, math.ceil(24 / self.check_interval_hours - 1e-9))


class GrantSettings(Section):
    """How costs become a US federal grant budget."""

    award_date: Day | None = Field(
        None, description="day of the award; absent: classes are not decided and no indirect costs are counted"
    )
    unit: Literal["trap", "item"] = Field(description="what one unit of equipment is: a complete trap, or each item")
    capitalisation_level_usd: Dollars | None = Field(
        None, description="unit cost from which the recipient's own books capitalise, US dollars; absent: no such level"
    )
    indirect_percent: Percent | None = Field(
        None, description="indirect rate, percent of modified total direct costs; absent: none"
    )
    indirect_kind: RateKind = Field(description="what the rate is: de_minimis or negotiated")
    match_percent: Percent | None = Field(None, description="match, percent of match_base; absent: no match")
    match_base: Literal["total", "federal"] = Field(description="what the match is a percent of")
    other_costs: str | None = Field(
        None, description="CSV with cost lines of your own (words,object_class,quantity,unit_cost_usd,kind,subaward)"
    )
    expected_pigs: Positive | None = Field(None, description="pigs expected to be caught; absent: no cost per pig")

    @model_validator(mode="after")
    def _match_below_total(self) -> "GrantSettings":
        if self.match_percent is not None and self.match_base == "total" and self.match_percent >= 100:
            raise ValueError(f"match_percent is {self.match_percent} of the total; expected less than 100")
        return self

    @model_validator(mode="after")
    def _rate_allowed(self) -> "GrantSettings":
        if self.indirect_percent is None or self.award_date is None or self.indirect_kind == "negotiated":
            return self
        most = DE_MINIMIS[self.award_date >= REVISED_FROM]
        if self.indirect_percent > most * 100:
            raise ValueError(
                f"indirect_percent is {self.indirect_percent}, but a de minimis rate is at most {most:.0%} for an "
                f"award of {self.award_date}; lower it, or set indirect_kind to negotiated if an agreement grants it"
            )
        return self
