"""All settings of a plan as a study file, so that it can be run again or compared."""

import textwrap

import tomli_w

from allocator.core.cautions import HEADLINE
from allocator.core.settings import Settings

_HEADER = (
    HEADLINE,
    "Every setting that this plan was made with, defaults included.",
    "Relative paths are relative to the original study file: put this file in that file's folder to run it again.",
)


def settings_as_toml(settings: Settings) -> str:
    """A study file with every value used, in the user's units; reading it back gives equal settings.

    Parameters
    ----------
    settings : Settings
        The settings.

    Returns
    -------
    str
        TOML; settings that are absent (chosen by the tool) are left out.
    """
    header = "".join(
        textwrap.fill(line, width=110, initial_indent="# ", subsequent_indent="# ") + "\n" for line in _HEADER
    )
    return f"{header}\n{tomli_w.dumps(settings.model_dump(exclude_none=True))}"
