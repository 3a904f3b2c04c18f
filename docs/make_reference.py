"""Writes ``docs/reference/`` from the code (settings, columns, schemes, commands). Run it after changing one."""

import csv
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import typer
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from allocator.cli import app
from allocator.core.settings import Settings, read_defaults, read_profile, shipped_profiles
from allocator.outputs.columns import columns_of, table_names
from allocator.outputs.geopackage import GEOMETRY_TYPES

HEAD = "<!-- Made by docs/make_reference.py; change the code, not this file. -->\n\n"
COVER_SCHEMES = {
    "nlcd": "National Land Cover Database, 2001 and later",
    "nlcd_1992": "National Land Cover Dataset 1992; its codes mean other things than those of later editions",
    "ccap": "NOAA Coastal Change Analysis Program",
    "worldcover": "ESA WorldCover; it has no class of its own for wooded wetland other than mangroves",
    "cowardin": "Cowardin codes of the National Wetlands Inventory, read part by part: a row for each class; mixed"
    " classes score the mean of two rows, farmed ones that of Pf",
    "cdl": "USDA Cropland Data Layer",
}
ROAD_SCHEMES = {"roads_mtfcc": "TIGER/Line road classes (MTFCC)", "roads_osm": "OpenStreetMap highway values",
                "roads_osm_tags": "OpenStreetMap tags that refine the class"}  # fmt: skip
WATER_SCHEMES = {"water_nhd": "Feature codes of the National Hydrography Dataset; a code not listed counts as its type"}


@dataclass(frozen=True)
class Setting:
    """One setting with all that a reader needs.

    Parameters
    ----------
    name : str
        Dotted name as in the study file.
    meaning, default, unit, source : str
        In words; the default as TOML or JSON, or whether it is required.
    """

    name: str
    meaning: str
    default: str
    unit: str
    source: str


@dataclass(frozen=True)
class Group:
    """The settings of one table of the study file.

    Parameters
    ----------
    name, meaning : str
        Name of the table and what it is for.
    settings : tuple of Setting
        Its own settings, without those of tables inside it.
    """

    name: str
    meaning: str
    settings: tuple[Setting, ...]


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ")


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(_cell(one) for one in row) + " |" for row in rows]) + "\n"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def _section(field: FieldInfo) -> type[BaseModel] | None:
    """The table that a field holds, or None where it holds a value."""
    kinds = (field.annotation, *get_args(field.annotation))
    return next((one for one in kinds if isinstance(one, type) and issubclass(one, BaseModel)), None)


def _known(name: str) -> dict[str, Any]:
    """Value, unit, meaning and source of a shipped default; empty where there is none."""
    part: Any = read_defaults()
    for key in name.split("."):
        part = part.get(key, {}) if isinstance(part, dict) else {}
    return part if isinstance(part, dict) and "value" in part else {}


def _setting(name: str, field: FieldInfo) -> Setting:
    known = _known(name)
    if known:
        default = f"`{json.dumps(known['value'])}`"
    elif field.is_required():
        default = "required"
    else:
        value = field.get_default(call_default_factory=True)
        default = "" if value in (None, {}, ()) else f"`{json.dumps(value)}`"
    choices = [one for one in get_args(field.annotation) if get_origin(field.annotation) is Literal]
    return Setting(
        name=name,
        meaning=known.get("meaning", field.description or ""),
        default=default,
        unit=known.get("unit", " | ".join(str(one) for one in choices)),
        source=known.get("source", ""),
    )


def setting_groups(model: type[BaseModel] = Settings, name: str = "", meaning: str = "") -> Iterator[Group]:
    """Every setting, by table of the study file.

    Parameters
    ----------
    model : type of BaseModel
        Settings, or a part of it.
    name, meaning : str
        Dotted name of that part and what it is for.

    Yields
    ------
    Group
        In the order of the code.
    """
    prefix = f"{name}." if name else ""
    own = [(prefix + key, field) for key, field in model.model_fields.items()]
    values = tuple(_setting(key, field) for key, field in own if _section(field) is None)
    values += tuple(
        Setting(key, field.description or "", f"`{', '.join(_part(key))}`", "tables, one for each", "")
        for key, field in own if _is_named(field)
    )  # fmt: skip
    if values:
        yield Group(name, meaning or (model.__doc__ or "").splitlines()[0], values)
    for key, field in own:
        section = _section(field)
        if section is not None and _is_named(field):
            yield from setting_groups(section, f"{key}.NAME", "What a season changes; the rest stays as it is.")
            yield from (_defaults_of(f"{key}.{one}") for one in _part(key) if _part(f"{key}.{one}"))
        elif section is not None:
            yield from setting_groups(section, key, field.description or "")


def _is_named(field: FieldInfo) -> bool:
    """Whether a field holds tables under names that the user chooses."""
    return get_origin(field.annotation) is dict and _section(field) is not None


def _part(name: str) -> dict[str, Any]:
    """The part of the shipped defaults under a name."""
    part: Any = read_defaults()
    for key in name.split("."):
        part = part[key]
    return part


def _defaults_of(name: str) -> Group:
    """Shipped values of one season."""
    rows: list[Setting] = []

    def walk(part: dict[str, Any], dotted: str) -> None:
        if "value" in part:
            rows.append(_setting(dotted, FieldInfo(description="")))
            return
        for key, inner in part.items():
            walk(inner, f"{dotted}.{key}")

    walk(_part(name), name)
    return Group(name, "As shipped.", tuple(rows))


def settings_page() -> str:
    """Every setting with default, unit and source, as Markdown."""
    text = (
        "# Settings\n\nBy table, as they stand in the study file. An empty default means that the setting may be left"
        " out. `allocator plan --set KEY=VALUE` changes one for one run. Only `[inputs.properties]`,"
        " `[inputs.land_cover]` and `study.name` must be there.\n\nA source `project default` means that nobody"
        " measured it. `common practice, no source` means that the trade works so and no publication was found.\n"
    )
    for group in setting_groups():
        rows = [(f"`{one.name}`", one.meaning, one.default, one.unit, one.source) for one in group.settings]
        text += f"\n## {group.name}\n\n{_sentence(group.meaning)}\n\n"
        text += _table(("setting", "meaning", "default", "unit or choices", "source of the default"), rows)
    return HEAD + text


def columns_page() -> str:
    """Every column of every table, as Markdown."""
    text = (
        "# Columns\n\nThe same tables stand in `plan.gpkg` and `tables/*.csv`; the text below is stored in the"
        f" GeoPackage too (`gpkg_data_columns`). {', '.join(GEOMETRY_TYPES)} have shapes in the GeoPackage and"
        " none in the CSV files.\n"
    )
    for table in table_names():
        rows = [(f"`{one.column}`", one.type, one.unit, one.meaning) for one in columns_of(table)]
        text += f"\n## {table}\n\n" + _table(("column", "type", "unit", "meaning"), rows)
    return HEAD + text


def _scheme_table(name: str, title: str) -> str:
    shipped = resources.files("allocator.inputs") / "schemes" / f"{name}.csv"
    head, *rows = csv.reader(shipped.read_text(encoding="utf-8").splitlines())
    return f"\n## {name.removeprefix('roads_').removeprefix('water_')}\n\n{title}.\n\n" + _table(head, rows)


def schemes_page() -> str:
    """Every scheme with its classes, as Markdown."""
    text = (
        "# Schemes\n\n`score` is the cover index, 0 to 1; empty: background, never scored. Scores are project defaults:"
        " no published table of class scores for this species was found. Change any under `[habitat.cover]`. `truck`"
        " says whether a truck with a trailer may drive and stop there: yes, dry (dry weather only) or no; private:"
        " yes where it runs on enrolled land, elsewhere no. `is_water`"
        " and `water`: permanent, seasonal, wetland or no. `group` is the kind of land cover that all schemes share;"
        " seasons, profiles and `[habitat.groups]` score by it.\n"
    )
    for name, title in (COVER_SCHEMES | ROAD_SCHEMES | WATER_SCHEMES).items():
        text += _scheme_table(name, title)
    return HEAD + text


def designs_page() -> str:
    """Every shipped trap design, as Markdown: a column for each, because there are many measures."""
    text = (
        "# Trap designs\n\nChosen with `equipment.design`. A table of your own (`equipment.designs`) has these measures"
        " as its columns. Feet, inches, pounds; `door_ft` is what the door adds to the way round (0: hung in a panel)."
        "\n\n"
    )
    shipped = resources.files("allocator.inputs") / "designs.csv"
    columns = list(zip(*csv.reader(shipped.read_text(encoding="utf-8").splitlines()), strict=True))
    return HEAD + text + _table(columns[0], columns[1:])


def _option_row(option: Any) -> tuple[str, str, str]:
    """Name, meaning and default of an option or argument of the command line."""
    is_option = option.param_type_name == "option"
    names = ", ".join(option.opts) if is_option else option.metavar or option.name.upper()
    value = option.metavar if is_option and option.metavar else ""
    default = "required" if option.required else "" if option.default in (None, False) else f"`{option.default}`"
    return f"`{names}{' ' + value if value else ''}`", option.help or "", default


def commands_page() -> str:
    """Every command with its options, as Markdown."""
    group: Any = typer.main.get_command(app)
    text = (
        "# Commands\n\n`allocator COMMAND`; `python -m allocator COMMAND` is the same. Exit status: 0 done (warnings"
        " possible, and traps without a site too), 2 the inputs or settings need attention and no plan was written, 1 a"
        " fault of the tool, 130 stopped by Ctrl-C or SIGTERM.\n\n"
        "## Any command\n\nThese may stand anywhere on the line.\n\n"
    )
    text += _table(("option", "meaning", "default"), [(*_option_row(one)[:2], "") for one in group.params])
    for name, command in sorted(group.commands.items()):
        text += f"\n## allocator {name}\n\n{command.help}\n\n"
        text += _table(("option", "meaning", "default"), [_option_row(one) for one in command.params])
    return HEAD + text


def profiles_page() -> str:
    """Every regional profile, as Markdown."""
    text = (
        "# Regional profiles\n\nStarting values for the score, set with `[habitat] profile`. All are expert defaults.\n"
    )
    for name in shipped_profiles():
        told = read_profile(name)
        text += f"\n## {name}\n\n{told['name']}. {' '.join(told['note'].split())}\n\nSource: {told['source']}\n\n"
        changes = "\n".join(f"{key} = {json.dumps(value)}" for key, value in _flat(told["habitat"], "habitat"))
        text += f"```toml\n{changes}\n```\n" if changes else "It changes nothing: the tool starts from these values.\n"
    return HEAD + text


def _flat(table: dict[str, Any], name: str) -> list[tuple[str, Any]]:
    """Dotted names and values of nested tables."""
    found: list[tuple[str, Any]] = []
    for key, value in table.items():
        found += _flat(value, f"{name}.{key}") if isinstance(value, dict) else [(f"{name}.{key}", value)]
    return found


PAGES = {
    "profiles.md": profiles_page,
    "settings.md": settings_page,
    "columns.md": columns_page,
    "schemes.md": schemes_page,
    "designs.md": designs_page,
    "commands.md": commands_page,
}


def main() -> None:
    """Write all pages."""
    folder = Path(__file__).parent / "reference"
    folder.mkdir(exist_ok=True)
    for name, page in PAGES.items():
        (folder / name).write_text(page(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
