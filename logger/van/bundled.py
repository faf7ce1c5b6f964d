"""Opens the bundled tables, which lie beside the decoders and come with the program."""

import hashlib
from dataclasses import dataclass
from importlib.resources import files

from logger.decode.bundles import BUNDLES, Bundle
from logger.decode.descriptions import DescribedMessage, Form, read_description


@dataclass(frozen=True, slots=True)
class BundledTable:
    """One bundled table, read.

    Attributes:
        bundle: What is to be known of it.
        messages: Its messages.
        sha256: Digest of its file.
    """

    bundle: Bundle
    messages: tuple[DescribedMessage, ...]
    sha256: str


def read_bundled(name: str) -> BundledTable:
    """Return a bundled table by its name in a van file."""
    bundle = BUNDLES[name]
    folder = files("logger.decode") / "tables"
    content = (folder / bundle.file_name).read_bytes()
    messages = read_description(content.decode("ascii"), Form.DBC, bundle.absence)
    return BundledTable(bundle, messages, hashlib.sha256(content).hexdigest())
