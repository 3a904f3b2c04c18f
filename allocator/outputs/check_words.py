"""What `allocator check` says: each input with its state, then every problem, as a table or as JSON."""

import textwrap
from collections import Counter
from dataclasses import asdict
from typing import Any

from allocator.core.settings import Settings
from allocator.core.study import Checked, PolygonCover, Problem
from allocator.outputs.number_words import count

WIDTH = 100
"""Characters of a line of running text."""
LONGEST_FILE, LONGEST_SYSTEM = 40, 34
SEVERITIES = ("error", "warning", "note")
RASTERS = ("elevation", "crops", "canopy")


def check_words(checked: Checked) -> str:
    """Inputs and problems for a person to read.

    Parameters
    ----------
    checked : Checked
        The study as far as it could be read.

    Returns
    -------
    str
        Lines; the table of inputs is left out where the study file itself cannot be used.
    """
    parts = []
    if checked.settings is not None:
        parts += [checked.settings.study.name, *_aligned(_rows(checked.settings, checked)), ""]
    for source in dict.fromkeys(one.source for one in checked.problems):
        parts.append(source)
        for one in checked.problems:
            if one.source == source:
                parts += _wrapped(f"{one.severity}: {one.message}")
    found = Counter(one.severity for one in checked.problems)
    parts += [""] if checked.problems else []
    parts.append(", ".join(count(found[kind], kind) for kind in SEVERITIES) + ". " + _outlook(checked))
    return "\n".join(line.rstrip() for line in parts)


def check_record(checked: Checked) -> dict[str, Any]:
    """The same for a program to read.

    Parameters
    ----------
    checked : Checked
        The study as far as it could be read.

    Returns
    -------
    dict
        ``study`` (its name; None where the study file cannot be used), ``can_be_planned``, ``counts`` by severity,
        ``inputs`` (role, path_name, crs, features, sha256; empty where there is an error) and ``problems`` (severity,
        source, message).
    """
    found = Counter(one.severity for one in checked.problems)
    return {
        "study": None if checked.settings is None else checked.settings.study.name,
        "can_be_planned": checked.study is not None,
        "counts": {kind: found[kind] for kind in SEVERITIES},
        "inputs": [] if checked.study is None else [asdict(one) for one in checked.study.inputs],
        "problems": [asdict(one) for one in checked.problems],
    }


def _rows(settings: Settings, checked: Checked) -> list[tuple[str, ...]]:
    """A line for each input; what it holds is known only where nothing was refused."""
    study = checked.study
    if study is not None:
        rasters = RASTERS if isinstance(study.cover, PolygonCover) else (*RASTERS, "land_cover")
        told = [
            (one.role, one.path_name, f"{one.features:,} {'cells' if one.role in rasters else 'records'}",
             _short(one.crs, LONGEST_SYSTEM))
            for one in study.inputs
        ]  # fmt: skip
        heads, good = ("input", "file", "holds", "coordinate system", "state"), "good"
    else:
        given = {role: getattr(settings.inputs, role) for role in type(settings.inputs).model_fields}
        files = {role: getattr(one, "paths", None) or (one.path,) for role, one in given.items() if one is not None}
        paths = [(role, path) for role, several in files.items() for path in several]
        told = [(role, path.replace("\\", "/").split("/")[-1]) for role, path in paths]
        heads, good = ("input", "file", "state"), "good so far"
    return [heads] + [
        (role.replace("_", " "), _short(file, LONGEST_FILE), *more, _state(role, file, checked.problems) or good)
        for role, file, *more in told
    ]


def _state(role: str, file: str, problems: tuple[Problem, ...]) -> str:
    """What was found on an input, the worst first: ``refused``, ``2 warnings``; blank where nothing was."""
    about = [one for one in problems if one.source.split(" ")[0].split(".")[:2] in (["inputs", role], [role])]
    found = Counter(one.severity for one in about if "(" not in one.source or file.split(":")[0] in one.source)
    if found["error"]:
        return "refused"
    return ", ".join(count(found[kind], kind) for kind in SEVERITIES[1:] if found[kind])


def _aligned(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]


def _wrapped(text: str) -> list[str]:
    """Indented lines; line ends in the text stay."""
    lines = []
    for line in text.splitlines():
        lines += textwrap.wrap(
            line, WIDTH, initial_indent="  " if not lines else "    ", subsequent_indent="    ",
            break_long_words=False, break_on_hyphens=False,
        ) or [""]  # fmt: skip
    return lines


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def _outlook(checked: Checked) -> str:
    if checked.study is None:
        return "Nothing can be planned until the errors are mended."
    many, grid = len(checked.study.properties.ids), checked.study.grid
    return (
        f"The study can be planned: {many:,} {'property' if many == 1 else 'properties'}, "
        f"{grid.rows * grid.columns:,} cells of {grid.cell_m:g} m."
    )
