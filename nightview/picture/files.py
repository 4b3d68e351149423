"""Writing a file whole or not at all: beside its place first, then renamed into it."""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
from collections.abc import Callable
from pathlib import Path

from nightview.errors import NightviewError

_REMEDIES = {
    errno.ENOSPC: "free some room on the disk",
    errno.EDQUOT: "free some of your quota on the disk",
    errno.EFBIG: "the file is larger than is allowed here; choose another place",
    errno.EACCES: "choose a folder you may write to",
    errno.EPERM: "choose a folder you may write to",
    errno.EROFS: "this disk is read-only; choose another place",
    errno.ENAMETOOLONG: "choose a shorter name",
}
_serial = itertools.count()


def write_beside(path: str | os.PathLike[str], writer: Callable[[Path], object]) -> None:
    """Have ``writer`` make the file under a temporary name, then rename it to ``path``.

    writer : is given a path in the same folder and with the same suffix, and writes it.
    A file that stood there before is replaced only by a complete one; whatever goes wrong, the
    temporary file is removed. Links are followed. NightviewError if the folder is missing, is
    not a folder or may not be written to, if ``path`` is a folder or device, if the disk is full.
    """
    target = Path(os.path.realpath(path))
    beside = target.with_name(f".nightview-{os.getpid()}-{next(_serial)}{target.suffix}")
    try:
        _check(str(path), target)
        writer(beside)
        os.replace(beside, target)
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = _REMEDIES.get(error.errno or 0, "choose another place")
        raise NightviewError(str(path), f"cannot write it ({reason})", remedy) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()


def refuse_foreign(
    path: str | os.PathLike[str],
    overwrite: bool,
    is_ours: Callable[[str | os.PathLike[str]], bool],
    what: str,
) -> None:
    """Stop before a file is replaced that is none of ours (what : "picture"), unless asked to."""
    if not overwrite and os.path.exists(path) and not is_ours(path):
        raise NightviewError(
            str(path), f"this file is there already and is no {what} of nightview's",
            "choose another folder with --out, or add --overwrite",
        )  # fmt: skip


def _check(shown: str, target: Path) -> None:
    """Refuse what cannot become a file, in plain words."""
    folder = target.parent
    if target.is_dir():
        raise NightviewError(shown, "this is a folder, a file was expected", "add a file name")
    if target.exists() and not target.is_file():
        raise NightviewError(shown, "this is not an ordinary file", "choose another name")
    if not folder.exists():
        raise NightviewError(shown, f'there is no folder "{folder}"', "make the folder first")
    if not folder.is_dir():
        raise NightviewError(shown, f'"{folder}" is not a folder', "choose another place")
