"""Bytes of a log file: opened with limits, unpacked, decoded; what is no log is refused."""

from __future__ import annotations

import errno
import io
import os
import re
import stat
import zlib
from pathlib import Path

from logger.errors import ReadError

__all__ = [
    "FREE_BYTES",
    "LOG_SUFFIXES",
    "MAX_BYTES",
    "MAX_RATIO",
    "decode",
    "decode_head",
    "encoding_of",
    "load",
    "read_regular",
    "refuse_wrong_kind",
    "utf8_text",
]

#: Largest file read, after unpacking [bytes]: about ten hours of a 100 Hz accelerometer.
MAX_BYTES = 1_000_000_000
#: A packed log shrinks to a tenth or so; zeros shrink to a thousandth. Above this it is no log.
MAX_RATIO = 200
#: So much may come out of any packed file [bytes].
FREE_BYTES = 10_000_000
_CHUNK = 1 << 20
#: From so many bytes it shows whether a large file can be a log.
_HEAD_BYTES = 4_000_000

#: A byte that is neither white space, nor zero, nor part of a byte order mark.
_SOMETHING = re.compile(rb"[^\s\x00\xef\xbb\xbf\xff\xfe]")

#: How the names of logs end.
LOG_SUFFIXES = (".csv", ".tsv", ".txt", ".dat", ".tab", ".gpx", ".nmea", ".nma", ".log")

_UNPACK = "Unpack it and give the log inside"
_EXPORT = "Export the recording as a delimited table (CSV), GPX or NMEA and give that file"

#: First bytes of files that people give by mistake: (offset, bytes, what it is, what to do).
_BINARY_KINDS: tuple[tuple[int, bytes, str, str], ...] = (
    (0, b"PK\x03\x04", "a ZIP archive (spreadsheets of the .xlsx kind are such archives)", _UNPACK),
    (0, b"PK\x05\x06", "an empty ZIP archive", _EXPORT),
    (0, b"\x1f\x8b", "gzip data inside gzip data", _UNPACK),
    (0, b"BZh", "a bzip2 archive", _UNPACK),
    (0, b"\xfd7zXZ\x00", "an xz archive", _UNPACK),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive", _UNPACK),
    (0, b"Rar!", "a RAR archive", _UNPACK),
    (257, b"ustar", "a tar archive", _UNPACK),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old binary spreadsheet or document", _EXPORT),
    (8, b".FIT", "a FIT activity file (binary)", _EXPORT),
    (0, b"%PDF", "a PDF document", _EXPORT),
    (0, b"\x89PNG", "a PNG picture", _EXPORT),
    (0, b"\xff\xd8\xff", "a JPEG picture", _EXPORT),
    (0, b"GIF8", "a GIF picture", _EXPORT),
    (0, b"RIFF", "a sound, video or picture file (RIFF)", _EXPORT),
    (4, b"ftyp", "a video or picture file", _EXPORT),
    (0, b"SQLite format 3\x00", "a database file", _EXPORT),
    (0, b"PAR1", "a Parquet table (binary)", _EXPORT),
    (0, b"\x89HDF", "an HDF5 or MATLAB file (binary)", _EXPORT),
    (0, b"MATLAB 5.0", "a MATLAB file (binary)", _EXPORT),
)

#: How the text of other kinds begins, lower case.
_TEXT_KINDS: tuple[tuple[str, str, str], ...] = (
    (
        "<!doctype html",
        "this is an HTML page",
        "The download was probably a sign-in page: sign in, download again, give the new file",
    ),
    (
        "<html",
        "this is an HTML page",
        "The download was probably a sign-in page: sign in, download again, give the new file",
    ),
    ("<kml", "this is a KML map file; it keeps no times for speeds", _EXPORT),
    ("<trainingcenterdatabase", "this is a TCX activity file", _EXPORT),
    ("<svg", "this is a picture (SVG)", _EXPORT),
    ("{\\rtf", "this is a word-processor document", _EXPORT),
    ("{", "this is JSON", _EXPORT),
    ("[{", "this is JSON", _EXPORT),
    ("[[", "this is JSON", _EXPORT),
)


def read_regular(path: Path, most: int) -> bytes | None:
    """Read a small file that is a file: no pipe is waited for, no device read without end.

    Parameters
    ----------
    path : Path
        Where it should be.
    most : int
        Largest size that such a file can have [bytes].

    Returns
    -------
    bytes or None
        None where it is larger; nothing of it is read then.

    Raises
    ------
    OSError
        It cannot be opened, or is a folder, pipe, socket or device.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode):
            folder = stat.S_ISDIR(status.st_mode)
            code = errno.EISDIR if folder else errno.EINVAL
            what = "a folder, not a file" if folder else "a device or pipe, not a file"
            raise OSError(code, what, str(path))
        if status.st_size > most:
            return None
        data = file.read(most + 1)  # what has no size, as in /proc, may still be endless
        return data if len(data) <= most else None


def load(path: Path) -> bytes:
    """Read a file whole, unpacking ``.gz`` content.

    Parameters
    ----------
    path : Path
        A file; what it is called does not matter, gzip is known by its first bytes.

    Returns
    -------
    bytes
        Never empty.

    Raises
    ------
    ReadError
        Missing, a folder, unreadable, empty, larger than `MAX_BYTES` (unpacked), or damaged gzip.
    """
    try:
        if path.is_dir():
            raise ReadError(str(path), "this is a folder", "a log file", "Give the files in it")
        if path.exists() and not path.is_file():
            raise ReadError(str(path), "this is a device or pipe", "a log file", "Copy it first")
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise _too_large(path, size)
        data = _in_one_state(path)
    except FileNotFoundError as error:
        raise ReadError(
            str(path), "there is no such file", "a log file", "Check the name"
        ) from error
    except (OSError, ValueError) as error:
        if isinstance(error, ReadError):
            raise
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ReadError(
            str(path), f"the file cannot be opened ({reason})", "", "Check its permissions"
        ) from error
    if data[:2] == b"\x1f\x8b":
        data = _unpack(path, data)
    if _SOMETHING.search(data) is None:
        raise ReadError(str(path), "the file is empty", "at least one sample", "Record again")
    return data


def _in_one_state(path: Path) -> bytes:
    """Return a file's bytes; read once more where somebody wrote to it meanwhile."""
    with path.open("rb") as file:
        before = os.fstat(file.fileno())
        _refuse_endless_line(path, file.read(_HEAD_BYTES), before.st_size)
        file.seek(0)
        data = file.read(before.st_size)
        after = os.fstat(file.fileno())
        if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            if after.st_size > MAX_BYTES:
                raise _too_large(path, after.st_size)
            file.seek(0)
            data = file.read(after.st_size)
    return data


def _refuse_endless_line(path: Path, head: bytes, size: int) -> None:
    """Refuse what is no log by its first megabytes: a hole of zeros, or one line without an end."""
    if size <= len(head):
        return
    if _SOMETHING.search(head) is None:
        raise ReadError(
            str(path),
            f"the file begins with {len(head) / 1e6:.0f} MB of nothing",
            "",
            "Record again",
        )
    # points of a GPX file may stand in one line; of a packed one nothing can be seen
    text = head[:1000].lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n")
    if head[:2] == b"\x1f\x8b" or text.startswith(b"<") or b"\n" in head or b"\r" in head:
        return
    raise ReadError(
        str(path),
        f"the first line has more than {len(head) / 1e6:.0f} MB",
        "lines of a table, GPX or NMEA sentences",
        _EXPORT,
        line=1,
    )


def _too_large(path: Path, size: int) -> ReadError:
    return ReadError(
        str(path),
        f"the file holds more than {size / 1e6:.0f} MB",
        f"at most {MAX_BYTES / 1e6:.0f} MB",
        "Cut it into one file per run",
    )


def _unpack(path: Path, packed: bytes) -> bytes:
    out = io.BytesIO()
    rest = packed
    try:
        while rest:  # a gzip file may hold several members, one after the other
            machine = zlib.decompressobj(wbits=31)
            while not machine.eof:
                piece = machine.decompress(rest, _CHUNK)
                rest = machine.unconsumed_tail
                if not piece and not rest and not machine.eof:
                    raise ReadError(
                        str(path),
                        "the gzip data ends too early: recording or download was cut off",
                        "",
                        "Download or copy it again",
                    )
                out.write(piece)
                if out.tell() > MAX_BYTES:
                    raise _too_large(path, MAX_BYTES)
                if out.tell() > FREE_BYTES and out.tell() > MAX_RATIO * len(packed):
                    raise ReadError(
                        str(path),
                        f"{len(packed)} bytes of gzip unpack to over {out.tell() / 1e6:.0f} MB",
                        f"a log, which shrinks less than {MAX_RATIO} times",
                        "Unpack it yourself and look at what is inside",
                    )
            rest = machine.unused_data.lstrip(b"\x00")
            if rest[:2] != b"\x1f\x8b":
                break
    except zlib.error as error:
        raise ReadError(
            str(path), f"the gzip data is damaged ({error})", "", "Download or copy it again"
        ) from error
    return out.getvalue()


def refuse_wrong_kind(path: str, data: bytes) -> None:
    """Raise a helpful `ReadError` when `data` is a known kind of file that holds no log."""
    for offset, magic, what, remedy in _BINARY_KINDS:
        if data[offset : offset + len(magic)] == magic:
            raise ReadError(path, f"this is {what}", "a log", remedy)
    head = decode_head(data).lstrip("\ufeff \t\r\n").lower()
    if head.startswith("<?xml"):
        head = head[head.find("?>") + 2 :].lstrip()
    while head.startswith("<!--") and "-->" in head:
        head = head[head.find("-->") + 3 :].lstrip()
    for start, what, remedy in _TEXT_KINDS:
        if head.startswith(start):
            raise ReadError(path, f"{what}, not a log", "", remedy, line=1, column=1)


def decode_head(data: bytes, size: int = 4096) -> str:
    """Return the first characters of `data` as text, whatever they are."""
    head = data[:size]
    text = head.decode(encoding_of(head), errors="replace").lstrip("\ufeff")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def encoding_of(head: bytes) -> str:
    """Return the encoding of a text by its mark, or by where its zero bytes are."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) and (0 in head or len(head) < 4):
        return "utf-16"  # else noise: numbers in UTF-16 have a zero in every character
    # text in UTF-16 without a mark: every second byte of plain characters is zero
    if len(head) >= 8 and head[1::2].count(0) > 0.4 * len(head) > 4 * head[::2].count(0):
        return "utf-16-le"
    if len(head) >= 8 and head[::2].count(0) > 0.4 * len(head) > 4 * head[1::2].count(0):
        return "utf-16-be"
    return "utf-8-sig"


def decode(path: str, data: bytes) -> str:
    r"""Decode a text file: UTF-8 with or without mark, UTF-16, else Western single-byte text.

    Parameters
    ----------
    path : str
        For the error.
    data : bytes
        Whole file.

    Returns
    -------
    str
        Text with ``\n`` line ends and no byte order mark.

    Raises
    ------
    ReadError
        Binary data.
    """
    encoding = encoding_of(data[:4096])
    if encoding.startswith("utf-16"):
        text = data.decode(encoding, errors="replace").lstrip("\ufeff")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            # old Windows programs write degree signs and superscripts in this code page
            text = data.decode("cp1252", errors="replace")
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\x00" in text:
        text = text.rstrip("\x00")  # a phone that ran out of power leaves a block of zeros
        at = text.find("\x00")
        if at >= 0:
            raise ReadError(
                path,
                "the file holds binary data (a zero byte)",
                "a text log",
                _EXPORT,
                line=text.count("\n", 0, at) + 1,
            )
    return text


def utf8_text(path: str, data: bytes) -> bytes:
    """Return a text file as `decode` does, but in UTF-8: what is plain ASCII is not copied."""
    if not data.isascii() or b"\x00" in data:
        return decode(path, data).encode(errors="replace")
    if b"\r" in data:
        return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data
