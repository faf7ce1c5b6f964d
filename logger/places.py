"""Where the files lie when nobody says otherwise.

As a service the folders are those that the system made for it; otherwise they are the
person's own. Makes a folder that is not there yet. Knows names of files, no content.
"""

import os
import warnings
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_data_path, user_runtime_path

from logger.errors import StoreError

_NAME = "ampledger"


@dataclass(frozen=True, slots=True)
class Files:
    """The three files between logger and dashboard."""

    log: Path
    snapshot: Path
    desk: Path


def data_dir() -> Path:
    """Return the folder for what is kept: the log and the desk.

    Raises:
        StoreError: It cannot be made.
    """
    return _made(os.environ.get("STATE_DIRECTORY"), user_data_path(_NAME))


def runtime_dir() -> Path:
    """Return the folder in memory for what ends with the logger: the snapshot.

    Raises:
        StoreError: It cannot be made.
    """
    with warnings.catch_warnings():
        # Without a session there is no such folder; the one taken instead will do.
        warnings.simplefilter("ignore")
        own = user_runtime_path(_NAME)
    return _made(os.environ.get("RUNTIME_DIRECTORY"), own)


def log_file() -> Path:
    """Return the log."""
    return data_dir() / "van.db"


def desk_file() -> Path:
    """Return the desk: what a person entered, and the paired phones."""
    return data_dir() / "desk.db"


def live_file() -> Path:
    """Return the snapshot."""
    return runtime_dir() / "live.json"


def _made(given: str | None, own: Path) -> Path:
    # The service manager gives several folders with colons between; the first is ours.
    folder = Path(given.split(":")[0]) if given else own
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise StoreError(
            where=str(folder),
            saw=(err.strerror or str(err)).lower(),
            fix="Give the files by name, or a folder that you may write.",
        ) from err
    return folder
