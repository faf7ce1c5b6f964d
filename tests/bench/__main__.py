"""Runs one bench: `python -m tests.bench live`."""

import sys

from tests.bench import live

BENCHES = {"live": live.main}


def main() -> int:
    """Run the bench that was named."""
    words = sys.argv[1:]
    if len(words) != 1 or words[0] not in BENCHES:
        sys.stderr.write(f"Name one of: {', '.join(BENCHES)}.\n")
        return 2
    sys.stdout.write("\n".join(BENCHES[words[0]]()) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
