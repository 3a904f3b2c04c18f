"""Small charts as SVG for a page: habitat served against traps, and what moves the count."""

import math
from collections.abc import Sequence

from markupsafe import Markup, escape

WIDTH = 340
"""Units across; texts are 12 high, so that a chart can be read on a phone."""
MOST_POINTS = 200
LINE = 18
"""Height of a line of text."""


def round_ticks(most: float, number: int = 5) -> list[float]:
    """Round numbers from 0 to at most a largest value.

    Parameters
    ----------
    most : float
        Largest value, above 0.
    number : int
        About how many steps.

    Returns
    -------
    list of float
        Multiples of 1, 2 or 5 times a power of ten.

    Examples
    --------
    >>> round_ticks(22), round_ticks(4615)
    ([0.0, 5.0, 10.0, 15.0, 20.0], [0.0, 1000.0, 2000.0, 3000.0, 4000.0])
    """
    rough = most / number
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one * power for one in (1, 2, 5, 10) if one * power >= rough * (1 - 1e-9))
    return [step * place for place in range(math.floor(most / step + 1e-9) + 1)]


def frontier_chart(traps: Sequence[int], served_acres: Sequence[float], *, placed: int) -> Markup:
    """Habitat served against the number of traps, the number placed marked.

    Parameters
    ----------
    traps : sequence of int
        0, 1, 2 and so on.
    served_acres : sequence of float
        Habitat units served by so many.
    placed : int
        Traps of the plan.

    Returns
    -------
    markupsafe.Markup
        An SVG element; empty where there is nothing to draw.
    """
    if len(traps) < 2 or max(served_acres) <= 0:
        return Markup("")
    _check_finite(served_acres)
    left, right, top, bottom = 56, WIDTH - 14, 12, 150
    most_x, most_y = max(traps), max(served_acres)

    def at(x: float, y: float) -> str:
        return f"{left + (right - left) * x / most_x:.1f},{bottom - (bottom - top) * y / most_y:.1f}"

    every = max(1, math.ceil(len(traps) / MOST_POINTS))
    kept = sorted({*range(0, len(traps), every), len(traps) - 1})
    line = " ".join(at(traps[one], served_acres[one]) for one in kept)
    mark = traps.index(placed) if placed in traps else len(traps) - 1
    parts = [f'<polyline points="{line}" fill="none" stroke="currentColor" stroke-width="2"/>']
    x, y = at(traps[mark], served_acres[mark]).split(",")
    parts.append(f'<circle cx="{x}" cy="{y}" r="5" fill="currentColor"/>')
    for tick in round_ticks(most_y):
        height = float(at(0, tick).split(",")[1])
        parts.append(_rule(left, height, right, height) + svg_text(left - 6, height + 4, f"{tick:,.0f}", "end"))
    for tick in round_ticks(most_x):
        if tick.is_integer():
            across = float(at(tick, 0).split(",")[0])
            parts.append(svg_text(across, bottom + LINE - 2, f"{tick:,.0f}", "middle"))
    parts.append(svg_text(right, bottom + 2 * LINE, "traps", "end"))
    last = served_acres[mark] - served_acres[max(mark - 1, 0)]
    words = f"{traps[mark]} traps serve {served_acres[mark]:,.0f} acres of habitat units; the last adds {last:,.0f}."
    return _svg("frontier", "Habitat served by so many traps", words, bottom + 2 * LINE + 8, parts)


def tornado_chart(rows: Sequence[tuple[str, float, float]], *, point: float) -> Markup:
    """What each assumption alone makes of the count, the widest first.

    Parameters
    ----------
    rows : sequence of (str, float, float)
        Assumption, low and high exact traps.
    point : float
        Exact traps of the plan.

    Returns
    -------
    markupsafe.Markup
        An SVG element; empty where there is nothing to draw.
    """
    if not rows:
        return Markup("")
    ends = [value for _, low, high in rows for value in (low, high)] + [point]
    _check_finite(ends)
    least, most = min(ends), max(ends)
    span = most - least or 1.0
    left, right = 44.0, WIDTH - 44.0

    def at(value: float) -> float:
        return left + (right - left) * (value - least) / span

    parts, down = [], 0.0
    for name, low, high in rows:
        parts.append(svg_text(0, down + 13, name))
        width = max(at(high) - at(low), 1.0)
        parts.append(
            f'<rect x="{at(low):.1f}" y="{down + 19:.1f}" width="{width:.1f}" height="11" fill="currentColor"/>'
        )
        parts.append(
            svg_text(at(low) - 4, down + 29, f"{low:.1f}", "end") + svg_text(at(high) + 4, down + 29, f"{high:.1f}")
        )
        down += 36
    parts.append(f'<path d="M{at(point):.1f} 17V{down:.1f}" stroke="currentColor" stroke-dasharray="3 3"/>')
    name, low, high = rows[0]
    words = f"{name} moves the count most: {low:.1f} to {high:.1f} traps around {point:.1f}."
    return _svg("tornado", "What moves the number of traps", words, down + 6, parts)


def _check_finite(values: Sequence[float]) -> None:
    if not all(math.isfinite(one) for one in values):
        raise ValueError("a chart needs finite numbers")


def svg_text(x: float, y: float, words: str, anchor: str = "start") -> str:
    """Words in a chart.

    Parameters
    ----------
    x, y : float
        Where the words start, or end, or have their middle, and their base line.
    words : str
        Any text; it is escaped.
    anchor : str
        ``start``, ``middle`` or ``end``.

    Returns
    -------
    str
        A text element of SVG, 12 high.

    Examples
    --------
    >>> svg_text(0, 12, "a < b")
    '<text x="0.0" y="12.0" text-anchor="start" font-size="12" fill="currentColor">a &lt; b</text>'
    """
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} font-size="12" fill="currentColor">{escape(words)}</text>'


def _rule(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="currentColor" stroke-opacity="0.25"/>'


def _svg(name: str, title: str, words: str, height: float, parts: Sequence[str]) -> Markup:
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height:.0f}" role="img" '
        f'aria-labelledby="{name}-title {name}-words"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-words">{escape(words)}</desc>{"".join(parts)}</svg>'
    )
