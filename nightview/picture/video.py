"""Frames → a video or a GIF, written whole or not at all; the same frames give the same bytes.

ffmpeg does the work: the binary that the package imageio-ffmpeg brings, or the one that the
environment variable IMAGEIO_FFMPEG_EXE names.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.picture.files import refuse_foreign, write_beside

Pixels = NDArray[np.uint8]

MARK = "nightview"
"""Stands in every file's metadata, so that we know our own again."""
INSTALL = "pip install imageio-ffmpeg, or set IMAGEIO_FFMPEG_EXE to an ffmpeg of your own"

# One thread and no encoder's signature: the same bytes each time. aq-mode 3 spends bits on dark
# areas, where a night has its gradients, and a finer chroma keeps them free of blotches. The
# colours are sRGB's, and said to be.
_H264 = (
    "-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p,setparams=range=tv:"
    "colorspace=bt709:color_primaries=bt709:color_trc=iec61966-2-1",
    "-c:v", "libx264", "-profile:v", "high", "-preset", "veryfast",
    "-x264-params", "aq-mode=3:chroma-qp-offset=-3", "-threads", "1",
    "-flags:v", "+bitexact", "-fflags", "+bitexact", "-movflags", "+faststart", "-map_metadata", "-1",
)  # fmt: skip
# One palette from all frames. The ordered dither is a fixed grid on the screen: it cannot crawl.
_GIF = (
    "split[a][b];[a]palettegen=stats_mode=full[p];"
    "[b][p]paletteuse=dither=bayer:bayer_scale=4:diff_mode=rectangle"
)


def find_ffmpeg() -> str:
    """Where ffmpeg is. NightviewError where there is none that runs."""
    try:
        import imageio_ffmpeg

        exe = str(imageio_ffmpeg.get_ffmpeg_exe())
        subprocess.run([exe, "-version"], capture_output=True, check=True, timeout=60)
    except ImportError:
        raise NightviewError("video", "the package imageio-ffmpeg is missing", INSTALL) from None
    except (OSError, RuntimeError, subprocess.SubprocessError) as error:
        problem = f"no ffmpeg was found that runs ({error})"
        raise NightviewError("video", problem, INSTALL) from None
    return exe


def write_video(
    path: str | os.PathLike[str],
    frames: Iterable[Pixels],
    fps: float,
    texts: Mapping[str, str] | None = None,
    quality: int = 20,
) -> None:
    """Write frames (h, w, 3) uint8 sRGB as MP4: H.264, yuv420p, ready to play while it loads.

    fps : frames a second. texts : what the file says of itself, as ``write_png``'s.
    quality : x264's constant rate factor; 18 can hardly be told from the frames, 23 is half as large.
    Height and width must be even. Whatever goes wrong, nothing is left behind and a file that stood
    there stays. NightviewError without ffmpeg, where it cannot be written, for odd sizes, without
    frames.
    """
    stream, (height, width) = _sized(path, frames)
    if height % 2 or width % 2:
        raise NightviewError(
            str(path), f"{width}x{height}: video needs an even width and height",
            f'write for example "{width + width % 2}x{height + height % 2}"',
        )  # fmt: skip
    said = {"title": (texts or {}).get("Title", ""), "comment": _comment(texts)}
    tags = itertools.chain.from_iterable(("-metadata", f"{key}={said[key]}") for key in said)
    options = [*_H264, "-crf", str(quality), *tags, "-f", "mp4"]
    write_beside(path, lambda beside: _encode(path, beside, stream, (width, height), fps, options))


def write_gif(
    path: str | os.PathLike[str],
    frames: Iterable[Pixels],
    fps: float,
    texts: Mapping[str, str] | None = None,
    width: int = 400,
) -> None:
    """Write frames (h, w, 3) uint8 sRGB as a GIF that plays for ever, 256 colours for all frames.

    width : frames wider than this are made smaller. fps : at most 50; GIF counts hundredths of a
    second. Errors as ``write_video``, but any size will do.
    """
    stream, (height, own_width) = _sized(path, frames)
    smaller = "" if own_width <= width else f"scale={width}:-1:flags=area,"
    options = ["-filter_complex", smaller + _GIF, "-loop", "0", "-threads", "1",
               "-filter_complex_threads", "1", "-fflags", "+bitexact", "-f", "gif"]  # fmt: skip

    def make(beside: Path) -> None:
        _encode(path, beside, stream, (own_width, height), fps, options)
        # ffmpeg writes no comment; it goes before the file's last byte (GIF89a, section 24).
        said = _comment(texts).encode("ascii", "replace")[:255]
        with open(beside, "r+b") as out:
            out.seek(-1, os.SEEK_END)
            out.write(b"\x21\xfe" + bytes([len(said)]) + said + b"\x00\x3b")

    write_beside(path, make)


def refuse_foreign_video(path: str | os.PathLike[str], overwrite: bool) -> None:
    """Stop before a file is replaced that is no video of ours, unless asked to."""
    refuse_foreign(path, overwrite, _is_ours, "video")


def _is_ours(path: str | os.PathLike[str]) -> bool:
    """Whether a file's own description bears our mark: an MP4's moov box, a GIF's last comment."""
    mark = f"{MARK};".encode()
    with suppress(OSError), open(path, "rb") as file:
        head = file.read(8)
        if head[:4] == b"GIF8":
            file.seek(-min(300, os.path.getsize(path)), os.SEEK_END)
            return mark in file.read()
        while len(head) == 8 and head[4:] != b"mdat":
            length = int.from_bytes(head[:4], "big") - 8
            if length < 0:
                return False
            if head[4:] == b"moov":
                return mark in file.read(length)
            file.seek(length, os.SEEK_CUR)
            head = file.read(8)
    return False


def _comment(texts: Mapping[str, str] | None) -> str:
    told = {key: value for key, value in (texts or {}).items() if key not in ("Title", "Software")}
    return "; ".join([MARK, *(f"{key}: {value}" for key, value in told.items())])


def _sized(
    path: str | os.PathLike[str], frames: Iterable[Pixels]
) -> tuple[Iterator[Pixels], tuple[int, int]]:
    """The frames, and the first one's height and width."""
    stream = iter(frames)
    first = next(stream, None)
    if first is None:
        raise NightviewError(str(path), "there are no frames to write", "give at least one")
    return itertools.chain([first], stream), (first.shape[0], first.shape[1])


def _encode(
    path: str | os.PathLike[str],
    beside: Path,
    frames: Iterable[Pixels],
    size: tuple[int, int],
    fps: float,
    options: list[str],
) -> None:
    """Have ffmpeg make a file of raw frames."""
    command = [
        find_ffmpeg(), "-hide_banner", "-loglevel", "error", "-nostdin", "-y",
        "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{size[0]}x{size[1]}", "-r", f"{fps:g}",
        "-i", "pipe:", *options, str(beside),
    ]  # fmt: skip
    with tempfile.TemporaryFile() as log, _running(command, log) as (pipe, wait):
        try:
            for frame in frames:
                if frame.shape != (size[1], size[0], 3) or frame.dtype != np.uint8:
                    raise ValueError(f"a frame of {frame.shape} {frame.dtype} among {size}")
                pipe.write(np.ascontiguousarray(frame).data)
            pipe.close()
        except BrokenPipeError:
            pass  # ffmpeg has ended; its own words say why
        if wait() != 0:
            log.seek(0)
            told = log.read().decode(errors="replace").strip().splitlines()
            why = told[-1].strip() if told else "no reason given"
            raise NightviewError(
                str(path),
                f"ffmpeg could not write it ({why})",
                "see that there is room on the disk",
            )


@contextmanager
def _running(command: list[str], log: IO[bytes]) -> Iterator[tuple[IO[bytes], Callable[[], int]]]:
    """A child with a pipe into it: its pipe and its wait. It never outlives the block.

    It has a session of its own, so that control-C comes to us alone and we end it in order.
    """
    child = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True
    )
    assert child.stdin is not None
    try:
        yield child.stdin, child.wait
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
        with suppress(OSError):
            child.stdin.close()
