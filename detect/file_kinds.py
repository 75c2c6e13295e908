"""Tells from a file's first bytes whether it is a video or a photo; its name counts for nothing.

Signatures are those of the published file formats, named beside each. A file that begins like a video may still hold none;
opening it tells (`detect.clips.open_clip`).
"""

from pathlib import Path
from typing import Literal

FileKind = Literal["video", "jpeg", "png", "heic", "unknown"]

PHOTO_KINDS: tuple[FileKind, ...] = ("jpeg", "png", "heic")

HEAD_BYTES = 400
"""Enough for two packets of a transport stream, the longest pattern looked for."""

HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"mif2")
"""ISO/IEC 23008-12, still pictures coded with HEVC. AVIF has brands of its own and is not read."""

SOUND_BRANDS = (b"M4A ", b"M4B ", b"M4P ")
"""Brands of files that hold sound only (register of the MP4 Registration Authority)."""

BOX_NAMES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
"""What the first box of an ISO/IEC 14496-12 or QuickTime file may be called; early QuickTime has no "ftyp"."""

VIDEO_STARTS = (
    b"\x1aE\xdf\xa3",  # EBML, RFC 8794: Matroska and WebM
    b"\x00\x00\x01\xba",  # program stream pack, ISO/IEC 13818-1
    b"\x00\x00\x01\xb3",  # video sequence header, ISO/IEC 13818-2
    b"\x00\x00\x00\x01\x67",  # sequence parameters of bare H.264, ITU-T H.264 annex B
    b"\x00\x00\x00\x01\x09",  # or an access unit delimiter before them
    b"\x00\x00\x00\x01\x40",  # video parameters of bare HEVC, ITU-T H.265 annex B
    b"FLV\x01",  # Flash Video, version 1
    b"\x30\x26\xb2\x75\x8e\x66\xcf\x11",  # header object of ASF
    b"OggS",  # RFC 3533
    b"\x06\x0e\x2b\x34",  # key of an MXF partition, SMPTE ST 377-1
    b"YUV4MPEG2 ",
    b"DKIF",  # IVF
)

TRANSPORT_SYNC = 0x47
TRANSPORT_LAYOUTS = ((0, 188), (4, 192))
"""(first sync byte, bytes between) of plain transport streams (ISO/IEC 13818-1) and of those with a clock before each packet."""


def sniff_file(path: Path) -> FileKind:
    """Return what the file's first bytes say it is.

    Raises
    ------
    OSError
        Where it cannot be read.
    """
    with path.open("rb") as stream:
        return sniff_bytes(stream.read(HEAD_BYTES))


def sniff_bytes(head: bytes) -> FileKind:
    """Return what a file that begins with these bytes is."""
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head[4:8] in BOX_NAMES:
        return _sniff_boxes(head)
    is_riff_video = head[:4] == b"RIFF" and head[8:12] == b"AVI "
    if is_riff_video or head.startswith(VIDEO_STARTS) or _is_transport_stream(head):
        return "video"
    return "unknown"


def _sniff_boxes(head: bytes) -> FileKind:
    brand = head[8:12] if head[4:8] == b"ftyp" else b""
    if brand in HEIC_BRANDS:
        return "unknown" if b"avif" in head[16 : int.from_bytes(head[:4])] else "heic"
    if brand in SOUND_BRANDS or brand in (b"avif", b"avis"):
        return "unknown"
    return "video"


def _is_transport_stream(head: bytes) -> bool:
    return any(
        len(head) > first + step and head[first] == TRANSPORT_SYNC and head[first + step] == TRANSPORT_SYNC
        for first, step in TRANSPORT_LAYOUTS
    )
