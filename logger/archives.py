"""Logs inside a ZIP archive: the files of one recording, as exports of a phone pack them."""

from __future__ import annotations

import io
import zipfile
import zlib
from pathlib import PurePosixPath

from logger.errors import ReadError
from logger.source import FREE_BYTES, LOG_SUFFIXES, MAX_BYTES, MAX_RATIO

__all__ = ["logs_inside"]

#: A recording has a few files. An archive of more is a collection.
_MOST_LOGS, _MOST_MEMBERS = 8, 10_000
_CHUNK = 1 << 20
_UNPACK = "Unpack it into a folder and give the folder or the logs"


def logs_inside(path: str, data: bytes) -> list[tuple[str, bytes]] | None:
    """Return name and content of each log in a ZIP archive; nothing is written to the disk.

    Parameters
    ----------
    path : str
        Of the archive, as the user named it.
    data : bytes
        Its content.

    Returns
    -------
    list of (str, bytes) or None
        In the order of their names, as ``archive.zip/name``; None where it is no whole archive.

    Raises
    ------
    ReadError
        No logs, too many, encrypted, damaged, or larger than a log can be.
    """
    if not (data.startswith(b"PK\x03\x04") and zipfile.is_zipfile(io.BytesIO(data))):
        return None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            logs = sorted((one for one in members if _is_log(one)), key=lambda one: one.filename)
            _refuse_unusable(path, members, logs)
            left = MAX_BYTES
            found = []
            for one in logs:
                found.append((f"{path}/{one.filename}", _content(path, archive, one, left)))
                left -= len(found[-1][1])
            return found
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as error:
        raise ReadError(
            path, f"the ZIP archive is damaged ({error})", "", "Download or copy it again"
        ) from error


def _is_log(member: zipfile.ZipInfo) -> bool:
    """Return whether a member is taken for a log: by its name, and not hidden or a system's own."""
    name = PurePosixPath(member.filename)
    hidden = any(part.startswith((".", "__")) and part != ".." for part in name.parts)
    return not member.is_dir() and not hidden and name.suffix.lower() in LOG_SUFFIXES


def _refuse_unusable(
    path: str, members: list[zipfile.ZipInfo], logs: list[zipfile.ZipInfo]
) -> None:
    """Refuse an archive by the list of what it holds."""
    names = [one.filename for one in members if not one.is_dir()]
    if "[Content_Types].xml" in names:
        raise ReadError(
            path,
            "this is a spreadsheet or document (a ZIP archive of the .xlsx kind)",
            "a log",
            "Export the recording as a delimited table (CSV), GPX or NMEA and give that file",
        )
    if not logs or len(names) > _MOST_MEMBERS:
        some = ", ".join(names[:5]) + (", ..." if len(names) > 5 else "")
        raise ReadError(
            path,
            f"a ZIP archive without a log in it ({some or 'it is empty'})",
            f"a file that ends in {', '.join(LOG_SUFFIXES)}",
            _UNPACK,
        )
    if len(logs) > _MOST_LOGS:
        raise ReadError(
            path,
            f"a ZIP archive with {len(logs)} logs",
            f"the files of one recording, at most {_MOST_LOGS}",
            _UNPACK,
        )
    locked = next((one.filename for one in logs if one.flag_bits & 0x1), None)
    if locked is not None:
        raise ReadError(path, f"{locked} in the ZIP archive is encrypted", "", _UNPACK)


def _content(path: str, archive: zipfile.ZipFile, member: zipfile.ZipInfo, most: int) -> bytes:
    """Return a member's bytes, as far as a log can be large."""
    out = io.BytesIO()
    with archive.open(member) as file:
        while piece := file.read(_CHUNK):
            out.write(piece)
            size = out.tell()
            if size > most or size > max(FREE_BYTES, MAX_RATIO * max(member.compress_size, 1)):
                raise ReadError(
                    path,
                    f"{member.filename} in the ZIP archive unpacks to over {size / 1e6:.0f} MB",
                    f"a log, which shrinks less than {MAX_RATIO} times, {MAX_BYTES / 1e6:.0f} MB in all",
                    "Unpack it yourself and look at what is inside",
                )
    return out.getvalue()
