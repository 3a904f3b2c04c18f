"""A copy of a plan for others as a new folder: a page, tables, a GeoPackage and notes, every file written fresh."""

import math
import os
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from jinja2 import DictLoader, Environment, StrictUndefined, Template

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.errors import OutputError
from allocator.outputs.columns import Column
from allocator.outputs.geopackage import Layer, write_layers
from allocator.outputs.number_words import BLANK, number, whole
from allocator.outputs.tables import cautions, write_table
from allocator.outputs.write_plan import WRITING_ERRORS, all_or_nothing, check_target, reason_of

AREA_COLUMNS = (
    Column("", "area", "text", "", "area of the map; the whole plan; elsewhere: all that lies in no area shown"),
    Column("", "properties", "whole number", "", "number of properties"),
    Column("", "land_acres", "whole number", "acres", "area of the properties to the nearest 10 acres"),
    Column("", "habitat_acres", "whole number", "acres", "habitat on the properties to the nearest 10 acres"),
    Column("", "traps", "whole number", "traps", "traps needed by the rule of the plan"),
)
"""What the public sees of an area."""
KICKERS = {"public": "Feral swine · public summary", "partner": "Feral swine · work for a partner"}
FOR_THE_PUBLISHER = "Before this is published"
"""Heading of the notes that the public's page leaves out: they speak to whoever made the copy."""
SHADES = (1, 5, 10, 20)
"""Least traps of every shade of the map but the first."""
MAP_UNITS = 1000
SMALLEST_NAMED = 0.1
"""A part of an area that is at least this much of it has the name on the map too."""
MOST_ROWS = 1000
"""Rows of a table that the page shows; its CSV file has all."""
PAGE_LEAVES_OUT = ("cautions",)
"""Columns that the page has no room for: the cautions stand on it once for all."""
LONG_WORDS = 24
"""Words of more characters may break over lines."""
DIGITS = {"latitude": 6, "longitude": 6, "degrees": 0, "acres": 1, "m": 1, "miles": 1, "hours": 1, "percent": 1}


@dataclass(frozen=True)
class SharedTable:
    """A table that an audience may see.

    Parameters
    ----------
    name, caption : str
        Name in the GeoPackage, and words over it on the page.
    columns : tuple of Column
        What is written, in this order; nothing else of the rows is.
    rows : pandas.DataFrame or geopandas.GeoDataFrame
        The rows.
    geometry : str or None
        The geometry that the layer declares; None for a table without.
    csv_path : str or None
        CSV file inside the copy; None: no file.
    is_on_page : bool
        Whether the page shows it.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: Any
    geometry: str | None = None
    csv_path: str | None = None
    is_on_page: bool = False


@dataclass(frozen=True)
class SharedCopy:
    """What an audience may see of a plan.

    Parameters
    ----------
    audience : str
        partner or public.
    title : str
        Stands on every file.
    figures : tuple of (str, number)
        The totals.
    tables : tuple of SharedTable
        The tables; one named ``cells`` is drawn as a map.
    facts : mapping
        What the notes need, by audience; see the template.
    crs_wkt : str
        Coordinate system of the layers.
    undecided : tuple of str
        Tables and columns of the plan that were left out because nobody has decided who may see them. They stand in
        no file.
    """

    audience: str
    title: str
    figures: tuple[tuple[str, int | float], ...]
    tables: tuple[SharedTable, ...]
    facts: Mapping[str, Any]
    crs_wkt: str
    undecided: tuple[str, ...] = ()


def check_new_folder(out: str | Path) -> Path:
    """Where a copy will be written, if it may be; changes nothing.

    Parameters
    ----------
    out : str or pathlib.Path
        The folder to make.

    Returns
    -------
    pathlib.Path
        The folder with all links followed.

    Raises
    ------
    OutputError
        Something is there, or the place cannot be written to.
    """
    if os.path.lexists(out):  # also a link that leads nowhere
        raise OutputError(
            f"The copy cannot be written to {out}, which exists already. Name a new folder, so that nothing in it was "
            "meant for somebody else."
        )
    return check_target(out)


def write_shared_copy(copy: SharedCopy, out: str | Path) -> Path:
    """Write a copy into a new folder: page, tables, GeoPackage and notes; the same copy gives the same bytes.

    Parameters
    ----------
    copy : SharedCopy
        What the audience may see.
    out : str or pathlib.Path
        The folder to make, with the folders above it.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    OutputError
        The folder may not be made, or writing failed; nothing is there then.
    """
    target = check_new_folder(out)
    try:
        with all_or_nothing(target) as folder:
            for table in copy.tables:
                if table.csv_path is not None:
                    (folder / table.csv_path).parent.mkdir(exist_ok=True)
                    write_table(_values(table), folder / table.csv_path)
            _write_geopackage(copy, folder / "shared.gpkg")
            (folder / "shared.html").write_text(shared_page(copy), encoding="utf-8", newline="\n")
            (folder / "notes.txt").write_text(notes_text(copy), encoding="utf-8", newline="\n")
            check_new_folder(target)  # again: something may have been put there while this was written
    except WRITING_ERRORS as error:
        raise OutputError(
            f"The copy could not be written to {target}. {reason_of(error)}. "
            "Check the free space and the permissions, or choose another folder."
        ) from error
    return target


def notes_text(copy: SharedCopy) -> str:
    """The notes as plain text: what was left out, how the numbers were made, the cautions.

    Parameters
    ----------
    copy : SharedCopy
        The copy.

    Returns
    -------
    str
        Lines of at most 100 characters where words allow.
    """
    parts = [copy.title, HEADLINE, *(f"{name}: {amount:,}" for name, amount in copy.figures)]
    for heading, sentences in (*_notes(copy), ("Before a trap is set", CAUTIONS)):
        parts += ["", heading, *(f"- {one}" for one in sentences)]
    return "".join(textwrap.fill(one, 100, subsequent_indent="  " * one.startswith("- ")) + "\n" for one in parts)


def _notes(copy: SharedCopy) -> list[tuple[str, list[str]]]:
    """Headings and the sentences under each: lines of the template without and with a dash."""
    notes: list[tuple[str, list[str]]] = []
    for line in filter(None, map(str.strip, _template().render(part=copy.audience, **copy.facts).splitlines())):
        if line.startswith("- "):
            notes[-1][1].append(line[2:])
        else:
            notes.append((line, []))
    return notes


def _template() -> Template:
    source = (resources.files("allocator.outputs") / "templates" / "shared.html").read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True, loader=DictLoader({"page": source}), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("page")


def shared_page(copy: SharedCopy) -> str:
    """The copy as one page that opens without a network.

    Parameters
    ----------
    copy : SharedCopy
        The copy.

    Returns
    -------
    str
        HTML; text of the user stands in it as text only.
    """
    return _template().render(
        part="page", notes=[one for one in _notes(copy) if one[0] != FOR_THE_PUBLISHER],
        title=copy.title, kicker=KICKERS[copy.audience], headline=HEADLINE, cautions=CAUTIONS,
        figures=[(name, f"{amount:,}") for name, amount in copy.figures],
        tables=[_page_table(one) for one in copy.tables if one.is_on_page],
        map=next((_drawn(one) for one in copy.tables if one.name == "cells" and len(one.rows)), None),
    )  # fmt: skip


def _page_table(table: SharedTable) -> dict[str, Any]:
    columns = [one for one in table.columns if one.column not in PAGE_LEAVES_OUT]
    told = [[_shown(value, one) for value in table.rows[one.column].head(MOST_ROWS)] for one in columns]
    return {
        "caption": table.caption,
        "heads": [(one.words, _kind(one, words))
                  for one, words in zip(columns, told, strict=True)],
        "rows": list(zip(*told, strict=True)),
        "more": f"{len(table.rows) - MOST_ROWS:,} more rows stand in {table.csv_path}." if len(table.rows) > MOST_ROWS
        else "",
    }  # fmt: skip


def _kind(column: Column, words: Sequence[str]) -> str:
    """How a column is set: number, long (its words may break) or text (they may not)."""
    if column.type in ("number", "whole number"):
        return "number"
    return "long" if max(map(len, words), default=0) > LONG_WORDS else "text"


def _shown(value: Any, column: Column) -> str:
    if column.type == "whole number":
        return whole(value)
    if column.type == "number":
        return number(value, DIGITS.get(column.column, DIGITS.get(column.unit, 1)))
    return BLANK if pd.isna(value) or value == "" else str(value)


def _drawn(table: SharedTable) -> dict[str, Any]:
    """Shapes in units of the picture: how they lie to each other, and nothing of where on the globe."""
    west, south, east, north = table.rows.total_bounds
    scale = MAP_UNITS / max(east - west, north - south)

    def path(ring: Any) -> str:
        points = np.rint((shapely.get_coordinates(ring) - (west, north)) * (scale, -scale)).astype(int)
        return "M" + "L".join(f"{x} {y}" for x, y in points) + "Z"

    shapes = []
    for shape, name, traps in zip(table.rows.geometry, table.rows["area"], table.rows["traps"], strict=True):
        parts = shapely.get_parts(shape)
        rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
        named = [part.representative_point() for part in parts if part.area >= shape.area * SMALLEST_NAMED]
        at = [(round((one.x - west) * scale), round((north - one.y) * scale)) for one in named]
        shapes.append({"path": "".join(map(path, rings)), "name": name, "traps": f"{traps:,}",
                       "shade": sum(traps >= least for least in SHADES), "at": at})  # fmt: skip
    letters = 0.3 * math.sqrt(table.rows.geometry.area.min()) * scale
    ends = [0, *SHADES]
    labels = [f"{one}" if one + 1 == after else f"{one} to {after - 1}"
              for one, after in zip(ends, SHADES, strict=False)]  # fmt: skip
    return {"shapes": shapes, "width": math.ceil((east - west) * scale), "height": math.ceil((north - south) * scale),
            "letters": min(max(round(letters), 12), 46), "labels": [*labels, f"{ends[-1]} or more"]}  # fmt: skip


def _typed(values: Any, column: Column) -> Any:
    """The values as they are written; blank text is None."""
    if column.type == "whole number":
        return values.astype("Int64")
    if column.type == "number":
        return values.astype("float64")
    return values.astype(object).where(values.notna(), None)


def _values(table: SharedTable) -> pd.DataFrame:
    """The columns that are written, typed as those of a plan."""
    return pd.DataFrame({one.column: _typed(table.rows[one.column], one) for one in table.columns})


def _write_geopackage(copy: SharedCopy, path: Path) -> None:
    said = Column("cautions", "caution", "text", "", "what to heed before a trap is set")
    warned = SharedTable("cautions", "", (said,), pd.DataFrame({"caution": list(cautions())}))
    tables = [*(one for one in copy.tables if one.name != warned.name), warned]
    columns = [replace(one, table=table.name) for table in tables for one in table.columns]
    write_layers(map(_layer, tables), path, crs_wkt=copy.crs_wkt, columns=columns)


def _layer(table: SharedTable) -> Layer:
    if table.geometry is None:
        return Layer(table.name, _values(table))
    shapes = shapely.to_wkb(shapely.force_2d(table.rows.geometry.to_numpy()), output_dimension=2)
    return Layer(table.name, _values(table), table.geometry, np.asarray(shapes, dtype=object))
