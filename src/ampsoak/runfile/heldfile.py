"""A file whose changes stay in memory until they are committed as a whole.

HDF5 rewrites its own bookkeeping in place, so a file that it writes directly is unreadable when the process dies, or the disk
fills, between two of its writes; a failed write also leaves the library unable to close the file (tried with HDF5 2.0:
the interpreter crashes at exit). h5py can write to any Python file object; with this one the file on disk only ever moves
from one committed state to the next: room for the growth is reserved first, then new pages are written, then changed ones.
"""

from __future__ import annotations

import errno
import io
import os

PAGE = 16384


class HeldFile(io.RawIOBase):
    """Random-access file for h5py's ``fileobj`` driver; see the module's text.

    Parameters
    ----------
    path : str or Path    created; must not exist

    Raises
    ------
    OSError               the file cannot be created; from ``commit`` also when it cannot grow (disk full), with the file as
                          it was after the last commit
    """

    def __init__(self, path):
        super().__init__()
        self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        self._pages: dict[int, bytearray] = {}
        self._size = 0  # as HDF5 sees it
        self._on_disk = 0
        self._position = 0

    def readable(self) -> bool:
        """Return True."""
        return True

    def writable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move the position; as ``io.RawIOBase.seek``."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._size}[whence]
        self._position = base + offset
        return self._position

    def tell(self) -> int:
        """Position in bytes."""
        return self._position

    def readinto(self, buffer) -> int:
        """Fill ``buffer`` from held pages where there are any, else from the file."""
        view = memoryview(buffer).cast("B")
        count = max(0, min(len(view), self._size - self._position))
        done = 0
        while done < count:
            number, start = divmod(self._position + done, PAGE)
            length = min(PAGE - start, count - done)
            page = self._pages.get(number) or self._load(number)
            view[done : done + length] = page[start : start + length]
            done += length
        self._position += count
        return count

    def write(self, data) -> int:
        """Change held pages; nothing reaches the file."""
        view = memoryview(data).cast("B")
        done = 0
        while done < len(view):
            number, start = divmod(self._position + done, PAGE)
            length = min(PAGE - start, len(view) - done)
            if number not in self._pages:
                self._pages[number] = self._load(number)
            self._pages[number][start : start + length] = view[done : done + length]
            done += length
        self._position += done
        self._size = max(self._size, self._position)
        return done

    def truncate(self, size: int | None = None) -> int:
        """Set the size HDF5 sees."""
        self._size = self._position if size is None else size
        return self._size

    def flush(self) -> None:
        """Do nothing: HDF5 flushes in the middle of its own changes; only ``commit`` writes."""

    def commit(self) -> None:
        """Bring the file on disk to the present state, all of it or (disk full) nothing of it."""
        if self._size > self._on_disk:
            try:
                self._reserve(self._on_disk, self._size)
            except OSError:
                os.ftruncate(self._handle, self._on_disk)
                raise
        boundary = self._on_disk // PAGE
        for number in sorted(self._pages, key=lambda page: (page <= boundary, page)):
            begin = number * PAGE
            self._put(begin, memoryview(self._pages[number])[: max(0, min(PAGE, self._size - begin))])
        if self._size < self._on_disk:
            os.ftruncate(self._handle, self._size)
        self._on_disk = self._size
        self._pages.clear()

    def synchronise(self) -> None:
        """Have the operating system write the file to the medium."""
        os.fsync(self._handle)

    def close(self) -> None:
        """Close the file, dropping what was not committed."""
        if not self.closed:
            self._pages.clear()
            os.close(self._handle)
        super().close()

    def _load(self, number: int) -> bytearray:
        """Page from disk, zeros where the file has none."""
        os.lseek(self._handle, number * PAGE, os.SEEK_SET)
        page = bytearray(PAGE)
        got = os.read(self._handle, PAGE) if number * PAGE < self._on_disk else b""
        page[: len(got)] = got
        return page

    def _put(self, begin: int, data: memoryview) -> None:
        os.lseek(self._handle, begin, os.SEEK_SET)
        while data:
            data = data[os.write(self._handle, data) :]

    def _reserve(self, begin: int, end: int) -> None:
        """Claim disk space from ``begin`` to ``end``, so that the writes after it cannot run out of it."""
        if hasattr(os, "posix_fallocate"):
            try:
                os.posix_fallocate(self._handle, begin, end - begin)
                return
            except OSError as error:
                if error.errno not in (errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS):
                    raise
        self._put(begin, memoryview(bytes(end - begin)))
