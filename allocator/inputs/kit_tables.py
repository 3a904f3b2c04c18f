"""Trap designs, prices and further costs: tables of the user's own, checked cell by cell."""

import dataclasses
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Any, cast, get_args

from allocator.core.errors import AllocatorError, SettingsError
from allocator.core.kit import ITEM_UNITS, CostLine, Design, KitInputs, LineKind, ObjectClass, Price
from allocator.core.settings import Settings
from allocator.core.study import InputRecord
from allocator.inputs.csv_tables import Row, csv_text, table_rows
from allocator.inputs.files import find_file, sha256_of
from allocator.inputs.findings import input_name

SHIPPED = "shipped designs"
ABOVE_ZERO = {
    "panels", "panel_length_ft", "panel_height_ft", "mesh_wide_in", "mesh_high_in", "wire_gauge", "post_spacing_ft",
    "post_length_ft", "ties_per_overlap",
}  # fmt: skip
LARGEST = Decimal(10) ** 9
"""Prices, quantities and weights are at most this: sums stay exact, and anything larger is a slip."""
LARGEST_MEASURE, SMALLEST_MEASURE = Decimal(10_000), Decimal("0.01")
"""The same for a design; a size or spacing is at least the second, so that nothing is divided by next to nothing."""
DOLLARS = f"US dollars as a plain number up to {LARGEST:,}, such as 75.00, or blank where not known"
PRICE_COLUMNS = ("item", "unit", "unit_price_usd", "date", "source")
PRICE_OPTIONAL = ("design", "weight_lb")
COST_COLUMNS = ("words", "object_class", "quantity", "unit_cost_usd")
COST_OPTIONAL = ("kind", "subaward")
LONGEST_SHOWN = 60
DESIGN_COLUMNS = ("name", *(one.name for one in dataclasses.fields(Design)))
Rows = list[tuple[int, Row]]


@dataclass(frozen=True)
class _Table:
    """A table as read, and the problems found in it."""

    name: str
    rows: Rows
    record: InputRecord | None
    problems: list[str]

    def tell(self, line: int, column: str, found: str, expected: str) -> None:
        shown = found if len(found) <= LONGEST_SHOWN else f"{found[:LONGEST_SHOWN]}..."
        what = repr(shown) if shown else "nothing"
        self.problems.append(f"{self.name}, line {line}, column {column}: found {what}; expected {expected}.")


def read_kit(settings: Settings, folder: Path) -> tuple[KitInputs, tuple[InputRecord, ...]]:
    """The trap chosen and what things cost.

    Parameters
    ----------
    settings : Settings
        Name of the design, and the tables.
    folder : Path
        Folder of the study file.

    Returns
    -------
    kit : KitInputs
        Prices and weights as they hold for the design chosen.
    records : tuple of InputRecord
        The user's files.

    Raises
    ------
    SettingsError
        Every faulty cell of every table, each with file, line and column, and every file that cannot be read.
    """
    problems: list[str] = []
    equipment, found = settings.equipment, []

    def gathered(read: Callable[[], Any], otherwise: Any) -> Any:
        try:
            return read()
        except AllocatorError as error:
            problems.extend(error.messages)
            return otherwise

    def table(setting: str, path: str | None, needed: Sequence[str], optional: Sequence[str]) -> _Table | None:
        read = None if path is None else gathered(lambda: _read_table(setting, path, folder, needed, optional), None)
        if read is not None:
            found.append(read)
        return cast("_Table | None", read)

    designs = _designs(_shipped())
    own = table("equipment.designs", equipment.designs, DESIGN_COLUMNS, ())
    designs |= _designs(own) if own else {}
    # where the user's own table cannot be read nobody knows which names are right
    is_known = own is not None or equipment.designs is None
    design: Any = gathered(lambda: _chosen(settings, designs), None) if is_known else None
    prices = table("prices.path", settings.prices.path, PRICE_COLUMNS, PRICE_OPTIONAL)
    by_item = _prices(prices, equipment.design, designs if is_known else None) if prices else ({}, {})
    others = table("grant.other_costs", settings.grant.other_costs, COST_COLUMNS, COST_OPTIONAL)
    costs = _other_costs(others) if others else ()
    problems += [text for one in found for text in one.problems]
    if problems:
        raise SettingsError(*problems)
    kit = KitInputs(equipment.design, design, *by_item, costs)
    return kit, tuple(one.record for one in found if one.record is not None)


def _read_table(setting: str, path_text: str, folder: Path, needed: Sequence[str], optional: Sequence[str]) -> _Table:
    if (folder / path_text).is_dir():
        raise SettingsError(f"{setting} = {path_text!r} is a folder; name the CSV file in it.")
    path, layer = find_file(path_text, setting, folder)
    name = input_name(setting, path.name)
    if layer is not None:
        raise SettingsError(f"{name}: a CSV has no layers; write the path without :{layer}.")
    problems: list[str] = []
    rows = table_rows(csv_text(path), name, needed, problems)
    record = InputRecord(setting.removesuffix(".path").rpartition(".")[2], path.name, "", len(rows), sha256_of(path))
    table = _Table(name, rows, record, problems)
    # a slip in the name of a column that may be left out would go unnoticed
    for column in rows[0][1] if rows else ():
        near = get_close_matches(column, optional, 1, 0.7)
        if near and column not in (*needed, *optional):
            table.problems.append(f"{name}: column {column} is not known; the nearest is {near[0]}. Rename it.")
    return table


def _shipped() -> _Table:
    text = (resources.files("allocator.inputs") / "designs.csv").read_text(encoding="utf-8")
    return _Table(SHIPPED, table_rows(text, SHIPPED, DESIGN_COLUMNS), None, [])


def _designs(table: _Table) -> dict[str, Design]:
    """Designs by name; faulty cells are told, and their designs kept so that their names are known."""
    designs: dict[str, Design] = {}
    for line, row in table.rows:
        before, name = len(table.problems), row["name"]
        if not name or name in designs:
            table.tell(line, "name", name, "a name that no other line has")
        values = {one.name: _measure(table, line, one.name, one.type, row) for one in dataclasses.fields(Design)}
        if len(table.problems) == before and not values["overlap_ft"] < values["panel_length_ft"]:
            table.tell(line, "overlap_ft", row["overlap_ft"], f"less than panel_length_ft, {row['panel_length_ft']}")
        if name:
            designs[name] = Design(**values)
    return designs


def _measure(table: _Table, line: int, column: str, kind: object, row: Row) -> Any:
    text = row[column]
    if kind is bool:
        if text.casefold() not in ("yes", "no"):
            table.tell(line, column, text, "yes or no")
        return text.casefold() == "yes"
    least = Decimal(0) if column not in ABOVE_ZERO else Decimal(1) if kind is int else SMALLEST_MEASURE
    number = _decimal(text)
    if number is None or not least <= number <= LARGEST_MEASURE or (kind is int and number % 1):
        words = "a whole number" if kind is int else "a plain number"
        table.tell(line, column, text, f"{words} from {least} to {LARGEST_MEASURE:,}")
        return 0
    return int(number) if kind is int else float(number)


def _chosen(settings: Settings, designs: Mapping[str, Design]) -> Design:
    name, panels = settings.equipment.design, settings.equipment.panels
    if name not in designs:
        near = get_close_matches(name, designs, 1, 0.4)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(f"equipment.design is {name!r}; expected one of {', '.join(designs)}.{hint}")
    if panels is not None and panels > LARGEST_MEASURE:
        raise SettingsError(f"equipment.panels is {str(panels)[:LONGEST_SHOWN]}; expected at most {LARGEST_MEASURE:,}.")
    return designs[name] if panels is None else replace(designs[name], panels=panels)


def _prices(
    table: _Table, design: str, designs: Mapping[str, Design] | None
) -> tuple[dict[str, Price], dict[str, float]]:
    """Prices and weights by item; a row for the design chosen takes the whole place of one for every design.

    Its blanks too: the price of another panel is no guess at the price of this one.
    """
    seen: dict[tuple[str, str], int] = {}
    found: dict[tuple[str, str], tuple[Price | None, float | None]] = {}
    for line, row in table.rows:
        item, of = row["item"], row.get("design", "")
        if of and designs is not None and of not in designs:
            table.tell(line, "design", of, _one_of(of, designs))
        if (item, of) in seen:
            told = f"an item that no other line has{f' with design {of}' if of else ''} (line {seen[item, of]} has it)"
            table.tell(line, "item", item, told)
        seen.setdefault((item, of), line)
        found[item, of] = _price(table, line, row), _weight(table, line, row)
    held = {item: found[item, design if (item, design) in found else ""] for item, of in found if of in ("", design)}
    prices = {item: price for item, (price, _) in held.items() if price is not None}
    return prices, {item: weight for item, (_, weight) in held.items() if weight is not None}


def _price(table: _Table, line: int, row: Row) -> Price | None:
    """Price of a row; None where it is blank or faulty."""
    item, unit, text, day, source = (row[column] for column in PRICE_COLUMNS)
    if item not in ITEM_UNITS:
        table.tell(line, "item", item, _one_of(item, ITEM_UNITS))
    elif unit != ITEM_UNITS[item]:
        table.tell(line, "unit", unit, f"{ITEM_UNITS[item]}, because {item} is priced by that")
    amount = _decimal(text)
    if text and amount is None:
        table.tell(line, "unit_price_usd", text, DOLLARS)
    if (text or day) and not _is_day(day):
        table.tell(line, "date", day, "the day of the price as year-month-day, such as 2026-09-01")
    if text and not source:
        table.tell(line, "source", source, "who quoted the price")
    return None if amount is None else Price(item, amount, unit, day, source)


def _weight(table: _Table, line: int, row: Row) -> float | None:
    text = row.get("weight_lb", "")
    if not text:
        return None
    weight = _decimal(text)
    if weight is None:
        table.tell(line, "weight_lb", text, f"pounds as a plain number up to {LARGEST:,}, such as 62.5, or blank")
        return None
    return float(weight)


def _other_costs(table: _Table) -> tuple[CostLine, ...]:
    lines = []
    for line, row in table.rows:
        object_class, kind, text = row["object_class"], row.get("kind", "") or "ordinary", row["unit_cost_usd"]
        quantity, cost, subaward = _decimal(row["quantity"]), _decimal(text), row.get("subaward", "")
        if not row["words"]:
            table.tell(line, "words", "", "what is paid for")
        if object_class not in get_args(ObjectClass):
            table.tell(line, "object_class", object_class, _one_of(object_class, get_args(ObjectClass)))
        if kind not in get_args(LineKind):
            table.tell(line, "kind", kind, _one_of(kind, get_args(LineKind)))
        if kind == "subaward" and not subaward:
            table.tell(line, "subaward", subaward, "a name for the subaward, the same on all its lines")
        if kind != "subaward" and subaward:
            table.tell(line, "subaward", subaward, f"nothing, because the kind is {kind}, or the kind subaward")
        if quantity is None:
            table.tell(line, "quantity", row["quantity"], f"a plain number from 0 to {LARGEST:,}, such as 8 or 0.30")
        if text and cost is None:
            table.tell(line, "unit_cost_usd", text, DOLLARS)
        classed, kept = cast(ObjectClass, object_class), cast(LineKind, kind)
        lines.append(CostLine(row["words"], classed, quantity or Decimal(0), cost, kept, subaward))
    return tuple(lines)


def _decimal(text: str) -> Decimal | None:
    """A number in digits and at most one point, up to the largest; None for anything else."""
    if not re.fullmatch(r"\d+(\.\d*)?|\.\d+", text, re.ASCII):
        return None
    number = Decimal(text)
    return number if number <= LARGEST else None


def _is_day(text: str) -> bool:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _one_of(found: str, choices: Sequence[str] | Mapping[str, Any]) -> str:
    near = get_close_matches(found, list(choices), 1, 0.5)
    hint = f" (did you mean {near[0]}?)" if near else ""
    return f"one of {', '.join(choices)}{hint}"
