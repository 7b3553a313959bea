"""Replace a whole folder by another at one instant, so that no mixture of old and new files can be found.

The new folder is built beside the old one under a hidden name, forced to the disk, and the two names are
exchanged by one system call (Linux ``renameat2`` with RENAME_EXCHANGE). Where the system has no such call,
the old folder steps aside and the new one takes its name; a program killed between the two leaves the old one
aside, and ``recover`` puts it back before anything is read. What killed runs left behind is removed by the
next one.
"""

from __future__ import annotations

import ctypes
import errno
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from segmentation.files import flush_folder, hold, literal, refusals_as_sentences, shown

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
"""From Linux <fcntl.h> and <linux/fs.h>."""


def replace_folder(folder: Path, build: Callable[[Path], None], *, keep: Callable[[str], bool]) -> None:
    """Let ``build`` fill a new folder, then give it the place of ``folder`` in one step.

    ``folder`` may be missing or empty. What it holds is carried over where ``keep`` says so of the name at
    its top. Raises InputError where the system refuses; ``folder`` is then as it was.
    """
    folder = Path(os.path.realpath(folder))
    with refusals_as_sentences(f"cannot write the folder {shown(folder.name)}"):
        folder.parent.mkdir(parents=True, exist_ok=True)
        remove_leftovers(folder)
        with _locked_sibling(folder, "partial") as partial:
            build(partial)
            if folder.exists():
                _carry_over(folder, partial, keep)
                shutil.copymode(folder, partial)
            flush_folder(partial)
            _take_place(partial, folder)
            flush_folder(folder.parent)


def recover(folder: Path) -> None:
    """Put back an old folder that a killed run left aside. Does nothing where there is none."""
    folder = Path(os.path.realpath(folder))
    if folder.exists() or not folder.parent.is_dir():
        return
    aside = sorted(folder.parent.glob(_pattern(folder, "old")))
    if len(aside) == 1:
        with refusals_as_sentences(f"cannot restore the folder {shown(folder.name)}"):
            aside[0].rename(folder)


def remove_leftovers(folder: Path) -> None:
    """Remove the hidden siblings of ``folder`` that killed runs left and that no run holds."""
    recover(folder)
    leftovers = [*folder.parent.glob(_pattern(folder, "partial"))]
    if folder.exists():
        leftovers += folder.parent.glob(_pattern(folder, "old"))
    for leftover in leftovers:
        with hold(leftover) as free:
            if free:
                shutil.rmtree(leftover, ignore_errors=True)


def _pattern(folder: Path, kind: str) -> str:
    return f".{literal(folder.name)}.{kind}-" + "[0-9a-f]" * 8


@contextmanager
def _locked_sibling(folder: Path, kind: str) -> Iterator[Path]:
    sibling = folder.with_name(f".{folder.name}.{kind}-{secrets.token_hex(4)}")
    sibling.mkdir()
    try:
        with hold(sibling):
            yield sibling
    finally:
        # After the exchange this is the old folder under the hidden name; after a plain rename it is gone.
        shutil.rmtree(sibling, ignore_errors=True)


def _carry_over(old: Path, new: Path, keep: Callable[[str], bool]) -> None:
    for entry in old.iterdir():
        target = new / entry.name
        if not keep(entry.name) or target.exists():
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.copytree(entry, target, symlinks=True, copy_function=_link_or_copy)
        else:
            _link_or_copy(str(entry), str(target), follow_symlinks=False)


def _link_or_copy(source: str, target: str, *, follow_symlinks: bool = True) -> None:
    try:
        os.link(source, target, follow_symlinks=follow_symlinks)
    except OSError:
        shutil.copy2(source, target, follow_symlinks=follow_symlinks)


def _take_place(new: Path, folder: Path) -> None:
    if not folder.exists() or not any(folder.iterdir()):
        os.rename(new, folder)  # noqa: PTH104 — over an empty folder this is one step by POSIX
    elif not exchange(new, folder):
        aside = folder.with_name(new.name.replace(".partial-", ".old-"))
        folder.rename(aside)
        new.rename(folder)
        shutil.rmtree(aside, ignore_errors=True)


def exchange(one: Path, other: Path) -> bool:
    """Swap two names in one step; False where this system or this disk cannot."""
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if os.name == "posix" else None
    if call is None:
        return False
    if call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    # EPERM: a container that forbids the call; EXDEV: a layered file system; the rest: old kernels and disks.
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM, errno.EXDEV):
        return False
    raise OSError(code, os.strerror(code))
