"""A folder that is written whole: its files, and a manifest from which it can be made again.

Everything is made first, then written into a folder within, then put in place; the manifest is last.
That inner folder has another name once it is complete, so a run that was cut short, even by the
power, is either forgotten or finished by the next. A folder that holds anything else, or files that
were changed since, is left alone.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from nightview.errors import NightviewError
from nightview.picture.files import write_beside

FORMAT = "nightview pack 1"
MANIFEST = "manifest.json"
BEGUN, COMPLETE = ".nightview-begun", ".nightview-complete"
"""Where new files are written, and the same folder once all of them are."""
TOLD_AT_MOST = 5


@dataclass(frozen=True)
class Made:
    """A part. files : content by name, "/" between folders. source : what it was made from: hashes of
    files by name, the state, our version."""

    files: Mapping[str, bytes]
    source: Mapping[str, str]


def sha256(data: bytes) -> str:
    """The SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a folder; empty where there is none that is ours."""
    try:
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        return {}
    parts = found.get("parts")
    good = isinstance(parts, dict) and all(
        isinstance(part, dict) and isinstance(part.get("files"), dict)
        and all(_inside(name) and isinstance(code, str) for name, code in part["files"].items())
        for part in parts.values()
    )  # fmt: skip
    return found if good else {}


def _inside(name: str) -> bool:
    """Whether a name in a manifest stays inside its folder."""
    path = PurePosixPath(name)
    return bool(name) and not path.is_absolute() and ".." not in path.parts and "\\" not in name


def _files_of(manifest: Mapping[str, Any]) -> dict[str, str]:
    """Every file of a manifest with its hash."""
    return {
        name: code
        for part in manifest.get("parts", {}).values()
        for name, code in part["files"].items()
    }


def check_free(folder: Path, overwrite: bool = False) -> dict[str, Any]:
    """The manifest of the pack that a folder holds; empty for a new or empty folder.

    Errors: NightviewError where it holds files that no pack of ours wrote, or some of ours that were
    changed since; with overwrite the changed ones may be replaced, never the others.
    """
    if not folder.exists():
        return {}
    if not folder.is_dir():
        raise NightviewError(str(folder), "is no folder", "choose another with --out")
    settle(folder)
    manifest = read_manifest(folder)
    ours = _files_of(manifest)
    there = sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()
    )
    others = [name for name in there if name not in ours and not (manifest and name == MANIFEST)]
    if others:
        raise NightviewError(
            str(folder), f"holds files that are not of a pack: {_listed(others)}",
            "choose another folder with --out, or move them; nothing was changed",
        )  # fmt: skip
    if not overwrite:
        changed = [name for name in there if name in ours and _hash_of(folder / name) != ours[name]]
        if changed:
            raise NightviewError(
                str(folder), f"files of the pack were changed since: {_listed(changed)}",
                "choose another folder with --out, or add --overwrite; nothing was changed",
            )  # fmt: skip
    return manifest


def _hash_of(path: Path) -> str:
    """Of a file; "" for one that cannot be read."""
    try:
        return sha256(path.read_bytes())
    except OSError:
        return ""


def _listed(names: list[str]) -> str:
    more = len(names) - TOLD_AT_MOST
    told = ", ".join(names[:TOLD_AT_MOST])
    return f"{told} and {more} more" if more > 0 else told


def write_pack(
    folder: Path, before: Mapping[str, Any], about: Mapping[str, Any], made: Mapping[str, Made]
) -> list[Path]:
    """Put the parts in their place, with those of the pack before that are not made anew; what these
    parts held before and no longer do goes. The paths written.

    about : what the manifest says of the pack. Errors: NightviewError where it cannot be written;
    the files that were there are then still there.
    """
    parts = dict(before.get("parts", {}))
    for name, part in made.items():
        parts[name] = {
            "files": {file: sha256(data) for file, data in sorted(part.files.items())},
            "made from": dict(sorted(part.source.items())),
        }
    manifest = {"format": FORMAT, **about, "parts": dict(sorted(parts.items()))}
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    files = {file: data for part in made.values() for file, data in part.files.items()}
    begun, fresh = folder / BEGUN, not folder.exists()
    try:
        for file, data in {**files, MANIFEST: text.encode("utf-8")}.items():
            path = begun / file
            _make(path.parent)
            write_beside(path, lambda beside, data=data: beside.write_bytes(data))  # type: ignore[misc]
        _into_place(begun, folder / COMPLETE)
    except BaseException:
        shutil.rmtree(folder if fresh else begun, ignore_errors=True)
        raise
    _put_in_place(folder)
    return [*(folder / file for file in files), folder / MANIFEST]


def settle(folder: Path) -> None:
    """Bring a folder in order in which an earlier run was cut short: what was complete is put in its
    place, what was not is thrown away; so is all of it where a file was lost or was changed since."""
    shutil.rmtree(folder / BEGUN, ignore_errors=True)
    complete = folder / COMPLETE
    if not complete.is_dir():
        return
    before, after = (_files_of(read_manifest(place)) for place in (folder, complete))
    for file in _waiting(complete):
        now = _hash_of(folder / file)
        if _hash_of(complete / file) != after.get(file) or now not in ("", before.get(file)):
            shutil.rmtree(complete, ignore_errors=True)
            return
    _put_in_place(folder)


def _put_in_place(folder: Path) -> None:
    """Move the complete new files over the old ones, the manifest last. Cut short at any point, the
    same again does the rest."""
    complete = folder / COMPLETE
    for file in _waiting(complete):
        _make((folder / file).parent)
        _into_place(complete / file, folder / file)
    before, after = (_files_of(read_manifest(place)) for place in (folder, complete))
    if (complete / MANIFEST).exists():
        for file in set(before) - set(after):
            (folder / file).unlink(missing_ok=True)
        _into_place(complete / MANIFEST, folder / MANIFEST)
    shutil.rmtree(complete, ignore_errors=True)


def _waiting(complete: Path) -> list[str]:
    """Files that are not in their place yet, without the manifest."""
    files = (one for one in complete.rglob("*") if one.is_file())
    return sorted(
        name for one in files if (name := one.relative_to(complete).as_posix()) != MANIFEST
    )


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NightviewError(
            str(folder), f"cannot be made a folder ({error.strerror})", "choose another with --out"
        ) from None


def _into_place(source: Path, target: Path) -> None:
    try:
        os.replace(source, target)
    except OSError as error:
        raise NightviewError(
            str(target), f"cannot be written ({error.strerror})", "choose another with --out"
        ) from None
