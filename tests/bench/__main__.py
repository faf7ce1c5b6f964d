"""Runs benches: `python -m tests.bench decode receive`.

`storage` goes on to the made-up year, so that all its figures come from one run.
"""

import sys
from collections.abc import Iterator

from tests.bench import decode, live, receive, storage, year


def all_of_storage() -> Iterator[str]:
    """Yield the lines of an hour, then those of a year."""
    yield from storage.main()
    yield from year.main()


BENCHES = {
    "decode": decode.main,
    "live": live.main,
    "receive": receive.main,
    "storage": all_of_storage,
    "year": year.main,
}


def main() -> int:
    """Run the benches that were named, one after the other."""
    words = sys.argv[1:]
    if not words or not set(words) <= set(BENCHES):
        sys.stderr.write(f"Name one or more of: {', '.join(BENCHES)}.\n")
        return 2
    for word in words:
        for text in BENCHES[word]():
            sys.stdout.write(text + "\n")
            sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
