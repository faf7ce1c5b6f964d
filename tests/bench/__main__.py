"""Runs one bench: `python -m tests.bench live`.

`storage` goes on to the made-up year, so that all its figures come from one run.
"""

import sys
from collections.abc import Iterator

from tests.bench import decode, live, storage, year


def all_of_storage() -> Iterator[str]:
    """Yield the lines of an hour, then those of a year."""
    yield from storage.main()
    yield from year.main()


BENCHES = {
    "decode": decode.main,
    "live": live.main,
    "storage": all_of_storage,
    "year": year.main,
}


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
