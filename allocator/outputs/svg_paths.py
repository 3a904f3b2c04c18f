"""Paths and words of a drawing (SVG), with coordinates to a tenth of a unit."""

from typing import Any

import numpy as np
import shapely


def path_of(shapes: list[Any], look: str) -> str:
    """One path of all areas and points, and one without filling of all lines.

    Parameters
    ----------
    shapes : list of shapely shapes
        In units of the drawing, down the page; collections may hold collections.
    look : str
        Attributes of the path.

    Returns
    -------
    str
        Markup without any text; empty where there is nothing to draw. A point is a square of 8 units.
    """
    parts = shapely.get_parts(shapely.get_parts(np.array(shapes, dtype=object)))
    lines = "".join(steps_of(part) for part in parts if part.geom_type in ("LineString", "LinearRing"))
    areas = "".join(steps_of(part) for part in parts if part.geom_type in ("Point", "Polygon"))
    drawn = f'<path d="{areas}" {look}/>' if areas else ""
    return drawn + (f'<path d="{lines}" {look} style="fill:none"/>' if lines else "")


def steps_of(part: Any) -> str:
    """One point, line or polygon as the steps of a path.

    Parameters
    ----------
    part : shapely shape
        Not a collection, in units of the drawing; not empty.

    Returns
    -------
    str
        What stands in the attribute ``d``.
    """
    if part.geom_type == "Point":
        return f"M{part.x - 4:.1f} {part.y - 4:.1f}h8v8h-8z"
    if part.geom_type == "Polygon":
        return "".join(_corners(ring) + "Z" for ring in (part.exterior, *part.interiors))
    return _corners(part)


def _corners(line: Any) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in shapely.get_coordinates(line).tolist())


def text_at(x: float, y: float, words: str, fill: str, anchor: str = "start", size: float = 12) -> str:
    """Words of this tool at a place: numbers, units, north.

    Parameters
    ----------
    x, y : float
        Where the line of letters stands, in units of the drawing.
    words : str
        Never a user's: they are not escaped.
    fill : str
        Colour.
    anchor : str
        start, middle or end.
    size : float
        Height of letters, units.

    Returns
    -------
    str
        Markup.
    """
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" font-weight="bold"'
    return f'<text {place} font-family="Arial, Helvetica, sans-serif" fill="{fill}">{words}</text>'
