"""The sentences that justify a plan's counts, as plain text to paste into an application."""

import textwrap

from allocator.core.results import Plan
from allocator.outputs.tables import cautions

WIDTH = 100


def justification_text(plan: Plan) -> str:
    """The justification with the plan's name, what to check first, and the cautions.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        Paragraphs of plain text.
    """
    title = " ".join(plan.study.settings.study.name.split())
    warnings = ("What to check first:", *(f"- {one}" for one in plan.warnings)) if plan.warnings else ()
    parts = (title, " ".join(plan.justification), *warnings, "Cautions:", *(f"- {one}" for one in cautions()))
    wrapped = (textwrap.fill(one, WIDTH, subsequent_indent="  " if one.startswith("- ") else "") for one in parts)
    return "\n\n".join(wrapped) + "\n"
