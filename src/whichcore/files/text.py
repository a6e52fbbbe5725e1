"""Reading and writing whole text files: one clear line for every way it can fail, never a half file."""

from __future__ import annotations

import difflib
import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from whichcore.errors import InputError, UsageError

#: Largest file that is read, bytes; a sweep of a million points stays below it.
MAX_BYTES = 50_000_000


def path_of(path: object, function: str) -> Path:
    """Return the path a function was called with.

    Raises
    ------
    UsageError
        It is no path.
    """
    if isinstance(path, (str, os.PathLike)):
        return Path(path)
    raise UsageError(
        "a path was expected",
        where=function,
        got=type(path).__name__,
        allowed="str or pathlib.Path",
        next_step=f'call it as {function}("folder/name")',
    )


def read_bytes(path: Path) -> bytes:
    """Return the content of a file.

    Raises
    ------
    InputError
        Missing, a folder, unreadable or larger than ``MAX_BYTES``.
    """
    try:
        if path.is_dir():
            raise InputError("this is a folder, not a file", where=str(path), next_step="name a file in it")
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise InputError(
                "the file is too large",
                where=str(path),
                got=f"{size / 1e6:.0f} MB",
                allowed=f"up to {MAX_BYTES / 1e6:.0f} MB",
                next_step="check that it is the right file",
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            "there is no such file", where=str(path), next_step="check the name and the folder"
        ) from None
    except PermissionError:
        raise InputError(
            "no permission to read the file", where=str(path), next_step="change its permissions or copy it"
        ) from None
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise InputError(
            "the file cannot be read",
            where=str(path),
            got=getattr(error, "strerror", None) or str(error),
            next_step="check the name and the folder",
        ) from None


def decode(raw: bytes, path: Path) -> str:
    """Return UTF-8 text with a byte-order mark removed and every line end as a line feed.

    Raises
    ------
    InputError
        Not UTF-8, or binary.
    """
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(
            "the file is UTF-16, not UTF-8", where=str(path), next_step="save it again as UTF-8 text"
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            "the file is not UTF-8 text",
            where=f"{path}, line {line}",
            got=f"byte 0x{raw[error.start]:02x}",
            next_step="save it again as UTF-8 text; check that it is the right file",
        ) from None
    if "\0" in text:
        raise InputError(
            "this is a binary file, not text", where=str(path), next_step="check that it is the right file"
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def read_text(path: Path) -> str:
    """Return the text of a UTF-8 file, line ends as line feeds.

    Raises
    ------
    InputError
        Whatever :func:`read_bytes` and :func:`decode` refuse.
    """
    return decode(read_bytes(path), path)


def _write_temporary(path: Path, raw: bytes) -> Path:
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(8)}.tmp")
    # opened by hand and not by tempfile: a result is as readable as any other file of the user
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def _take_name(temporary: Path, path: Path) -> None:
    """Give a finished file its name; FileExistsError when another program has taken that name."""
    try:
        # unlike a rename, a link never replaces what is there
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:
        # file systems without links (memory sticks): claim the name first, then fill it in one step
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
        temporary.replace(path)


def _sync_folder(folder: Path) -> None:
    """Make a new name durable; where folders cannot be synced (Windows) there is nothing to do."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exists_already(path: Path) -> InputError:
    return InputError(
        "the file is there already and is not overwritten",
        where=str(path),
        next_step="choose another name, or move the old file away",
    )


def _cannot_write(path: Path, error: Exception) -> InputError:
    return InputError(
        "the file cannot be written",
        where=str(path),
        got=getattr(error, "strerror", None) or str(error),
        next_step="check that the folder exists, is writable and has room",
    )


def write_text(path: Path, text: str) -> None:
    """Write a text as UTF-8 whole or not at all, in place of an older file.

    Raises
    ------
    InputError
        The folder is missing, not writable or full.
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, raw: bytes) -> None:
    """Write a file whole or not at all, in place of an older one.

    Raises
    ------
    InputError
        The folder is missing, not writable or full.
    """
    temporary: Path | None = None
    try:
        temporary = _write_temporary(path, raw)
        temporary.replace(path)
        _sync_folder(path.parent)
    except (OSError, ValueError) as error:
        raise _cannot_write(path, error) from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def create_text(path: Path, text: str) -> None:
    """Write a new text file; see :func:`create_bytes`."""
    create_bytes(path, text.encode("utf-8"))


def create_bytes(path: Path, raw: bytes) -> None:
    """Write a new file whole or not at all; an older one of that name is left alone.

    Raises
    ------
    InputError
        The name is taken, or the folder is missing, not writable or full.
    """
    temporary: Path | None = None
    try:
        if path.exists():
            raise _exists_already(path)
        temporary = _write_temporary(path, raw)
        _take_name(temporary, path)
        _sync_folder(path.parent)
    except FileExistsError:
        raise _exists_already(path) from None
    except (OSError, ValueError) as error:
        raise _cannot_write(path, error) from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Raises
    ------
    InputError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            "the folder cannot be made",
            where=str(folder),
            got=error.strerror or str(error),
            next_step="choose a folder that may be written",
        ) from error


def nearest(word: str, options: Iterable[str]) -> str:
    """Return the option most like a word, or an empty string when none is like it."""
    matches = difflib.get_close_matches(word, list(options), n=1, cutoff=0.5)
    return matches[0] if matches else ""


def did_you_mean(word: str, options: Iterable[str], otherwise: str = "") -> str:
    """Return a next step that names the nearest option, or ``otherwise``."""
    match = nearest(word, options)
    return f"did you mean {match}?" if match else otherwise
