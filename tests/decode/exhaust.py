"""Unpackers against cantools with many payloads: `python -m tests.decode.exhaust 5000`.

Takes every message of every description that the tests have; needs some minutes.
"""

import sys

from tests.decode.yardstick import first_difference, messages_of, networks
from tests.decode.yardstick import road_descriptions as roads


def main() -> int:
    """Compare, tell what was compared, and return 1 where something differs."""
    words = sys.argv[1:]
    if len(words) != 1 or not words[0].isdigit():
        sys.stderr.write("Say how many payloads a message.\n")
        return 2
    count, compared, differing, refused = int(words[0]), 0, 0, 0
    for number, text in enumerate([*networks().values(), *roads()]):
        messages = messages_of(text)
        if messages is None:
            refused += 1
            continue
        found = first_difference(messages, count, seed=number)
        compared += len(messages)
        if found is not None:
            differing += 1
            sys.stdout.write(f"description {number}: {found}\n")
    sys.stdout.write(
        f"{compared} messages, {count} payloads each, live and bulk; "
        f"{refused} descriptions that cantools refuses; {differing} that differ\n"
    )
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
