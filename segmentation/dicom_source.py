"""Gathers the files to look at: those of a folder, a zip file, a DICOMDIR, or one file with many images.

A zip file is unpacked to a temporary folder under numbers, never under the names it holds, and only after its
directory was judged: a name that points out of it, a password, or contents out of all proportion (a bomb) is
refused. A DICOMDIR is an index; only what it names inside its own folder is read. Files are told by number,
since names often hold a patient's.
Source: DICOM PS3.10 section 8 and PS3.3 F.3 (DICOMDIR); the zip format's APPNOTE 4.4 (directory entries).
"""

from __future__ import annotations

import os
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath, PureWindowsPath

from pydicom.tag import Tag
from pydicom.uid import MediaStorageDirectoryStorage

from segmentation.dicom_elements import pydicom_silent, read_elements, sequences
from segmentation.errors import InputError

MOST_FILES_COUNT = 20_000
"""More files than any one examination has: a wrong folder was given. Our choice."""

MOST_UNZIPPED_BYTES = 1 << 33
"""8 GiB, 16,000 slices of 512×512. Our choice."""

LARGEST_ZIP_RATIO, HARMLESS_BYTES = 100, 1 << 26
"""Beyond the second, contents must not be the first times the file. Our choice: CT shrinks 2 to 10 times."""

COPIED_BYTES = 1 << 20
ZIP_MARK = b"PK"
"""published: the zip format's APPNOTE 4.3.7."""


@contextmanager
def files_of(path: Path) -> Iterator[tuple[list[Path], list[str]]]:
    """The files to look at, sorted, and notes; what was unpacked is gone when the context ends."""
    if path.is_dir():
        yield _in_folder(path, str(path)), []
        return
    if is_zip(path):
        with tempfile.TemporaryDirectory(prefix="pilothole-") as folder:
            _unzip(path, Path(folder))
            yield _in_folder(Path(folder), str(path)), []
        return
    yield _indexed(path)


def is_zip(path: Path) -> bool:
    """Whether the file begins as a zip file does."""
    with path.open("rb") as file:
        return file.read(2) == ZIP_MARK and zipfile.is_zipfile(path)


def _in_folder(folder: Path, where: str) -> list[Path]:
    paths: list[Path] = []
    for parent, _, names in os.walk(folder, onerror=_cannot_list):
        # A pipe or a device would be waited for forever; a broken link is kept and told when it is opened.
        paths.extend(path for name in names if (path := Path(parent) / name).is_file() or path.is_symlink())
        if len(paths) > MOST_FILES_COUNT:
            raise InputError(
                f"{where} holds more than {MOST_FILES_COUNT} files; give the folder of one series"
            )
    if not paths:
        raise InputError(f"{where} is empty; give the folder that holds the DICOM files of one series")
    return sorted(paths)


def _cannot_list(error: OSError) -> None:
    raise InputError(
        f"{error.filename} cannot be listed ({error.strerror}); check its permissions"
    ) from error


def _unzip(path: Path, folder: Path) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            entries = sorted((e for e in archive.infolist() if not e.is_dir()), key=lambda e: e.filename)
            _check_entries(entries, path, folder)
            for number, entry in enumerate(entries):
                with archive.open(entry) as content, (folder / f"{number:06d}").open("xb") as file:
                    _copy(content, file, entry.file_size, path)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise InputError(f"{path} is a damaged or unusual zip file; unpack it and give the folder") from error
    except OSError as error:
        raise InputError(f"{path} cannot be unpacked ({error.strerror}); check the disk") from error


def _check_entries(entries: list[zipfile.ZipInfo], path: Path, folder: Path) -> None:
    if len(entries) > MOST_FILES_COUNT:
        raise InputError(f"{path} holds more than {MOST_FILES_COUNT} files; give the files of one series")
    if any(_points_outside(entry.filename) for entry in entries):
        raise InputError(
            f"{path} holds a file whose name points out of the zip file; do not trust it, and get it anew"
        )
    if any(entry.flag_bits & 1 for entry in entries):
        raise InputError(f"{path} is locked with a password; unpack it and give the folder")
    total = sum(entry.file_size for entry in entries)
    if total > MOST_UNZIPPED_BYTES or total > max(HARMLESS_BYTES, LARGEST_ZIP_RATIO * path.stat().st_size):
        raise InputError(
            f"{path} would unpack to {total / 2**20:.0f} MiB from {path.stat().st_size / 2**20:.1f}, as no"
            " scan does; unpack it yourself if you trust it, and give the folder"
        )
    if total > shutil.disk_usage(folder).free:
        raise InputError(
            f"{path} needs {total / 2**20:.0f} MiB of temporary space, more than there is; unpack it"
            " elsewhere and give the folder"
        )


def _points_outside(name: str) -> bool:
    windows = PureWindowsPath(name)
    return bool(windows.drive or windows.root or PurePosixPath(name).is_absolute() or ".." in windows.parts)


def _copy(content: object, file: object, size: int, path: Path) -> None:
    """Copy no more than the directory promised, whatever the compressed data hold."""
    left = size
    while chunk := content.read(COPIED_BYTES):  # type: ignore[attr-defined]
        left -= len(chunk)
        if left < 0:
            raise InputError(f"{path} holds more than its directory says; do not trust it, and get it anew")
        file.write(chunk)  # type: ignore[attr-defined]


def _indexed(path: Path) -> tuple[list[Path], list[str]]:
    """The file itself, or the files that it names where it is a DICOMDIR."""
    elements = read_elements(path, ())
    if elements is None or elements.media_class != MediaStorageDirectoryStorage:
        return [path], []
    folder = path.parent.resolve()
    try:
        with pydicom_silent():
            index = sequences(path, [int(Tag("DirectoryRecordSequence"))])
            names = [record.get("ReferencedFileID") for record in index.get("DirectoryRecordSequence") or []]
    except Exception as error:  # pydicom raises whatever its parsing stumbles over, of no common kind
        raise InputError(f"{path} is a damaged DICOMDIR; give its folder instead") from error
    found, missing = [], 0
    for name in names[: MOST_FILES_COUNT + 1]:
        if not name:
            continue
        parts = [part.strip() for part in ([name] if isinstance(name, str) else map(str, name))]
        if any(_points_outside(part) or "/" in part or "\\" in part for part in parts):
            raise InputError(f"{path} names a file outside its own folder; do not trust it, and get it anew")
        # published: PS3.10 section 8.2, names are upper case; copies on other systems often are not.
        choices = (folder.joinpath(*parts), folder.joinpath(*(part.lower() for part in parts)))
        file = next((choice for choice in choices if choice.is_file()), None)
        if file is None:
            missing += 1
        else:
            found.append(file)
    if not found:
        raise InputError(f"{path} is a DICOMDIR and none of the files it names is there; copy the whole disc")
    notes = [f"The DICOMDIR names {missing} files that are not there."] if missing else []
    return sorted(set(found)), notes
