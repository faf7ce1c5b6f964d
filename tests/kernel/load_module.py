"""Loads a module of the running kernel with all it needs, from where Debian keeps them.

`python load_module.py NAME`; modprobe looks under /lib/modules only. Needs nothing but
Python.
"""

import os
import subprocess
import sys
from pathlib import Path


def main() -> None:
    """Load what the command line names."""
    folder = Path("/usr/lib/uml/modules") / os.uname().release
    needs = {}
    for line in (folder / "modules.dep").read_text().splitlines():
        name, _, others = line.partition(":")
        needs[name] = others.split()
    wanted = f"{sys.argv[1]}.ko"
    (path,) = [name for name in needs if Path(name).name == wanted]
    for each in (*reversed(needs[path]), path):
        # One that is there already is refused, and that is well.
        subprocess.run(
            ["insmod", folder / each], stderr=subprocess.DEVNULL, check=False
        )


if __name__ == "__main__":
    main()
