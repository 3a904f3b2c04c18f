"""Known faults of the libraries in use, where the database of them can be reached."""

import json
import subprocess
import sys

import pytest

EXPLAINED: dict[str, str] = {}
"""Fault id to why it does not reach this tool."""


def test_no_library_has_a_known_fault() -> None:
    command = [sys.executable, "-m", "pip_audit", "--progress-spinner", "off", "--format", "json", "--timeout", "10"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    found = json.loads(done.stdout)["dependencies"] if done.stdout.startswith("{") else []
    looked_up = [one for one in found if "vulns" in one]
    if not looked_up:
        pytest.skip("pip-audit reaches no database of known faults from here: no library was looked up")
    faults = {fault["id"]: one["name"] for one in looked_up for fault in one["vulns"]}
    assert not set(faults) - set(EXPLAINED), faults
