"""Where the store lies, and that its owner alone can read it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import platformdirs

VARIABLE = "DICTATE_STORE"
"""The environment variable that names another store: a URL, or the path of a file."""

FOLDER_MODE = 0o700
FILE_MODE = 0o600
BESIDE = ("", "-wal", "-shm", "-journal")
"""What SQLite keeps beside a database's own file."""


def data_folder() -> Path:
    """The user's folder for the store; it need not be there."""
    return Path(platformdirs.user_data_dir("dictate", appauthor=False))


def default_file() -> Path:
    """The store that is used if nothing else is named."""
    return data_folder() / "records.db"


def make_folder(folder: Path) -> None:
    """Make the folder and its missing parents for the owner alone; others' folders stay as they are.

    Raises OSError where that is not allowed.
    """
    for missing in [p for p in (folder, *folder.parents) if not p.exists()][::-1]:
        missing.mkdir(mode=FOLDER_MODE, exist_ok=True)
    if folder == data_folder():
        _narrow(folder, FOLDER_MODE)


def make_file(file: Path) -> None:
    """Make the file, empty, for the owner alone; raises FileExistsError if there is one."""
    os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, FILE_MODE))
    with contextlib.suppress(PermissionError):  # a memory stick may know no permissions
        _narrow(file, FILE_MODE)


def prepare(file: Path) -> None:
    """Make ready for opening a store: the folder and the file are there, and are the owner's alone."""
    make_folder(file.parent)
    if not file.exists():
        with contextlib.suppress(FileExistsError):  # another process was quicker
            make_file(file)
    for suffix in BESIDE:
        beside = file.with_name(file.name + suffix)
        if beside.exists():
            _narrow(beside, FILE_MODE)


def _narrow(path: Path, mode: int) -> None:
    if os.name == "posix" and path.stat().st_mode & 0o777 & ~mode:
        path.chmod(mode)
