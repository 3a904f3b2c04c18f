"""From property lines and land cover to feral swine habitat, corral trap counts and sites a crew can reach.

The front door. Heavy parts are imported when they are first asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from allocator.core.errors import (
        AllocatorError,
        CrsError,
        GeometryError,
        InputError,
        MissingColumnError,
        OutputError,
        SettingsError,
        SitesInfeasibleError,
    )
    from allocator.core.results import Plan
    from allocator.core.settings import Settings
    from allocator.core.study import Study
    from allocator.inputs.demo import demo_study_file
    from allocator.inputs.read_study import check_study, read_study
    from allocator.outputs.write_plan import write_plan
    from allocator.plan import plan_traps

_ROOMS = {
    "AllocatorError": "core.errors",
    "CrsError": "core.errors",
    "GeometryError": "core.errors",
    "InputError": "core.errors",
    "MissingColumnError": "core.errors",
    "OutputError": "core.errors",
    "SettingsError": "core.errors",
    "SitesInfeasibleError": "core.errors",
    "Plan": "core.results",
    "Settings": "core.settings",
    "Study": "core.study",
    "check_study": "inputs.read_study",
    "demo_study_file": "inputs.demo",
    "plan_traps": "plan",
    "read_study": "inputs.read_study",
    "write_plan": "outputs.write_plan",
}

__all__ = [
    "AllocatorError",
    "CrsError",
    "GeometryError",
    "InputError",
    "MissingColumnError",
    "OutputError",
    "Plan",
    "Settings",
    "SettingsError",
    "SitesInfeasibleError",
    "Study",
    "check_study",
    "demo_study_file",
    "plan_traps",
    "read_study",
    "write_plan",
]


def __getattr__(name: str) -> Any:
    if name not in _ROOMS:
        raise AttributeError(f"module 'allocator' has no attribute '{name}'")
    return getattr(import_module(f"allocator.{_ROOMS[name]}"), name)
