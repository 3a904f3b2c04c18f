"""The study file, with --set values on top and the shipped defaults below, as checked settings."""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time
from difflib import get_close_matches
from pathlib import Path
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from allocator.core.errors import SettingsError
from allocator.core.settings import Section, Settings, default_values, read_profile, shipped_profiles

Table = dict[str, Any]
NAME = "NAME"
"""Stands for a name that the user chooses, in keys such as habitat.seasons.NAME.water."""
CLOSED = ("calendar", "closed")
CLOSED_TIMES = "first and last day of each time in brackets of their own, such as [[2027-04-01, 2027-05-15]]"
"""What is expected of calendar.closed, the one list of lists of days."""


def read_settings(path: Path, overrides: Sequence[str] = ()) -> Settings:
    """Settings of a study: shipped defaults, a regional profile, the study file, --set values; later ones win.

    Parameters
    ----------
    path : Path
        Study file (TOML). Relative paths inside it stay as written; they are meant from its folder.
    overrides : sequence of str
        ``KEY=VALUE`` with a dotted key; the value is TOML, or text where it is not.

    Returns
    -------
    Settings
        Frozen and checked.

    Raises
    ------
    SettingsError
        The file is missing or not TOML, a key is unknown, or a value has the wrong type or range; every
        problem is a message of its own.
    """
    path = Path(path)
    table = _read_toml(path)
    for override in overrides:
        table = _set_key(table, override)
    merged = _merge(_merge(default_values(), _profile(table, path.name)), table)
    problems = [f"{path.name}: {text}" for text in _booleans(table)]
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as error:
        told = [f"{path.name}: {text}" for text in _plain_messages(error)]
        raise SettingsError(*dict.fromkeys(problems + told)) from None
    if problems:
        raise SettingsError(*problems)
    return settings


def _profile(table: Mapping[str, Any], file_name: str) -> Table:
    """Values of the regional profile that the study names, as a study file would hold them."""
    habitat = table.get("habitat")
    name = habitat.get("profile") if isinstance(habitat, dict) else None
    if name is None:
        return {}
    shipped = shipped_profiles()
    if name not in shipped:
        near = get_close_matches(str(name), shipped, 1, 0.4)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(
            f"{file_name}: habitat.profile is {name!r}; expected one of {', '.join(shipped)}.{hint} "
            "The profiles command says what each is for."
        )
    return {"habitat": read_profile(name)["habitat"]}


def _read_toml(path: Path) -> Table:
    if path.is_dir():
        hint = f" Did you mean {path / 'study.toml'}?" if (path / "study.toml").is_file() else ""
        raise SettingsError(f"{path.name} is a folder; a study file (TOML) is expected.{hint}")
    if not path.is_file():
        siblings = [p.name for p in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        near = get_close_matches(path.name, siblings, 1, 0.5)
        hint = f" Did you mean {near[0]}?" if near else " Check the path, or make one with the start command."
        raise SettingsError(f"The study file {path} does not exist.{hint}")
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path.name} is not UTF-8 text: byte {error.start} cannot be read. Save it as UTF-8."
        ) from None
    except ValueError as error:
        raise SettingsError(
            f"{path.name} is not valid TOML: {error}. Text needs quotes; a Windows path needs single quotes "
            "or forward slashes."
        ) from None


def _set_key(table: Table, override: str) -> Table:
    """A copy of the table with one dotted key set."""
    key, equals, text = override.partition("=")
    parts = [part.strip().strip("\"'") for part in key.split(".")]
    if not equals or not all(parts):
        raise SettingsError(f"--set {override}: expected KEY=VALUE, such as traps.acres_per_trap=250.")
    try:
        parsed = tomllib.loads(f"value = {text.strip()}")
    except tomllib.TOMLDecodeError:
        parsed = {"value": text.strip()}
    # A value with a line break could smuggle in further keys: such a value is taken as text.
    value = parsed["value"] if set(parsed) == {"value"} else text.strip()
    changed = dict(table)
    inner = changed
    for part in parts[:-1]:
        below = inner.get(part, {})
        if not isinstance(below, dict):
            raise SettingsError(f"--set {override}: {part} holds {below!r}, not a table, so it has no keys below it.")
        inner[part] = dict(below)
        inner = inner[part]
    inner[parts[-1]] = value
    return changed


def _merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> Table:
    """Tables joined key by key; anything that is not a table is replaced whole."""
    merged = dict(below)
    for key, value in above.items():
        under = merged.get(key)
        merged[key] = _merge(under, value) if isinstance(value, dict) and isinstance(under, dict) else value
    return merged


def _booleans(table: Mapping[str, Any], path: str = "") -> Iterator[str]:
    """Complaints about true and false: no setting takes them, and a number field would read them as 1 and 0."""
    for key, value in table.items():
        where = f"{path}{key}"
        if isinstance(value, dict):
            yield from _booleans(value, f"{where}.")
        elif isinstance(value, bool):
            yield f"{where} is {str(value).lower()}; no setting takes true or false here."


def _plain_messages(error: ValidationError) -> Iterator[str]:
    keys = list(_known_keys(Settings))
    for problem in error.errors():
        where = [part for part in problem["loc"] if not _is_union_branch(part)]
        dotted = _dotted(where)
        match problem["type"]:
            case "extra_forbidden":
                yield _unknown_key(dotted, keys)
            case "missing" if problem["loc"][:2] == CLOSED:
                yield f"{_dotted(where[:-1])} is {_as_written(problem['input'])}; expected {CLOSED_TIMES}."
            case "missing":
                yield from _missing(dotted)
            case "tuple_type" if dotted.endswith(".path"):
                continue  # the text branch of the same value has told it already
            case "value_error" if isinstance(problem["input"], dict):
                # Of several settings together: the message, or the place, names them.
                yield f"{dotted}: {problem['ctx']['error']}.".removeprefix(": ")
            case "literal_error" if where[-1:] == ["[key]"]:
                yield _unknown_key(_dotted(where[:-1]), [f"{_dotted(where[:-2])}.{one}" for one in _choices(problem)])
            case "model_type" | "model_attributes_type" | "dict_type":
                yield f"{dotted} is {problem['input']!r}; expected a table [{dotted}]."
            case _:
                yield f"{dotted} is {_as_written(problem['input'])}; expected {_expectation(problem)}."


def _as_written(value: object) -> str:
    """A value as a study file shows it, days too."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_as_written, value))}]"
    return value.isoformat() if isinstance(value, date | time) else repr(value)


def _choices(problem: Any) -> list[str]:
    return re.findall(r"'([^']+)'", problem["ctx"]["expected"])


def _is_union_branch(part: object) -> bool:
    # pydantic adds the name of the branch tried, such as 'str' or 'tuple[str, ...]', to the place.
    return isinstance(part, str) and (part in {"str", "float", "int"} or part.startswith(("tuple[", "function-")))


def _dotted(where: Sequence[int | str]) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in where).lstrip(".")


def _known_keys(section: type[BaseModel], path: str = "") -> Iterator[str]:
    """Dotted names of all settings and tables."""
    for name, field in section.model_fields.items():
        where = f"{path}{name}"
        yield where
        options = get_args(field.annotation) if get_origin(field.annotation) in (Union, UnionType) else ()
        named = get_args(field.annotation)[1:] if get_origin(field.annotation) is dict else ()
        for option in (field.annotation, *options):
            if isinstance(option, type) and issubclass(option, Section):
                yield from _known_keys(option, f"{where}.")
        for option in named:
            if isinstance(option, type) and issubclass(option, Section):
                yield from _known_keys(option, f"{where}.{NAME}.")


def _unknown_key(dotted: str, keys: Sequence[str]) -> str:
    table, _, leaf = dotted.rpartition(".")
    parts = table.split(".")
    if parts[:2] == ["habitat", "seasons"] and len(parts) == 3:  # the user names the season
        keys = [key.replace(NAME, parts[2]) for key in keys]
    siblings = [key for key in keys if key.rpartition(".")[0] == table]
    everywhere = {key.rpartition(".")[2]: key for key in reversed(keys)}
    here = {key.rpartition(".")[2]: key for key in siblings}
    for leaves, likeness in ((here, 0.7), (everywhere, 0.75), (here, 0.5)):
        near = get_close_matches(leaf, leaves, 1, likeness)
        if near:
            return f"unknown key {dotted}. The nearest valid key is {leaves[near[0]]}."
    valid = ", ".join(key.rpartition(".")[2] for key in siblings) or "none"
    return f"unknown key {dotted}. Valid keys {f'in [{table}]' if table else 'at the top'}: {valid}."


def _missing(dotted: str) -> Iterator[str]:
    if dotted in ("inputs", "inputs.properties"):
        yield '[inputs.properties] is missing. Give path = "..." to the property boundaries (polygons).'
    if dotted in ("inputs", "inputs.land_cover"):
        yield '[inputs.land_cover] is missing. Give path = "..." (polygons or a raster) and scheme = "...".'
    if dotted.endswith("]"):
        yield f"{dotted} is missing: the list is too short."
    elif dotted not in ("inputs", "inputs.properties", "inputs.land_cover"):
        yield f"{dotted} is missing. Add it to the study file."


def _expectation(problem: Any) -> str:
    context = problem.get("ctx", {})
    match problem["type"]:
        case "greater_than":
            return f"a number above {context['gt']:g}"
        case "greater_than_equal":
            return f"a number of at least {context['ge']:g}"
        case "less_than" | "less_than_equal":
            return f"a number of at most {context.get('le', context.get('lt')):g}"
        case "finite_number":
            return "a finite number"
        case "float_parsing" | "float_type" | "int_parsing" | "int_type":
            return "a number"
        case "int_from_float":
            return "a whole number"
        case "decimal_parsing" | "decimal_type":
            return "a number with a decimal point and nothing else, such as 22.50"
        case "date_type" | "date_parsing" | "date_from_datetime_parsing" | "date_from_datetime_inexact":
            return "a day that there is, as year-month-day, such as 2027-02-01"
        case "string_type":
            return "text in quotes" + (", or a list of such" if problem["loc"][-1] == "str" else "")
        case "string_too_short":
            return "text that is not empty"
        case "literal_error":
            return f"one of {context['expected']}"
        case "tuple_type" | "too_long" if problem["loc"][:2] == CLOSED:
            return CLOSED_TIMES
        case "tuple_type":
            return "a list in square brackets"
        case "missing":
            return "a value"
        case "too_long" | "too_short":
            return f"a list of {context.get('max_length', context.get('min_length'))} values"
        case "value_error":
            return f"another value: {context['error']}"
        case _:
            return str(problem["msg"])
