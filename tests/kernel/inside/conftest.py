"""Collected only inside of the kernel that was started for it."""

import os

if os.environ.get("AMPLEDGER_KERNEL") != "inside":
    collect_ignore_glob = ["test_*.py"]
