"""The sources on real SocketCAN: starts a kernel once, and reports each test inside.

One failing here is to be looked for in `tests/kernel/inside`.
"""

import functools
import os

import pytest

from tests.kernel.booting import Run, boot, names, why_not

IS_CI = os.environ.get("CI") == "true"


@functools.lru_cache(maxsize=1)
def the_run() -> Run:
    """Return what came out of the one start."""
    return boot()


@pytest.mark.parametrize("name", names())
def test_inside(name: str) -> None:
    reason = why_not()
    if reason and not IS_CI:
        pytest.skip(reason)
    assert not reason
    run = the_run()
    assert name in run.ended, run.output
    ended = run.ended[name]
    assert ended.outcome == "passed", ended.text
