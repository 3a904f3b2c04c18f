"""The season as a chart: one row for each trap set, one bar for each site that it stands at."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd
from markupsafe import Markup, escape

from allocator.outputs.charts import svg_text
from allocator.outputs.columns import documented_values
from allocator.outputs.date_words import MONTHS, day_words, span_words

MOST_SETS = 40
"""Rows that are drawn; the table of the calendar has every site of every set."""
LEAST_WIDTH, MOST_WIDTH = 900, 3600
"""Units across that the season takes: at least so many, and never more, however long it is."""
NAMES_WIDTH, RIGHT, AXIS, ROW = 58, 64, 42, 42
"""Width of the sets' names, room for the last month's name, height of the axis and of a row."""
PAPER_WIDTH = 680
"""Units across that a sheet of paper holds; the chart is made as small on paper."""
BAR_TOP, BAR_HEIGHT = 17, 15
LETTER = 7.2
"""About the width of a letter or digit."""
LABEL_GAP = 10
"""Least distance between the letters of two holidays."""


@dataclass(frozen=True, slots=True)
class StageLook:
    """How one stage at a site is drawn: by lightness, and by a pattern, so that no one needs to see colours.

    Parameters
    ----------
    key : str
        As in the columns of the calendar.
    words : str
        What it is called.
    fill : str
        Colour of its ground.
    marks : str
        Path of the pattern on a tile of 6 by 6; empty for none.
    """

    key: str
    words: str
    fill: str
    marks: str


STAGES = (
    StageLook("build", "Build", "#c08a4a", "M-1 7L7 -1M-1 1L1 -1M5 7L7 5"),
    StageLook("pre_bait", "Bait, door tied open", "#f0d48c", "M2 3h2"),
    StageLook("capture", "Armed", "#4f1d10", ""),
    StageLook("reset", "Take down", "#fffdf6", "M1.5 0V6M4.5 0V6"),
)


@dataclass(frozen=True, slots=True)
class _Stay:
    """One site in the chart: its id, its set, first and last day of each stage, and the day of the move test."""

    site_id: str
    trap_set: int
    stages: dict[str, tuple[date, date]]
    move_test: date | None

    @property
    def first(self) -> date:
        return min(first for first, _ in self.stages.values())

    @property
    def last(self) -> date:
        return max(last for _, last in self.stages.values())

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where a day lies across."""

    first: date
    last: date
    per_day: float

    def at(self, day: date) -> float:
        return (day - self.first).days * self.per_day

    @property
    def width(self) -> float:
        return self.at(self.last + timedelta(days=1))


def schedule_chart(
    calendar: pd.DataFrame,
    *,
    first: date,
    last: date,
    closed: Sequence[tuple[date, date]] = (),
    holidays: Sequence[date] = (),
) -> Markup:
    """The season of every trap set, with a key above it.

    Parameters
    ----------
    calendar : pandas.DataFrame
        The table ``calendar``; sites without dates are left out.
    first, last : datetime.date
        First and last day of the season.
    closed : sequence of (date, date)
        First and last day of each time when no trap may stand.
    holidays : sequence of date
        Days on which crews do not work.

    Returns
    -------
    markupsafe.Markup
        A list (the key) and a box to scroll with three SVG elements: months, names of the sets (these two stay in
        sight), and the season; under it a sentence where not all sets are drawn or some bars are too short for their
        site's id. Empty where no site has dates.

    Notes
    -----
    Bounded: at most ``MOST_SETS`` rows, and ``LEAST_WIDTH`` to ``MOST_WIDTH`` units across, so wide that the shortest
    stay holds its site's id if that can be had.
    """
    stays = _stays(calendar)
    if not stays:
        return Markup("")
    sets = sorted({one.trap_set for one in stays})
    drawn = sets[:MOST_SETS]
    shown = [one for one in stays if one.trap_set in drawn]
    scale, height = _scale(shown, first, last), ROW * len(drawn)
    width = round(scale.width + RIGHT)
    tops = range(0, height, ROW)
    rows = [
        f'<g class="season-set">{"".join(_stay(one, scale, top) for one in shown if one.trap_set == number)}</g>'
        for number, top in zip(drawn, tops, strict=True)
    ]
    names = [svg_text(0, top + BAR_TOP + 12, f"Set {number}") for number, top in zip(drawn, tops, strict=True)]
    lines = [f'<path class="season-line" d="M0 {top}H{scale.width:.1f}"/>' for top in tops]
    above, below = zip(*_bands(closed, holidays, scale, height), *_months(scale, height), strict=True)
    words = (
        f"{_count(len(stays), 'site')} on {_count(len(sets), 'trap set')}, {span_words(first, last)}. "
        "The table of dates under the chart has every day."
    )
    on_paper = min(1.0, PAPER_WIDTH / (width + NAMES_WIDTH))
    said = (
        '<title id="season-title">When each trap set stands where</title>'
        f'<desc id="season-words">{escape(words)}</desc>'
    )
    spoken, unspoken = 'role="img" aria-labelledby="season-title season-words"', 'aria-hidden="true"'
    return Markup(
        f"{_key(shown, closed=bool(closed), holidays=bool(holidays))}"
        f'<div class="season-box" role="region" tabindex="0" aria-label="Season of the trap sets, chart" '
        f'style="--on-paper:{on_paper:.3f}"><span class="season-corner"></span>'
        f"{_svg('season-axis', width, AXIS, above, unspoken)}"
        f"{_svg('season-names', NAMES_WIDTH, height, names, unspoken)}"
        f"{_svg('season', width, height, (said, _patterns(), *below, *lines, *rows), spoken)}</div>"
        f"{_note(sets, shown, scale)}"
    )


def _svg(name: str, width: int, height: int, parts: Iterable[str], more: str) -> str:
    return (
        f'<svg class="{name}" width="{width}" height="{height}" viewBox="0 0 {width} {height}" {more}>'
        f"{''.join(parts)}</svg>"
    )


def _stays(calendar: pd.DataFrame) -> list[_Stay]:
    """Sites with dates, in order of their first day."""
    found = []
    for row in documented_values("calendar", calendar).to_dict("records"):
        ends = {look.key: (row[f"{look.key}_first"], row[f"{look.key}_last"]) for look in STAGES}
        stages = {
            key: (date.fromisoformat(begin), date.fromisoformat(end)) for key, (begin, end) in ends.items() if begin
        }
        if stages and not pd.isna(row["trap_set"]):
            test = date.fromisoformat(row["move_test"]) if row["move_test"] else None
            found.append(_Stay(row["site_id"], int(row["trap_set"]), stages, test))
    return sorted(found, key=lambda one: (one.first, one.trap_set))


def _scale(stays: Sequence[_Stay], first: date, last: date) -> _Scale:
    days = (last - first).days + 1
    wanted = max(LEAST_WIDTH / days, max(_label_width(one.site_id) / one.days for one in stays))
    return _Scale(first, last, min(wanted, MOST_WIDTH / days))


def _label_width(words: str) -> float:
    return len(words) * LETTER + 6


def _has_room(stay: _Stay, scale: _Scale) -> bool:
    return stay.days * scale.per_day + 1e-6 >= _label_width(stay.site_id)


def _stay(stay: _Stay, scale: _Scale, top: int) -> str:
    left, right, bar = scale.at(stay.first), scale.at(stay.last + timedelta(days=1)), top + BAR_TOP
    dates = [f"{look.words} {span_words(*stay.stages[look.key])}" for look in STAGES if look.key in stay.stages]
    if stay.move_test:
        dates.append(f"Move test {day_words(stay.move_test)}")
    told = f"{stay.site_id}: " + "; ".join(dates)
    parts = [
        f'<g class="season-stay"><title>{escape(told)}</title>',
        f'<rect class="season-hold" x="{left:.1f}" y="{bar}" width="{right - left:.1f}" height="{BAR_HEIGHT}"/>',
    ]
    for look in STAGES:
        if look.key in stay.stages:
            begin, end = stay.stages[look.key]
            x, width = scale.at(begin), scale.at(end + timedelta(days=1)) - scale.at(begin)
            parts.append(_filled(look, f'x="{x:.1f}" y="{bar}" width="{width:.1f}" height="{BAR_HEIGHT}"'))
    parts.append(
        f'<rect class="season-edge" x="{left:.1f}" y="{bar}" width="{right - left:.1f}" height="{BAR_HEIGHT}"/>'
    )
    if _has_room(stay, scale):
        parts.append(svg_text(left + 1, top + BAR_TOP - 4, stay.site_id))
    if stay.move_test:
        parts.append(_test_mark(scale.at(stay.move_test) + scale.per_day / 2, bar + BAR_HEIGHT))
    return "".join(parts) + "</g>"


def _filled(look: StageLook, box: str) -> str:
    """A box in the stage's colour, and over it the stage's pattern."""
    ground = f'<rect class="season-{look.key}" {box} fill="{look.fill}"/>'
    return ground + (f'<rect {box} fill="url(#stage-{look.key})"/>' if look.marks else "")


def _test_mark(x: float, y: float) -> str:
    return f'<path class="season-test" d="M{x:.1f} {y - 3}l4.5 8h-9z"/>'


def _patterns() -> str:
    tiles = "".join(
        f'<pattern id="stage-{look.key}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path d="{look.marks}" stroke="#22292c" stroke-width="{1.8 if look.key == "pre_bait" else 1.1}"/></pattern>'
        for look in STAGES
        if look.marks
    )
    closed = (
        '<pattern id="season-closed" width="8" height="8" patternUnits="userSpaceOnUse">'
        '<path d="M-1 -1L9 9M-1 9L9 -1" stroke="#22292c" stroke-width="0.6" stroke-opacity="0.45"/></pattern>'
    )
    return f"<defs>{tiles}{closed}</defs>"


def _bands(
    closed: Sequence[tuple[date, date]], holidays: Sequence[date], scale: _Scale, height: int
) -> Iterator[tuple[str, str]]:
    """Closed times and holidays: their word or letter in the axis, and their shade in the season."""
    for begin, end in closed:
        left, right = scale.at(max(begin, scale.first)), scale.at(min(end, scale.last) + timedelta(days=1))
        if right <= left:
            continue
        box = f'class="season-closed" x="{left:.1f}" width="{right - left:.1f}" fill="url(#season-closed)"'
        word = svg_text((left + right) / 2, AXIS - 6, "closed" if right - left >= 6 * LETTER else "C", "middle")
        yield f'<rect {box} y="{AXIS - 20}" height="20"/>{word}', f'<rect {box} y="0" height="{height}"/>'
    before = -float(LABEL_GAP)
    for day in sorted(holidays):
        if not scale.first <= day <= scale.last or any(begin <= day <= end for begin, end in closed):
            continue
        left, width = scale.at(day), max(scale.per_day, 2.0)
        word = svg_text(left + width / 2, AXIS - 6, "H", "middle") if left - before >= LABEL_GAP else ""
        before = left if word else before
        yield word, f'<rect class="season-holiday" x="{left:.1f}" y="0" width="{width:.1f}" height="{height}"/>'


def _months(scale: _Scale, height: int) -> Iterator[tuple[str, str]]:
    """First days of months, as many as have room for their names; the season's own first day where there is room."""
    room = _label_width("Sep 2027")
    every = next((step for step in (1, 2, 3, 6) if step * 28 * scale.per_day >= room), 12)
    ticks = []
    for place in range(scale.first.year * 12 + scale.first.month - 1, scale.last.year * 12 + scale.last.month):
        day = date(place // 12, place % 12 + 1, 1)
        if day >= scale.first and place % every == 0:
            ticks.append((day, f"{MONTHS[day.month - 1]} {day.year}"))
    if not ticks or scale.at(ticks[0][0]) >= _label_width("Sep 15, 2027"):
        ticks.insert(0, (scale.first, day_words(scale.first)))
    for day, words in ticks:
        x = f"{scale.at(day):.1f}"
        yield (
            f'<path class="season-month" d="M{x} 4V{AXIS}"/>' + svg_text(scale.at(day) + 4, 14, words),
            f'<path class="season-month" d="M{x} 0V{height}"/>',
        )


def _key(stays: Sequence[_Stay], *, closed: bool, holidays: bool) -> str:
    """What patterns and letters mean; only what is drawn."""
    used = {key for one in stays for key in one.stages}
    swatches = [
        (_filled(look, 'x="0.5" y="2.5" width="27" height="15"')
         + '<rect class="season-edge" x="0.5" y="2.5" width="27" height="15"/>', look.words)
        for look in STAGES if look.key in used
    ]  # fmt: skip
    if any(one.move_test for one in stays):
        swatches.append((_test_mark(14, 9), "Move test: no pigs by this day, so move on"))
    if closed:
        swatches.append(
            ('<rect class="season-closed" width="28" height="20" fill="url(#season-closed)"/>', "Closed (C)")
        )
    if holidays:
        swatches.append(('<rect class="season-holiday" x="11" width="6" height="20"/>', "Holiday, crews off (H)"))
    entries = "".join(
        f'<li><svg viewBox="0 0 28 20" width="28" height="20" aria-hidden="true" focusable="false">{drawing}</svg> '
        f"{escape(words)}</li>"
        for drawing, words in swatches
    )
    return f'<ul class="season-key">{entries}</ul>'


def _note(sets: Sequence[int], shown: Sequence[_Stay], scale: _Scale) -> str:
    """A sentence on what the chart leaves out; empty where it has all."""
    told = []
    if len(sets) > MOST_SETS:
        told.append(f"The chart shows the first {MOST_SETS} of {len(sets)} trap sets.")
    if not all(_has_room(one, scale) for one in shown):
        told.append("Some stays are too short here for the name of their site.")
    return f'<p class="season-note">{" ".join(told)} The table of dates has all.</p>' if told else ""


def _count(number: int, word: str) -> str:
    return f"{number:,} {word if number == 1 else word + 's'}"
