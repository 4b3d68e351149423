"""The scene file at work: its text, undone and redone without end, saved, watched and kept safe.

The text is the truth. Every change is made in the text and read back, so what is shown can always
be saved, comments and all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nightview.errors import NightviewError, within
from nightview.picture.files import write_beside
from nightview.scene.model import Scene
from nightview.scene.read import parse

Change = Callable[[str], str]
"""Text in, changed text out; NightviewError where it cannot be made."""


@dataclass(frozen=True, eq=False)
class Version:
    """A text that was sound, and its scene. said : what made it so, for the undo line."""

    text: str
    scene: Scene
    said: str = ""


@dataclass(frozen=True)
class Stamp:
    """By which a file is known to be as it was: when it was changed [ns], and its size."""

    time_ns: int = 0
    size: int = -1


class Document:
    """One scene file.

    version : what is shown. accept : asked before a scene is taken; raises NightviewError if it
    cannot be shown. fault : why the file on disk cannot be shown, or None.
    """

    def __init__(self, path: Path, accept: Callable[[Scene], None] = lambda scene: None) -> None:
        """Errors: as ``scene.read.read``."""
        self.path = path
        self.accept = accept
        self.fault: NightviewError | None = None
        text, self._stamp = _read(path)
        self.version = self._sound(text, "opened", None)
        self._saved = text
        self._undo: list[Version] = []
        self._redo: list[Version] = []
        self._merging: str | None = None
        self._kept: str | None = None

    # --- what is there ----------------------------------------------------------------------------

    @property
    def scene(self) -> Scene:
        """The scene that is shown."""
        return self.version.scene

    @property
    def text(self) -> str:
        """Its text."""
        return self.version.text

    @property
    def is_changed(self) -> bool:
        """Whether it differs from what was last read or saved."""
        return self.text != self._saved

    @property
    def undoes(self) -> str:
        """What the next undo takes back, or ""."""
        return self.version.said if self._undo else ""

    @property
    def redoes(self) -> str:
        """What the next redo brings back, or ""."""
        return self._redo[-1].said if self._redo else ""

    # --- changing ---------------------------------------------------------------------------------

    def change(self, change: Change, said: str, merge: str | None = None) -> bool:
        """Change the text; whether that changed anything. NightviewError, and all as it was, if not.

        merge : changes of one key, one after the other, are one step to undo: those of one drag.
        """
        text = change(self.text)
        if text == self.text:
            return False
        version = self._sound(text, said, self.scene)
        if merge is None or merge != self._merging:
            self._undo.append(self.version)
        self._redo.clear()
        self._merging = merge
        self.version = version
        return True

    def rest(self) -> None:
        """End a drag: the next change is a step of its own."""
        self._merging = None

    def undo(self) -> str:
        """Take the last step back; what it was, or ""."""
        if not self._undo:
            return ""
        said = self.version.said
        self._redo.append(self.version)
        self.version = self._undo.pop()
        self._merging = None
        return said

    def redo(self) -> str:
        """Bring back what was last undone; what it was, or ""."""
        if not self._redo:
            return ""
        self._undo.append(self.version)
        self.version = self._redo.pop()
        self._merging = None
        return self.version.said

    def _sound(self, text: str, said: str, before: Scene | None) -> Version:
        scene = parse(text, self.path.name, self.path.parent)
        if before is not None:
            scene = like(before, scene)
        with within(self.path.name):
            self.accept(scene)
        return Version(text, scene, said)

    # --- the file ---------------------------------------------------------------------------------

    def save(self, path: Path | None = None) -> None:
        """Write the text, to another file if one is named, which then is the scene's own."""
        target = path or self.path
        data = self.text.encode("utf-8")
        write_beside(target, lambda beside: beside.write_bytes(data))
        self.discard_kept()
        self.path = target
        self._saved = self.text
        self._stamp = _stamp(target)
        self.fault = None
        self._merging = None

    def poll(self) -> bool:
        """Look at the file: whether it has changed since it was last read or saved."""
        return _stamp(self.path) != self._stamp

    def reload(self) -> bool:
        """Take up the file as it stands, as one step that can be undone; whether it is another.

        Where it is wrong the last good scene stays, ``fault`` says why, and the same file is not
        tried again.
        """
        self._stamp = _stamp(self.path)
        try:
            text, self._stamp = _read(self.path)
            if text == self.text:
                version = self.version
            else:
                version = self._sound(text, "reload", self.scene)
        except NightviewError as error:
            self.fault = error
            return False
        self.fault = None
        self._saved = text
        if version is self.version:
            return False
        self._undo.append(self.version)
        self._redo.clear()
        self._merging = None
        self.version = version
        return True

    def keep_mine(self) -> None:
        """Stay with what is shown, though the file on disk is another; saving will replace it."""
        text, self._stamp = _read(self.path)
        self._saved = text

    # --- unsaved work -----------------------------------------------------------------------------

    @property
    def kept_path(self) -> Path:
        """Where unsaved work is kept, beside the scene."""
        return self.path.with_name(f".{self.path.stem}.unsaved{self.path.suffix}")

    def keep(self) -> None:
        """Keep unsaved work beside the scene, or remove what was kept where nothing is unsaved."""
        if not self.is_changed:
            if self._kept is not None:
                self.discard_kept()
            return
        if self.text == self._kept:
            return
        data = self.text.encode("utf-8")
        write_beside(self.kept_path, lambda beside: beside.write_bytes(data))
        self._kept = self.text

    def kept(self) -> str | None:
        """Work left unsaved the last time, or None."""
        try:
            text, _ = _read(self.kept_path)
        except NightviewError:
            return None
        return None if text == self.text else text

    def take_kept(self) -> None:
        """Go on with the work left unsaved; NightviewError if it cannot be shown."""
        text = self.kept()
        if text is not None:
            self.change(lambda _: text, "unsaved work")
            self._kept = text

    def discard_kept(self) -> None:
        """Throw away what was kept."""
        self.kept_path.unlink(missing_ok=True)
        self._kept = None


def like(before: Scene, scene: Scene) -> Scene:
    """The scene with all that is as it was being the very same objects: steps to undo then cost little
    memory, and a lamp that has not changed need not be placed anew (``site.build.relit``)."""
    kept: dict[str, object] = {}
    for key in Scene.model_fields:
        old, new = getattr(before, key), getattr(scene, key)
        if old == new:
            kept[key] = old
        elif isinstance(old, tuple) and isinstance(new, tuple):
            known = {_name(one): one for one in old}
            kept[key] = tuple(
                known[_name(one)] if known.get(_name(one)) == one else one for one in new
            )
    same = scene.model_copy(update=kept)
    same._folder = scene._folder
    return same


def _name(table: object) -> object:
    return getattr(table, "id", None) or getattr(table, "name", None)


def _read(path: Path) -> tuple[str, Stamp]:
    stamp = _stamp(path)
    try:
        return path.read_bytes().decode("utf-8-sig"), stamp
    except FileNotFoundError:
        raise NightviewError(str(path), "there is no such file", "check its name") from None
    except IsADirectoryError:
        raise NightviewError(str(path), "is a folder", "name the scene file in it") from None
    except UnicodeDecodeError:
        raise NightviewError(path.name, "is not UTF-8 text", "save it as UTF-8") from None
    except (OSError, ValueError) as error:
        raise NightviewError(str(path), f"cannot be read: {error}") from None


def _stamp(path: Path) -> Stamp:
    try:
        found = path.stat()
    except (OSError, ValueError):
        return Stamp()
    return Stamp(found.st_mtime_ns, found.st_size)
