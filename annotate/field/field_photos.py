"""A photo from the field made into an evidence picture: upright, JPEG, and without anything that says where it was taken.

Evidence pictures are shown, copied with the logbook and passed on with records, and some larvae sit where nobody else should
look for them. What a phone writes beside the pixels (position, camera number, owner, preview pictures) is therefore left out,
not field by field but altogether, by writing the pixels anew; the original stays where it was, on the phone, and is not kept
here. The place of a record is that of its tree. Colours are taken as they are stored; a colour profile is not applied.
"""

import io
import tempfile
from pathlib import Path

from annotate.errors import AnnotateError

MOST_BYTES = 40_000_000
"""The largest JPEGs of phones are under 30 MB (common practice, no source)."""

MOST_SIDE_PX = 4096
"""A 12-megapixel photo keeps every pixel; of larger ones a larva is still some hundred px long."""

QUALITY = 90
"""Of 95, above which files grow fast and nothing more is seen (documentation of libjpeg)."""


def clean_photo(data: bytes, *, name: str = "photo") -> bytes:
    """Return a photo (JPEG, PNG or HEIC) as a bare upright JPEG.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no such photo, is damaged, or too large.
    """
    from PIL import Image

    from detect.errors import ClipError
    from detect.shots import read_photo

    if not data:
        raise AnnotateError(f"{name}: expected a photo; found an empty file; take or choose it again")
    if len(data) > MOST_BYTES:
        raise _refuse_large(len(data), name=name)
    with tempfile.TemporaryDirectory(prefix="leafshade-photo-") as folder:
        path = Path(folder) / "photo"
        path.write_bytes(data)
        try:
            rgb = read_photo(path)
        except ClipError as error:
            raise AnnotateError(str(error).replace(str(path), name)) from None
    picture = Image.fromarray(rgb)
    picture.thumbnail((MOST_SIDE_PX, MOST_SIDE_PX), Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=QUALITY)
    return stream.getvalue()


def read_photo_file(path: Path) -> bytes:
    """Return the photo of a file as a bare upright JPEG.

    Raises
    ------
    annotate.errors.AnnotateError
        As `clean_photo`, and where the file cannot be read.
    """
    try:
        size = path.stat().st_size
        # Looked at first: a film chosen by mistake is not read into memory.
        data = path.read_bytes() if size <= MOST_BYTES else None
    except OSError as error:
        raise AnnotateError(
            f"photo {path}: expected a file that can be read; found '{error.strerror}'; check its name and rights"
        ) from error
    if data is None:
        raise _refuse_large(size, name=f"photo {path.name}")
    return clean_photo(data, name=f"photo {path.name}")


def _refuse_large(size: int, *, name: str) -> AnnotateError:
    return AnnotateError(
        f"{name}: expected a photo of at most {MOST_BYTES // 1_000_000} MB; found {size // 1_000_000} MB; choose a smaller one"
    )
