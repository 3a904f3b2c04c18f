"""The shipped defaults, each with unit, meaning and source; and the regional profiles over them."""

import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def read_defaults() -> dict[str, Any]:
    """The shipped defaults: nested tables whose leaves hold value, unit, meaning and source.

    Returns
    -------
    dict
        As in ``defaults.toml``; do not change it.
    """
    return tomllib.loads((resources.files("allocator.core") / "defaults.toml").read_text(encoding="utf-8"))


def default_values() -> dict[str, Any]:
    """The shipped defaults without unit and source, nested as a study file is.

    Returns
    -------
    dict
        A new dictionary at every call.

    Examples
    --------
    >>> default_values()["traps"]["acres_per_trap"]
    300.0
    """

    def values(table: dict[str, Any]) -> dict[str, Any]:
        return {key: part["value"] if "value" in part else values(part) for key, part in table.items()}

    return values(read_defaults())


def shipped_profiles() -> tuple[str, ...]:
    """Names of the regional profiles that come with the package.

    Returns
    -------
    tuple of str
        As used under ``profile`` in ``[habitat]``.
    """
    folder = resources.files("allocator.core") / "profiles"
    return tuple(sorted(path.name.removesuffix(".toml") for path in folder.iterdir() if path.name.endswith(".toml")))


@cache
def read_profile(name: str) -> dict[str, Any]:
    """A regional profile: starting values for a region, and how much they are worth.

    Parameters
    ----------
    name : str
        One of ``shipped_profiles``.

    Returns
    -------
    dict
        ``name``, ``note``, ``source`` and a table ``habitat`` with values as in a study file; do not change it.
    """
    path = resources.files("allocator.core") / "profiles" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))
