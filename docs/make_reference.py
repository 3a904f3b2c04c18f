"""Writes ``docs/reference/`` from the code (settings, columns, schemes, commands). Run it after changing one."""

import csv
import json
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from allocator.cli import app
from allocator.core.settings import Settings, read_defaults
from allocator.outputs.columns import columns_of, table_names

HEAD = "<!-- Made by docs/make_reference.py; change the code, not this file. -->\n\n"
SCHEMES = {
    "nlcd": "National Land Cover Database, 2001 and later",
    "nlcd_1992": "National Land Cover Dataset 1992; its codes mean other things than those of later editions",
    "ccap": "NOAA Coastal Change Analysis Program",
    "worldcover": "ESA WorldCover",
    "cowardin": "Cowardin codes of the National Wetlands Inventory; the longest row that a code begins with counts",
    "cdl": "USDA Cropland Data Layer",
    "roads_mtfcc": "TIGER/Line road classes (MTFCC)",
    "roads_osm": "OpenStreetMap highway values",
}


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ")


def _table(head: list[str], rows: list[list[Any]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(_cell(one) for one in row) + " |" for row in rows]) + "\n"


def _fields(model: type[BaseModel], name: str) -> Iterator[tuple[str, str]]:
    """Dotted names of all settings with their descriptions."""
    for key, field in model.model_fields.items():
        inner = [one for one in (field.annotation, *getattr(field.annotation, "__args__", ())) if isinstance(one, type)]
        section = next((one for one in inner if issubclass(one, BaseModel)), None)
        if section is None:
            yield f"{name}{key}", field.description or ""
        else:
            yield from _fields(section, f"{name}{key}.")


def _default(name: str) -> dict[str, Any]:
    part: Any = read_defaults()
    for key in name.split("."):
        part = part.get(key, {}) if isinstance(part, dict) else {}
    return part if isinstance(part, dict) and "value" in part else {}


def settings_page() -> str:
    """Every setting with default, unit and source, as Markdown."""
    rows = []
    for name, description in _fields(Settings, ""):
        known = _default(name)
        value = f"`{json.dumps(known['value'])}`" if known else ""
        meaning = known.get("meaning", description)
        rows.append([f"`{name}`", meaning, value, known.get("unit", ""), known.get("source", "")])
    text = (
        "# Settings\n\nAs they stand in the study file. Settings without a default are optional unless the text says "
    )
    text += "required. `allocator plan --set KEY=VALUE` changes one for one run.\n\n"
    return HEAD + text + _table(["setting", "meaning", "default", "unit", "source of the default"], rows)


def columns_page() -> str:
    """Every column of every table, as Markdown."""
    text = (
        HEAD + "# Columns\n\nThe same tables stand in `plan.gpkg` and `tables/*.csv`; the text below is stored in the "
    )
    text += "GeoPackage too.\n"
    for table in table_names():
        rows = [[f"`{one.column}`", one.type, one.unit, one.meaning] for one in columns_of(table)]
        text += f"\n## {table}\n\n" + _table(["column", "type", "unit", "meaning"], rows)
    return text


def schemes_page() -> str:
    """Every scheme with its classes, as Markdown."""
    text = HEAD + "# Schemes\n\nScores are project defaults: no published table of class scores for this species was "
    text += "found. Change any under `[habitat.cover]`.\n"
    for name, title in SCHEMES.items():
        shipped = resources.files("allocator.inputs") / "schemes" / f"{name}.csv"
        head, *rows = csv.reader(shipped.read_text(encoding="utf-8").splitlines())
        text += f"\n## {name}\n\n{title}.\n\n" + _table(head, rows)
    return text


def commands_page() -> str:
    """Every command with its options, as Markdown."""
    import typer

    text = HEAD + "# Commands\n\n`-v`, `-q` and `--debug` may stand anywhere. Exit status: 0 done (warnings possible), "
    text += "2 the inputs or settings need attention and nothing was written, 1 a fault of the tool.\n"
    group = typer.main.get_command(app)
    for name, command in sorted(group.commands.items()):  # type: ignore[attr-defined]
        rows = []
        for one in command.params:
            names = ", ".join(one.opts) if one.param_type_name == "option" else (one.metavar or one.name)
            help_text = getattr(one, "help", None) or ""
            required = "required" if one.required else ""
            rows.append([f"`{names}`", help_text, required])
        text += f"\n## allocator {name}\n\n{command.help}\n\n" + (
            _table(["option", "meaning", ""], rows) if rows else ""
        )
    return text


PAGES = {
    "settings.md": settings_page,
    "columns.md": columns_page,
    "schemes.md": schemes_page,
    "commands.md": commands_page,
}


def main() -> None:
    """Write all pages."""
    folder = Path(__file__).parent / "reference"
    folder.mkdir(exist_ok=True)
    for name, page in PAGES.items():
        (folder / name).write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
