"""The photo from its file: upright, in sRGB, at most 1600 pixels wide; what is no photo is refused."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, ImageOps

from nightview.errors import NightviewError
from nightview.lamps.colour import srgb_decode, srgb_encode

WIDEST_PX = 1600
MOST_PIXELS = 100_000_000
LEAST_PX = 200
"""A smaller photo cannot be marked to a useful pixel."""
FILM_DIAGONAL_M = 0.043267
"""Of a 36 × 24 mm frame. Cameras state "focal length in 35 mm film" (Exif 2.3, tag 0xA405) by the
diagonal, since sensors differ in shape: CIPA's guideline, from memory."""

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class PhotoImage:
    """A photo as it is worked with.

    srgb : (h, w, 3) float32, codes 0 to 1 as shown, row 0 at the top, upright.
    focal_35mm_m : the file's own focal length as on 35 mm film [m], or None.
    scale : pixels here for one of the upright file's; 1 unless it was wider than 1600.
    name : the file's name, for messages. fine : (H, W, 3) uint8, the upright file itself where it is
    larger and was asked for.
    """

    srgb: Floats
    focal_35mm_m: float | None
    scale: float
    name: str
    fine: NDArray[np.uint8] | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height here [px]."""
        return self.srgb.shape[1], self.srgb.shape[0]


def linear(srgb: Floats) -> Floats:
    """Codes 0 to 1 to linear light 0 to 1, any shape (IEC 61966-2-1)."""
    return srgb_decode(srgb).astype(np.float32)


def focal_px(focal_35mm_m: float, size: tuple[int, int]) -> float:
    """A focal length as on 35 mm film in pixels of a picture, by its diagonal."""
    return focal_35mm_m / FILM_DIAGONAL_M * float(np.hypot(*size))


def read_photo(path: Path, key: str, fine: bool = False) -> PhotoImage:
    """The photo of a file. key : where the scene names it, for messages, as 'photo "front": file'.
    fine : keep the file's own pixels too, to look at closely.

    16-bit, grey, CMYK and see-through pictures, other colour spaces with a profile, and turned ones
    are taken. Raises NightviewError for a missing file, one that is no picture or is torn, and one
    that is too large or too small.
    """
    where = f"{key} = {str(path.name)!r}".replace("'", '"')
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        problem = f"there is no such file in {path.parent.resolve()}"
        raise NightviewError(
            where, problem, "check its name; it belongs beside the scene"
        ) from None
    except IsADirectoryError:
        raise NightviewError(where, "is a folder", "name the photo in it") from None
    except OSError as error:
        raise NightviewError(
            where, f"cannot be read ({error.strerror})", "check the file"
        ) from None
    except ValueError:  # a null character
        raise NightviewError(where, "is no file name", "check its name") from None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its size we speak ourselves, of odd tags nobody need
        try:
            image = Image.open(BytesIO(raw))
        except Image.DecompressionBombError:
            raise _too_large(where, "more than 170") from None
        except Exception:  # what is no picture fails in many ways
            raise NightviewError(
                where, "is no picture that can be read", "give a JPEG, PNG or TIFF file"
            ) from None
        _check_size(where, *image.size)
        try:
            return _upright(image, path.name, where, fine)
        except NightviewError:
            raise
        except Exception as error:
            what = str(error).strip() or type(error).__name__
            raise NightviewError(
                where, f"is a torn or unusual picture ({what[:80]})", "save it anew as a JPEG file"
            ) from None


def _too_large(where: str, millions: str) -> NightviewError:
    most = MOST_PIXELS // 1_000_000
    problem = f"has {millions} million pixels, more than {most} million"
    return NightviewError(where, problem, "save it smaller: 4000 pixels wide is plenty")


def _check_size(where: str, width: int, height: int) -> None:
    if width * height > MOST_PIXELS:
        raise _too_large(where, f"{width * height / 1e6:.0f}")
    if min(width, height) < LEAST_PX:
        problem = f"is {width} x {height} pixels, too small to find corners in"
        raise NightviewError(where, problem, f"give a photo of {LEAST_PX} pixels or more each way")


def _upright(image: Image.Image, name: str, where: str, fine: bool) -> PhotoImage:
    focal = _focal_35mm_m(image)
    profile = image.info.get("icc_profile")
    image = ImageOps.exif_transpose(image)
    scale = min(1.0, WIDEST_PX / image.size[0])
    codes = _deep_codes(image, where) if _deep(image) else _rgb(image, profile)
    shown = _reduced(codes, scale) if scale < 1.0 else _shares(codes)
    kept = None
    if fine and scale < 1.0:
        kept = np.asarray(codes if codes.dtype == np.uint8 else np.rint(255 * codes), np.uint8)
    return PhotoImage(np.ascontiguousarray(shown, np.float32), focal, scale, name, kept)


def _shares(codes: NDArray[np.uint8] | Floats) -> Floats:
    """Codes as 0 to 1."""
    return (codes / np.float32(255.0 if codes.dtype == np.uint8 else 1.0)).astype(np.float32)


def _focal_35mm_m(image: Image.Image) -> float | None:
    """The tag FocalLengthIn35mmFilm, whole millimetres; 0 says that it is unknown (Exif 2.3)."""
    try:
        stated = image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal = 1e-3 * float(stated or 0.0)
    except Exception:  # torn tags are as good as none
        return None
    return focal if 0.005 < focal <= 2.0 else None


def _deep(image: Image.Image) -> bool:
    return image.mode.startswith("I") or image.mode == "F"


def _deep_codes(image: Image.Image, where: str) -> Floats:
    """A grey picture of more than 8 bits; the code of white is the format's largest."""
    grey = np.asarray(image).astype(np.float32)
    if image.mode == "F":
        white = 1.0
        if not np.isfinite(grey).all() or grey.min() < 0.0 or grey.max() > 1.0:
            raise NightviewError(
                where,
                "holds numbers beyond 0 to 1, so is no developed photo",
                "save it as a JPEG file",
            )
    else:
        white = 65535.0
    return np.repeat(np.clip(grey / white, 0.0, 1.0)[..., None], 3, axis=2)


def _rgb(image: Image.Image, profile: bytes | None) -> NDArray[np.uint8]:
    """8-bit codes (h, w, 3) as sRGB: by the picture's own profile where it has one."""
    if image.mode in ("P", "LA", "PA", "RGBA", "RGBa", "La"):
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(white, image).convert("RGB")
    if profile and image.mode in ("RGB", "CMYK", "L"):
        try:
            own = ImageCms.ImageCmsProfile(BytesIO(profile))
            done = ImageCms.profileToProfile(
                image, own, ImageCms.createProfile("sRGB"), outputMode="RGB"
            )
            image = done if done is not None else image
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass  # an unfit profile: the codes are taken as they are
    return np.asarray(image.convert("RGB"))


def _reduced(codes: NDArray[np.uint8] | Floats, scale: float) -> Floats:
    """The picture reduced in linear light, so that fine bright detail keeps its brightness.

    What is left over below a whole row is cut off, so that the scale is the same both ways.
    """
    height, width = codes.shape[:2]
    size = (round(width * scale), int(height * scale))
    box = (0.0, 0.0, size[0] / scale, min(size[1] / scale, float(height)))
    table = srgb_decode(np.arange(256) / 255.0).astype(np.float32)
    out = np.empty((size[1], size[0], 3), np.float32)
    for channel in range(3):
        own = codes[..., channel]
        light = table[own] if own.dtype == np.uint8 else linear(_shares(own))
        plane = Image.fromarray(light, "F").resize(size, Image.Resampling.BICUBIC, box)
        out[..., channel] = srgb_encode(np.asarray(plane))
    return out
