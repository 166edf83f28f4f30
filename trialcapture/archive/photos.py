"""When a photo of a session was taken, and a small picture of it; the file itself is never changed.

A camera writes its own clock's time into a photo (Exif 3.0, tags DateTimeOriginal 36867, SubSecTimeOriginal 37521 and
OffsetTimeOriginal 36881), and some the satellites' UTC (GPSDateStamp 29 and GPSTimeStamp 7); numbers from memory. The
satellites' time is UTC. The camera's is UTC where it says its offset, or where a note says the camera's zone or by how
much it is off. Without any of these the zone is not known, and it is asked for, never guessed.
"""

from __future__ import annotations

import base64
import io
import re
import struct
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import is_plain_file, open_plain

if TYPE_CHECKING:
    from PIL import Image

FOLDER = "raw/photos"
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
_MOST_BYTES = 200_000_000
_MOST_PIXELS = 200_000_000
"""Larger than any camera's pictures (our choice); a file that unpacks to more is not opened."""
_MOST_PIXELS_AT_ONCE = 50_000_000
"""Of a picture that is unpacked whole, as all but JPEG are, even to look for its time: up to eight bytes a pixel (our
choice)."""
_WIDTH_PX, _HEIGHT_PX, _QUALITY = 360, 270, 72
"""A small picture is some 20 kB (our choice)."""
_ORIGINAL, _SUBSECONDS, _OFFSET, _EXIF, _GPS = 36867, 37521, 36881, 0x8769, 0x8825
_GPS_TIME, _GPS_DATE, _MAKE, _MODEL = 7, 29, 271, 272
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ZONE = re.compile(r"(?:Z|UTC)|([+-])(\d{2}):?(\d{2})", re.IGNORECASE)
_FAULTS = (OSError, ValueError, TypeError, KeyError, IndexError, SyntaxError, EOFError, OverflowError, ArithmeticError,
           AttributeError, RuntimeError, MemoryError, struct.error)  # fmt: skip
"""What reading a damaged picture raises; to the session it is a picture that cannot be opened."""


@dataclass(frozen=True, slots=True)
class PhotoTimes:
    """What a photo says of its time.

    Attributes:
        camera: The camera's make and model, by which photos of one clock are told; "" where it does not say.
        clock: The camera's clock, as it stood; None where it does not say.
        offset: The clock's offset from UTC; None where it does not say.
        satellites_utc: UTC by the satellites; None where it does not say.
        fault: Why the file cannot be read; "" where it can.
    """

    camera: str = ""
    clock: datetime | None = None
    offset: timedelta | None = None
    satellites_utc: datetime | None = None
    fault: str = ""


@dataclass(frozen=True, slots=True)
class CameraClock:
    """What a note says about a camera's clock.

    Attributes:
        zone: Its offset from UTC; None where not noted.
        offset_s: UTC minus the time it shows [s], that time taken with the offset that the photo itself says, and else
            as it stands; None where not noted. It says the zone as well.
        shown_offset: The offset that the photo with which `offset_s` was noted says itself; None where it says none.
    """

    zone: timedelta | None = None
    offset_s: float | None = None
    shown_offset: timedelta | None = None


@dataclass(frozen=True, slots=True)
class TakenAt:
    """When a photo was taken [ns since 1970 UTC], what tells so, and why it cannot be told."""

    t_ns: int | None
    from_: Literal["camera", "satellites", ""]
    reason: str


def read_photo_times(path: Path) -> PhotoTimes:
    """Return what a photo says of its time; a file that is no picture we can open says why."""
    try:
        with _open_picture(path) as picture:
            exif = picture.getexif()
            inner, gps = exif.get_ifd(_EXIF), exif.get_ifd(_GPS)
            camera = " ".join(_text(exif.get(tag)) for tag in (_MAKE, _MODEL)).strip()
    except _FAULTS as fault:
        return PhotoTimes(fault=_why(fault))
    return PhotoTimes(camera, _clock(inner), parse_camera_zone(_text(inner.get(_OFFSET))), _satellites_utc(gps))


def taken_at(times: PhotoTimes, clock: CameraClock) -> TakenAt:
    """Return when a photo was taken.

    Args:
        times: What it says.
        clock: What is noted about its camera's clock.
    """
    if times.satellites_utc is not None and (by_satellites := _ns(times.satellites_utc)) is not None:
        return TakenAt(by_satellites, "satellites", "")
    if times.fault:
        return TakenAt(None, "", f"its time cannot be read: {times.fault}")
    if times.clock is None:
        return TakenAt(None, "", "the photo does not say when it was taken")
    zone = times.offset if times.offset is not None else clock.zone
    if clock.offset_s is not None and (times.offset is None or clock.shown_offset is None):
        # how far a clock is off was found on the time as it stood there, so it holds for the time as it stands here
        zone = clock.shown_offset or timedelta()
    if zone is None:
        return TakenAt(None, "", "the zone of the camera's clock is not known")
    try:
        at_ns = _ns(times.clock.replace(tzinfo=UTC) - zone + timedelta(seconds=clock.offset_s or 0.0))
    except (ValueError, OverflowError):
        at_ns = None
    if at_ns is None:
        return TakenAt(None, "", "the time it says is of no year in which boats were tried")
    return TakenAt(at_ns, "camera", "")


def camera_offset_s(times: PhotoTimes, shown: datetime) -> float:
    """Return UTC minus the camera's clock [s], see `CameraClock`, from a photo of a clock; good to a second.

    Raises:
        TrialCaptureError: The photo does not say when it was taken.
    """
    if times.clock is None:
        raise TrialCaptureError(
            "the camera's offset cannot be found from this photo",
            seen=times.fault or "no time in it",
            expected="a photo as the camera wrote it, or --camera-offset-s",
        )
    try:
        at = times.clock.replace(tzinfo=UTC) - (times.offset or timedelta())
    except OverflowError:
        raise TrialCaptureError(
            "the camera's offset cannot be found from this photo",
            seen=f"the year {times.clock.year} in it",
            expected="a photo as the camera wrote it, or --camera-offset-s",
        ) from None
    return (shown.astimezone(UTC) - at).total_seconds()


def parse_camera_zone(text: str) -> timedelta | None:
    """Return an offset from UTC as people and cameras write it, ``+02:00``, ``-0530``, ``Z``; None for all else."""
    found = _ZONE.fullmatch(text.strip())
    if found is None:
        return None
    if found[1] is None:
        return timedelta()
    hours, minutes = int(found[2]), int(found[3])
    if hours > 14 or minutes > 59:
        return None
    return (1 if found[1] == "+" else -1) * timedelta(hours=hours, minutes=minutes)


def small_picture(path: Path) -> str:
    """Return a small picture of a photo as a data URI, upright and without anything but its pixels; "" for none.

    Where and with what it was taken is in the file itself alone.
    """
    from PIL import Image, ImageOps  # noqa: PLC0415

    try:
        with _open_picture(path) as picture:
            picture.draft("RGB", (2 * _WIDTH_PX, 2 * _HEIGHT_PX))
            upright = ImageOps.exif_transpose(picture)
            upright.thumbnail((_WIDTH_PX, _HEIGHT_PX))
            flat = Image.new("RGB", upright.size, "white")
            whole = upright.convert("RGBA")
            flat.paste(whole, mask=whole.getchannel("A"))
            made = io.BytesIO()
            flat.save(made, "JPEG", quality=_QUALITY)
    except _FAULTS:
        return ""  # the page says that there is none
    return "data:image/jpeg;base64," + base64.b64encode(made.getvalue()).decode("ascii")


def small_pictures(folder: Path, files: Sequence[str]) -> Mapping[str, str]:
    """Return the small pictures of photos of a session by file; those that cannot be opened are left out."""
    made = {}
    for name in dict.fromkeys(files):
        path = photo_path(folder, name)
        if path is not None and (uri := small_picture(path)):
            made[name] = uri
    return made


def photo_path(folder: Path, file: str) -> Path | None:
    """Return where a photo of a session is; None where a note names anything but a file among its photos."""
    parts = file.split("/")
    is_name = len(parts) == 3 and "/".join(parts[:2]) == FOLDER and parts[2] not in ("", ".", "..")
    if not is_name or "\\" in file or "\0" in file or ":" in file:
        return None
    path = folder / "raw" / "photos" / parts[2]
    try:
        return path if is_plain_file(path) else None
    except OSError:
        return None


@contextmanager
def _open_picture(path: Path) -> Iterator[Image.Image]:
    """Open a picture; its pixels are not read yet, and it is closed at the end together with its file."""
    # slow to load, and most trials have no photo; a format is known once its module is loaded
    from PIL import Image, JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin  # noqa: F401, PLC0415

    with open_plain(path) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what is damaged; the note of the photo says so
        _refuse_if(file.seek(0, io.SEEK_END) > _MOST_BYTES)
        file.seek(0)
        try:
            picture = Image.open(file, formats=_FORMATS)
        except Image.DecompressionBombError as fault:
            raise ValueError("more pixels than a photo has") from fault
        most = _MOST_PIXELS if picture.format == "JPEG" else _MOST_PIXELS_AT_ONCE
        _refuse_if(picture.size[0] * picture.size[1] > most)
        yield picture


def _refuse_if(is_too_large: bool) -> None:
    if is_too_large:
        raise ValueError("larger than a photo is")


def _clock(inner: Mapping[int, Any]) -> datetime | None:
    try:
        at = datetime.strptime(_text(inner.get(_ORIGINAL)), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    digits = _text(inner.get(_SUBSECONDS))
    return at.replace(microsecond=int(f"{digits:0<6}"[:6])) if digits.isascii() and digits.isdigit() else at


def _satellites_utc(gps: Mapping[int, Any]) -> datetime | None:
    try:
        day = datetime.strptime(_text(gps.get(_GPS_DATE)), "%Y:%m:%d").replace(tzinfo=UTC)
        hours, minutes, seconds = (float(x) for x in gps[_GPS_TIME])
        of_day = timedelta(hours=hours, minutes=minutes, seconds=seconds)
        return day + of_day if timedelta() <= of_day < timedelta(days=1, seconds=1) else None
    except (ValueError, TypeError, KeyError, ArithmeticError):
        return None


def _ns(at: datetime) -> int | None:
    # as for notes, a year in which no boat was tried is none
    return (at - _EPOCH) // timedelta(microseconds=1) * 1000 if 1970 <= at.year <= 2200 else None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    return value.strip("\0 ") if isinstance(value, str) else ""


def _why(fault: BaseException) -> str:
    if isinstance(fault, OSError) and fault.strerror:
        return fault.strerror.lower()
    return "this program does not open such a picture"
