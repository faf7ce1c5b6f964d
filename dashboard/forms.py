"""Reads the forms that pages send without a script. Pure."""

from urllib.parse import parse_qs

MOST_FIELDS = 10


def fields(body: bytes) -> dict[str, str]:
    """Return the fields of a form; nothing where it is none."""
    try:
        found = parse_qs(body.decode("ascii"), max_num_fields=MOST_FIELDS)
    except ValueError:
        return {}
    return {name: values[0] for name, values in found.items()}
