"""Runs one bench: `python -m tests.bench live`."""

import sys

from tests.bench import live, storage, year

BENCHES = {"live": live.main, "storage": storage.main, "year": year.main}


def main() -> int:
    """Run the bench that was named."""
    words = sys.argv[1:]
    if len(words) != 1 or words[0] not in BENCHES:
        sys.stderr.write(f"Name one of: {', '.join(BENCHES)}.\n")
        return 2
    for text in BENCHES[words[0]]():
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
