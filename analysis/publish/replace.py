"""Put a finished folder in the place of an old one so that at each moment one complete folder exists.

Everything happens in a hidden folder beside the target (`.NAME.replacing`), which holds the lock, the new folder
while it is written, and the journal. Where the system can exchange two folders in one call (Linux), that is all.
Elsewhere the old folder steps aside and the new one takes its name: two renames. Should a run die between them, the
journal tells the next run to finish the second.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

EXCHANGE = 2
"""RENAME_EXCHANGE of renameat2."""
AT_FDCWD = -100


class Busy(Exception):  # noqa: N818 - a state, told on by folder.py
    """Another run is writing this folder."""


class Replacement:
    """The places of one replacement."""

    def __init__(self, target: Path) -> None:
        self.target = target
        self.side = target.parent / f".{target.name}.replacing"
        self.new = self.side / "new"
        self.old = self.side / "old"
        self.journal = self.side / "journal"
        self.lock = self.side / "lock"

    @contextlib.contextmanager
    def open(self) -> Iterator[Path]:
        """Lock, repair what an earlier run left, and hand out the empty folder to write into.

        Raises
        ------
        Busy
            When another run holds the lock.
        """
        self.side.mkdir(parents=True, exist_ok=True)
        with open(self.lock, "a+b") as handle:
            _take(handle)
            try:
                self.repair()
                self.new.mkdir()
                yield self.new
            finally:
                self._clear()
                # An open file can't be unlinked on Windows; there the empty hidden folder stays.
                with contextlib.suppress(OSError):
                    self.lock.unlink()
                    self.side.rmdir()

    def repair(self) -> None:
        """Finish the second rename of a run that died between the two; drop what else was left."""
        if self.journal.exists() and not self.target.exists():
            # The journal is written only when `new` is complete.
            os.rename(self.new if self.new.exists() else self.old, self.target)
        self._clear()

    def commit(self) -> None:
        """Give the new folder the target's name."""
        if not self.target.exists():
            os.rename(self.new, self.target)
        elif not exchange(self.new, self.target):
            self._two_renames()

    def _two_renames(self) -> None:
        self.journal.write_text("old steps aside, new takes its name\n", encoding="utf-8")
        os.rename(self.target, self.old)
        try:
            os.rename(self.new, self.target)
        except OSError:
            os.rename(self.old, self.target)
            raise
        finally:
            if self.target.exists():
                self.journal.unlink()

    def _clear(self) -> None:
        """Remove everything but the lock; never the last complete folder."""
        if self.journal.exists() and not self.target.exists():
            return
        for place in (self.new, self.old):
            shutil.rmtree(place, ignore_errors=True)
        self.journal.unlink(missing_ok=True)


def exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step; False where the system or the file system can't."""
    if not sys.platform.startswith("linux"):
        return False
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    call.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)
    if call(AT_FDCWD, os.fsencode(one), AT_FDCWD, os.fsencode(other), EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
        return False
    raise OSError(number, os.strerror(number), str(other))


def _take(handle: IO[bytes]) -> None:
    """Lock a file until it is closed or the process dies; a file system without locks goes without."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError) as held:
        raise Busy from held
    except OSError:
        return
