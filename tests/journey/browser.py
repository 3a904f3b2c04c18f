"""Opens a page in an installed Chromium, without a network."""

import atexit
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
NO_BROWSER = "no Chromium found: install chromium or set ALLOCATOR_BROWSER to its path"


@dataclass
class OpenPage:
    """A page and what it did since it was opened.

    Parameters
    ----------
    page : playwright.sync_api.Page
        The page.
    requests : list of str
        Addresses it asked for, but the page itself and data inside it.
    faults : list of str
        Errors and warnings on the console, and uncaught errors.
    """

    page: Any
    requests: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def find_browser() -> str | None:
    """Path of a Chromium: ``ALLOCATOR_BROWSER``, else the first of the usual names on the PATH.

    Returns
    -------
    str or None
        None when there is none.
    """
    return os.environ.get("ALLOCATOR_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)


@contextmanager
def opened(path: Path, *, width: int = 1400, height: int = 900, offline: bool = True) -> Iterator[OpenPage]:
    """The page at a path, open until the block ends.

    Parameters
    ----------
    path : pathlib.Path
        An HTML file.
    width, height : int
        Size of the window in pixels.
    offline : bool
        Whether every connection fails.

    Yields
    ------
    OpenPage
        The page once it has loaded.
    """
    context = _browser().new_context(viewport={"width": width, "height": height}, offline=offline)
    try:
        context.set_default_timeout(10_000)
        seen = OpenPage(context.new_page())
        seen.page.on("request", lambda asked: _note(asked.url, path, seen.requests))
        seen.page.on("pageerror", lambda error: seen.faults.append(str(error)))
        seen.page.on("console", lambda said: _note_fault(said, seen.faults))
        seen.page.goto(path.resolve().as_uri(), wait_until="load")
        yield seen
    finally:
        context.close()


def serious_findings(page: Any) -> list[tuple[str, str, str]]:
    """What axe-core (Deque, MPL 2.0; carried by axe-playwright-python) finds serious or critical on a page.

    Parameters
    ----------
    page : playwright.sync_api.Page
        An open page.

    Returns
    -------
    list of (str, str, str)
        Rule, impact and the markup at fault.
    """
    folder = resources.files("axe_playwright_python")
    page.evaluate((folder / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("axe.run()")["violations"]
    return [(one["id"], one["impact"], node["html"]) for one in found for node in one["nodes"]
            if one["impact"] in ("serious", "critical")]  # fmt: skip


@cache
def _browser() -> Any:
    """One browser for the whole run: a second one may not be started beside it."""
    from playwright.sync_api import sync_playwright

    playwright = sync_playwright().start()
    browser = playwright.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
    atexit.register(playwright.stop)
    atexit.register(browser.close)
    return browser


def _note(url: str, path: Path, requests: list[str]) -> None:
    if url != path.resolve().as_uri() and not url.startswith(("data:", "blob:")):
        requests.append(url)


def _note_fault(said: Any, faults: list[str]) -> None:
    if said.type in ("error", "warning"):
        faults.append(said.text)
