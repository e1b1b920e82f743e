"""What can go wrong with the store, each as one sentence: what happened, what is safe, what to do."""

from __future__ import annotations

import contextlib
import errno
import sqlite3
from collections.abc import Iterator
from typing import TYPE_CHECKING

from sqlalchemy import exc

from dictate.errors import DictateError

if TYPE_CHECKING:
    from dictate.store.model import RecordHead


class StoreError(DictateError):
    """A fault of the store, told in one sentence that never holds words of a note."""


class Unknown(StoreError):
    """No such record, or one that was deleted."""


class Stale(StoreError):
    """The record was changed by somebody else since it was read; `head` is how it stands now."""

    def __init__(self, head: RecordHead) -> None:
        self.head = head
        super().__init__(
            f"record {head.id} was changed elsewhere in the meantime: this change is not saved, the other one is;"
            " load the record again and repeat what is missing"
        )


class Overtaken(StoreError):
    """A letter or a referral was changed by somebody else since it was read."""

    def __init__(self) -> None:
        super().__init__(
            "it was changed elsewhere in the meantime: this change is not saved, the other one is; load it again and"
            " repeat what is missing"
        )


class Signed(StoreError):
    """The record is signed and does not change any more."""


class NotSettled(StoreError):
    """The record cannot be signed while questions are open."""


class NotEmpty(StoreError):
    """A backup was to be restored into a store that holds records."""


class Newer(StoreError):
    """The store was written by a later version of the program."""


class Full(StoreError):
    """The disk is full."""


class ReadOnly(StoreError):
    """The store cannot be written."""


class Locked(StoreError):
    """Another program keeps the store busy."""


class Unreachable(StoreError):
    """The store cannot be opened, or the server does not answer."""


class Damaged(StoreError):
    """The file is no store, or is damaged."""


class Lingering(StoreError):
    """A record is deleted, but its words could not yet be cleared out of the file."""


KEPT = "the last change is not saved, everything saved before it is safe"

_SQLITE: dict[int, type[StoreError]] = {
    sqlite3.SQLITE_FULL: Full,
    sqlite3.SQLITE_READONLY: ReadOnly,
    sqlite3.SQLITE_PERM: ReadOnly,
    sqlite3.SQLITE_BUSY: Locked,
    sqlite3.SQLITE_LOCKED: Locked,
    sqlite3.SQLITE_CANTOPEN: Unreachable,
    sqlite3.SQLITE_IOERR: Unreachable,
    sqlite3.SQLITE_CORRUPT: Damaged,
    sqlite3.SQLITE_NOTADB: Damaged,
}
# Classes of SQLSTATE, and single states that mean something else than their class.
_POSTGRES: dict[str, type[StoreError]] = {
    "53": Full,
    "25006": ReadOnly,
    "42501": ReadOnly,
    "55P03": Locked,
    "57014": Locked,
    "40": Locked,
    "53300": Locked,
    "08": Unreachable,
    "28": Unreachable,
    "3D": Unreachable,
    "57": Unreachable,
    "XX": Damaged,
}
_ERRNO: dict[int, type[StoreError]] = {
    errno.ENOSPC: Full,
    errno.EDQUOT: Full,
    errno.EROFS: ReadOnly,
    errno.EACCES: ReadOnly,
    errno.EPERM: ReadOnly,
}
_SENTENCE: dict[type[StoreError], str] = {
    Full: "the disk that holds {where} is full: {kept}; free some space and try again",
    ReadOnly: "{where} cannot be written: {kept}; allow writing to it and try again",
    Locked: "{where} is kept busy by another program: {kept}; try again in a moment",
    Unreachable: "{where} cannot be opened or does not answer: what was saved before is safe, the last change may not"
    " be saved; check that it is there and may be used, then try again",
    Damaged: "{where} is damaged or is no store of records: nothing was changed; move it away and restore the last"
    " backup (dictate records restore FILE)",
}


@contextlib.contextmanager
def told(where: str) -> Iterator[None]:
    """Turn faults of the database and the file system into a `StoreError`; `where` names the store."""
    try:
        yield
    except exc.DBAPIError as error:
        raise _of_database(error, where) from None  # the cause may quote the words that were being saved
    except exc.TimeoutError:
        raise _sentence(Locked, where) from None
    except OSError as error:
        kind = _ERRNO.get(error.errno or 0, Unreachable)
        raise _sentence(kind, where) from None


def _sentence(kind: type[StoreError], where: str) -> StoreError:
    return kind(_SENTENCE[kind].format(where=where, kept=KEPT))


def _of_database(error: exc.DBAPIError, where: str) -> StoreError:
    original = error.orig
    kind: type[StoreError] | None = None
    state = getattr(original, "sqlstate", None)
    if isinstance(original, sqlite3.Error):
        code = getattr(original, "sqlite_errorcode", None)
        kind = _SQLITE.get(code & 0xFF) if code is not None else None
        detail = str(original)
    elif state:
        kind = _POSTGRES.get(state) or _POSTGRES.get(state[:2])
        detail = state
    else:
        kind = Unreachable if isinstance(error, exc.OperationalError | exc.InterfaceError) else None
        detail = type(original).__name__
    if kind is None:
        return StoreError(f"{where} refused the change ({detail}): {KEPT}; please report this")
    return _sentence(kind, where)
