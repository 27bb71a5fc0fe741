"""Files that people name: read whole, or written whole or not at all, with one clear line where that fails."""

from __future__ import annotations

import contextlib
import functools
import math
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

from ..errors import FileError

__all__ = ["FIGURES", "LARGEST", "check_target", "ending", "json_text", "move_new", "open_file", "read_bytes", "write_bytes", "writing"]

T = TypeVar("T")

FIGURES = (".png", ".svg", ".pdf")

LARGEST = 4_000_000  # bytes; a document written by people is a few kilobytes


def ending(path: str | Path) -> str:
    """What a file is by its name: `pdf`."""
    return Path(path).suffix.lower().removeprefix(".")


def json_text(record: Any) -> str:
    """A record as the JSON text of a file: full precision, no NaN."""
    import json

    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def read_bytes(path: str | Path, *, what: str, largest: float = LARGEST) -> bytes:
    """The bytes of a file people name, or a `FileError` that says why not and what to do; `what` names the kind of file.

    `-` is what a pipe brings on standard input; it is read once, and the same again for who asks again.
    """
    return _asked(path, what, largest, Path.read_bytes)


def open_file(path: str | Path, *, what: str) -> BinaryIO:
    """The file open for reading, of any size; what can be read but once, like a pipe, as a copy. Errors as of `read_bytes`."""
    return _asked(path, what, math.inf, _opened)


def _asked(path: str | Path, what: str, largest: float, read: Callable[[Path], T]) -> T:
    name, file = str(path), Path(path)
    try:
        if name == "-" and read is not _opened:
            data: Any = _piped(sys.stdin)
            if len(data) <= largest:
                return data  # type: ignore[no-any-return]
            reason = f"is larger than {largest / 1e6:g} MB, too large for a {what} file. Check what the pipe brings."
        elif file.is_dir():
            reason = f"is a folder. Name the {what} file within it."
        elif name != "-" and file.stat().st_size > largest:
            reason = f"is larger than {largest / 1e6:g} MB, too large for a {what} file. Check that it is the right file."
        else:
            return read(file)
    except FileNotFoundError:
        reason = f"there is no such file. Check the name and the folder of the {what} file."
    except PermissionError:
        reason = "may not be read. Close it in other programs, or ask for the right to read it."
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        reason = f"cannot be read ({said}). Copy the {what} file to a local folder and try again."
    raise FileError(f"{name}: {reason}")


@functools.cache
def _piped(stream: Any) -> bytes:
    return bytes(getattr(stream, "buffer", stream).read())


def _opened(file: Path) -> BinaryIO:
    stream: Any = getattr(sys.stdin, "buffer", sys.stdin) if str(file) == "-" else open(file, "rb")  # noqa: SIM115 - the caller closes it
    if stream.seekable():
        return stream  # type: ignore[no-any-return]
    copy: Any = tempfile.TemporaryFile()  # noqa: SIM115 - so too
    with stream:
        shutil.copyfileobj(stream, copy)
    copy.seek(0)
    return copy  # type: ignore[no-any-return]


def check_target(option: str, path: str, endings: tuple[str, ...], *, others: Iterable[object] = (), overwrite: bool = True) -> Path:
    """The path, or a `FileError` that says why it is not written; `others` are the command's other values."""
    target = Path(path)
    if hidden := next((c for c in str(path) if not c.isprintable()), None):
        raise FileError(f"{option}: the file name holds a character that cannot be seen (U+{ord(hidden):04X}). Leave it out.")
    if endings and target.suffix.lower() not in endings:
        raise FileError(f"{option}: {path}: the name ends in {' or '.join(endings)}. Give the file this ending.")
    if not target.parent.is_dir():
        raise FileError(f"{option}: {path}: the folder {target.parent} does not exist. Make it first, or name another.")
    if target.is_dir():
        raise FileError(f"{option}: {path}: this is a folder. Name a file in it.")
    if any(_same(target, one) for value in others for one in (value if isinstance(value, list | tuple) else [value])):
        raise FileError(f"{option}: {path}: the command names this file in another place, and it would be lost. Choose another name.")
    if target.exists() and not overwrite:
        raise FileError(f"{option}: {path}: stands already. Choose another name, or add --overwrite.")
    return target


def _same(target: Path, other: object) -> bool:
    if not isinstance(other, str) or not other:
        return False
    try:
        return Path(other).resolve() == target.resolve() and (target.exists() or Path(other).suffix != "")
    except (OSError, ValueError):
        return False


def write_bytes(path: str | Path, data: bytes | str, *, overwrite: bool = False) -> Path:
    """Put data (text as UTF-8) at `path` in one step, as `writing` does."""
    with writing(path, overwrite=overwrite) as stream:
        stream.write(data.encode() if isinstance(data, str) else data)
    return Path(path)


@contextlib.contextmanager
def writing(path: str | Path, *, overwrite: bool = False) -> Iterator[BinaryIO]:
    """A stream whose bytes stand at `path` when all are written: readers see the old file or the new one, never a part.

    Raises
    ------
    FileError
        A file stands there and `overwrite` is false; a folder stands there or is missing; the disk refuses.
    """
    path = Path(path)
    if not overwrite and path.exists():
        raise FileError(f"{path}: stands already. Choose another name, or say that it may be overwritten.")
    if path.is_dir():
        raise FileError(f"{path}: is a folder. Name a file within it.")
    temporary = path.with_name(f".{os.urandom(16).hex()}")
    try:
        with open(temporary, "xb") as stream:
            if path.exists():
                shutil.copymode(path, temporary)
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        if overwrite:
            os.replace(temporary, path)
        else:
            move_new(temporary, path)
    except FileExistsError:
        raise FileError(f"{path}: stands already. Choose another name, or say that it may be overwritten.") from None
    except FileNotFoundError:
        raise FileError(f"{path}: the folder {path.parent} does not stand. Make it first.") from None
    except OSError as error:
        raise FileError(f"{path}: cannot be written ({error.strerror or error}). Choose a folder you may write to.") from None
    finally:
        with contextlib.suppress(OSError):
            os.unlink(temporary)


def move_new(temporary: str | Path, path: Path) -> None:
    """Move a finished file to a place where none stands; `FileExistsError` where another writer was quicker."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if path.exists():
            raise FileExistsError(str(path)) from None
        os.replace(temporary, path)
