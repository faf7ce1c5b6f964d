"""A plug-in for pytest inside: one line of JSON a finished test, for those outside."""

import json
import sys

import pytest

MARK = "== test "
"""How such a line begins."""


@pytest.hookimpl(trylast=True)
def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Tell how a test ended; a failure before or after it counts as its own."""
    if report.when != "call" and report.passed:
        return
    told = {
        "name": report.nodeid.partition("::")[2],
        "outcome": report.outcome,
        "text": report.longreprtext,
        "duration_s": round(report.duration, 2),
    }
    # The terminal that pytest writes to may be in the middle of a line.
    assert sys.__stdout__ is not None
    sys.__stdout__.write(f"\n{MARK}{json.dumps(told)}\n")
    sys.__stdout__.flush()
