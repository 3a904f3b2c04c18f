"""Where the invented district that comes with the tool lies."""

from pathlib import Path

from allocator.core.errors import InputError


def demo_study_file() -> Path:
    """Study file of the invented district.

    Returns
    -------
    pathlib.Path
        Inside the installed package, or ``data_demo/`` of a source checkout.

    Raises
    ------
    InputError
        The demo's files are missing.

    Examples
    --------
    >>> demo_study_file().name
    'study.toml'
    """
    package = Path(__file__).parents[1]
    for folder in (package / "data_demo", package.parent / "data_demo"):
        if (folder / "study.toml").is_file():
            return folder / "study.toml"
    raise InputError(f"The demo's files were looked for beside {package} and are missing; install the package again.")
