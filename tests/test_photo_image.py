"""Photos as they come: turned, grey, see-through, of four inks, of sixteen bits, torn, or none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageCms

from nightview.errors import NightviewError
from nightview.photo.image import PhotoImage, focal_px, linear, read_photo

KEY = 'photo "front": file'


def saved(path: Path, pixels: np.ndarray, **how) -> PhotoImage:
    Image.fromarray(pixels).save(path, **how)
    return read_photo(path, KEY)


def picture(width: int = 320, height: int = 240) -> np.ndarray:
    """Red to the right, green downwards, a blue mark in the upper left corner."""
    y, x = np.mgrid[0:height, 0:width]
    out = np.stack([255 * x / width, 255 * y / height, 0 * x], axis=2).astype(np.uint8)
    out[:40, :60] = (0, 0, 255)
    return out


def fault(path: Path) -> str:
    with pytest.raises(NightviewError) as caught:
        read_photo(path, KEY)
    assert str(caught.value).startswith(f'{KEY} = "{path.name}": ')
    assert caught.value.remedy
    return str(caught.value)


# --- what is taken --------------------------------------------------------------------------------


def test_a_small_photo_is_taken_as_it_is(tmp_path: Path) -> None:
    pixels = picture()
    image = saved(tmp_path / "a.png", pixels)
    assert image.srgb.dtype == np.float32 and image.srgb.shape == (240, 320, 3)
    assert np.abs(image.srgb - pixels / 255.0).max() < 1e-6
    assert (image.scale, image.focal_35mm_m, image.name, image.size) == (
        1.0,
        None,
        "a.png",
        (320, 240),
    )


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_turns_are_undone(tmp_path: Path, orientation: int) -> None:
    """The eight orientations as the Exif standard (2.3, tag 0x0112) draws them: where the stored row
    0 and column 0 are when the picture is upright."""
    upright = picture()
    stored = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: upright.transpose(1, 0, 2),
        6: np.rot90(upright, 1),
        7: upright[::-1, ::-1].transpose(1, 0, 2),
        8: np.rot90(upright, -1),
    }[orientation]
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    image = saved(tmp_path / "a.png", np.ascontiguousarray(stored), exif=exif)
    assert image.size == (320, 240)
    assert np.abs(image.srgb - upright / 255.0).max() < 1e-6


def test_the_focal_length_is_read(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    image = saved(tmp_path / "a.jpg", picture(), exif=exif)
    assert image.focal_35mm_m == pytest.approx(0.026)
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 0  # "unknown", Exif 2.3
    assert saved(tmp_path / "b.jpg", picture(), exif=exif).focal_35mm_m is None


def test_focal_lengths_go_by_the_diagonal() -> None:
    """On a 36 x 24 frame both ways of counting agree: 36 mm is one width, whatever the turn."""
    assert focal_px(0.036, (3600, 2400)) == pytest.approx(3600, rel=1e-4)
    assert focal_px(0.036, (2400, 3600)) == pytest.approx(3600, rel=1e-4)
    assert focal_px(0.0432666, (4000, 3000)) == pytest.approx(5000, rel=1e-4)


def test_a_wide_photo_is_reduced_in_linear_light(tmp_path: Path) -> None:
    """A board of black and white rows: half the light is code 188, not 128 (IEC 61966-2-1)."""
    board = np.zeros((1200, 3200, 3), np.uint8)
    board[::2] = 255
    image = saved(tmp_path / "a.png", board)
    assert image.size == (1600, 600) and image.scale == 0.5
    within = image.srgb[2:-2]  # at the rim there is a row too few to average with
    assert np.abs(linear(within) - 0.5).max() < 0.005
    assert np.abs(within * 255 - 188).max() < 0.6


@pytest.mark.parametrize(("width", "height"), [(4000, 3000), (3024, 4031), (1601, 999)])
def test_the_scale_is_the_same_both_ways(tmp_path: Path, width: int, height: int) -> None:
    """A white dot in the file is found where its pixel times the scale says."""
    pixels = np.zeros((height, width, 3), np.uint8)
    x, y = int(0.81 * width), int(0.93 * height)
    pixels[y - 6 : y + 6, x - 6 : x + 6] = 255
    image = saved(tmp_path / "a.png", pixels)
    assert image.size[0] == 1600 and image.scale == 1600 / width
    light = linear(image.srgb)[..., 0]
    rows, columns = np.mgrid[0 : light.shape[0], 0 : light.shape[1]] + 0.5
    found = [(light * at).sum() / light.sum() for at in (columns, rows)]
    assert found == pytest.approx([x * image.scale, y * image.scale], abs=0.05)


def test_sixteen_bits_and_grey(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 300 * 200).reshape(200, 300)
    deep = saved(tmp_path / "a.png", ramp.astype(np.uint16))
    assert np.abs(deep.srgb - (ramp / 65535)[..., None]).max() < 1e-4
    flat = saved(tmp_path / "b.tif", (ramp / 257).astype(np.uint8))
    assert np.abs(flat.srgb - deep.srgb).max() < 1 / 255
    real = saved(tmp_path / "c.tif", (ramp / 65535).astype(np.float32))
    assert np.abs(real.srgb - deep.srgb).max() < 1e-4


def test_four_inks(tmp_path: Path) -> None:
    """No ink is white, all black ink is black; cyan alone has no red."""
    inks = np.zeros((240, 320, 4), np.uint8)
    inks[:, 100:200, 3] = 255
    inks[:, 200:, 0] = 255
    Image.fromarray(inks, "CMYK").save(tmp_path / "a.tif")
    image = read_photo(tmp_path / "a.tif", KEY)
    assert image.srgb[0, 50] == pytest.approx([1, 1, 1], abs=0.02)
    assert image.srgb[0, 150] == pytest.approx([0, 0, 0], abs=0.02)
    assert image.srgb[0, 250, 0] < 0.1 < 0.5 < image.srgb[0, 250, 2]


def test_see_through_and_few_colours(tmp_path: Path) -> None:
    clear = np.dstack([picture(), np.full((240, 320), 255, np.uint8)])
    clear[200:, :, 3] = 0
    image = saved(tmp_path / "a.png", clear)
    assert np.abs(image.srgb[:200] - picture()[:200] / 255.0).max() < 1e-6
    assert (image.srgb[200:] == 1.0).all()
    Image.fromarray(picture()).quantize(8).save(tmp_path / "b.png")
    assert read_photo(tmp_path / "b.png", KEY).srgb.shape == (240, 320, 3)


def test_a_colour_profile_is_used_and_a_bad_one_is_not(tmp_path: Path) -> None:
    own = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain = picture()
    assert (
        np.abs(saved(tmp_path / "a.png", plain, icc_profile=own).srgb - plain / 255.0).max() < 0.01
    )
    assert (
        np.abs(
            saved(tmp_path / "b.png", plain, icc_profile=b"no profile").srgb - plain / 255.0
        ).max()
        < 1e-6
    )


# --- what is not ----------------------------------------------------------------------------------


def test_missing_file_and_folder(tmp_path: Path) -> None:
    assert "there is no such file" in fault(tmp_path / "none.jpg")
    (tmp_path / "photos.jpg").mkdir()
    assert "is a folder" in fault(tmp_path / "photos.jpg")


def test_no_picture(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_text("a letter to the client")
    assert "is no picture" in fault(tmp_path / "a.jpg")
    (tmp_path / "b.jpg").write_bytes(b"")
    assert "is no picture" in fault(tmp_path / "b.jpg")


def test_a_torn_picture(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "a.jpg")
    raw = (tmp_path / "a.jpg").read_bytes()
    (tmp_path / "a.jpg").write_bytes(raw[: len(raw) // 2])
    assert "torn" in fault(tmp_path / "a.jpg")


@pytest.mark.parametrize("side", [10_001, 14_000])  # over our limit, and over that of Pillow
def test_too_many_pixels(tmp_path: Path, side: int) -> None:
    Image.new("1", (side, side)).save(tmp_path / "a.png")
    told = fault(tmp_path / "a.png")
    assert "million pixels, more than 100 million" in told and "save it smaller" in told


def test_too_small_and_too_bright(tmp_path: Path) -> None:
    Image.new("RGB", (640, 90)).save(tmp_path / "a.png")
    assert "640 x 90 pixels, too small" in fault(tmp_path / "a.png")
    Image.fromarray(np.full((300, 300), 7.0, np.float32)).save(tmp_path / "b.tif")
    assert "beyond 0 to 1" in fault(tmp_path / "b.tif")
