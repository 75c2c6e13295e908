"""The command that draws a clip of a tree crown with known truth, or draws the project's sample again."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import app
from annotate.errors import AnnotateError

if TYPE_CHECKING:
    from models.canopy.clip import CanopySettings

SIZES_PX = {"720p": (720, 1280), "1080p": (1080, 1920), "2160p": (2160, 3840)}
CODECS = {"h264": "libx264", "hevc": "libx265"}


@app.command("draw")
def draw(
    out: Annotated[
        Path,
        typer.Argument(
            metavar="OUT.mp4", help="The clip to write, or with --sample the folder to write into."
        ),
    ],
    seed: Annotated[int, typer.Option("--seed", help="The same seed draws the same frames.")] = 0,
    settings: Annotated[
        str,
        typer.Option(
            "--settings",
            help="walk-under, wide, far, overcast, sunny; held-out is of plants kept from training.",
        ),
    ] = "walk-under",
    seconds: Annotated[float, typer.Option("--seconds", help="Length of the clip.")] = 10.0,
    frame_rate: Annotated[float, typer.Option("--frame-rate", help="Frames in a second.")] = 30.0,
    size: Annotated[str, typer.Option("--size", help="720p, 1080p or 2160p.")] = "1080p",
    portrait: Annotated[
        bool, typer.Option("--portrait", help="Upright frames, stored lying down as phones store them.")
    ] = False,
    codec: Annotated[str, typer.Option("--codec", help="h264 or hevc.")] = "h264",
    mbit: Annotated[float, typer.Option("--mbit", help="Megabits in a second.")] = 17.0,
    tree: Annotated[
        str, typer.Option("--tree", help="Code of the tree that the truth names.", show_default=False)
    ] = "",
    recorded_at: Annotated[
        datetime | None,
        typer.Option(
            "--recorded-at",
            help="When the clip says it was filmed, local time; else it says nothing.",
            show_default=False,
        ),
    ] = None,
    sample: Annotated[
        bool,
        typer.Option(
            "--sample", help="Draw the sample of Otterholt Wood again; the other options do not apply."
        ),
    ] = False,
) -> None:
    """Draw a clip of a tree crown from below, with larvae and feeding, and its truth file beside it."""
    if sample:
        _draw_sample(out)
        return
    import numpy as np

    from models.canopy.truth import find_truth_path
    from models.canopy.write import EncodingSettings, write_clip

    chosen = _choose_settings(
        settings, size=size, is_portrait=portrait, seconds=seconds, frame_rate=frame_rate
    )
    if codec not in CODECS:
        raise AnnotateError(f"--codec: expected h264 or hevc, found {codec!r}; choose one of them")
    if out.suffix.lower() != ".mp4" or not out.parent.is_dir():
        raise AnnotateError(
            f"{out}: cannot be written; expected a name ending in .mp4 in a folder that exists, found "
            f"{'no such folder' if not out.parent.is_dir() else repr(out.suffix)}; give another name"
        )
    if mbit <= 0:
        raise AnnotateError(f"--mbit: expected a number above 0, found {mbit:g}; phones take 17 for 1080p")
    encoding = EncodingSettings(CODECS[codec], mbit, is_lying=portrait)
    with _show_progress() as tell:
        truth = write_clip(
            out,
            chosen,
            rng=np.random.default_rng(seed),
            encoding=encoding,
            tree=tree,
            recorded_at=recorded_at,
            tell=tell,
        )
    print(f"{out}: {len(truth.frames)} frames, {len(truth.larvae)} larvae; truth in {find_truth_path(out)}")


@contextmanager
def _show_progress() -> Iterator[Callable[[int, int], None]]:
    """Show a bar on the terminal's error side while a clip is drawn."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("Growing the crown", total=None)

        def tell(done: int, total: int) -> None:
            progress.update(
                task,
                completed=done,
                total=total if done else None,
                description="Drawing" if done else "Growing",
            )

        yield tell


def _draw_sample(folder: Path) -> None:
    from models.canopy.sample import draw_sample

    if not folder.is_dir():
        raise AnnotateError(f"{folder}: expected a folder for the sample, found none; make it first")
    for path in draw_sample(folder):
        print(path)


def _choose_settings(
    name: str, *, size: str, is_portrait: bool, seconds: float, frame_rate: float
) -> "CanopySettings":
    from dataclasses import replace

    from models.canopy.presets import find_preset, fit_frame

    if size not in SIZES_PX:
        raise AnnotateError(
            f"--size: expected one of {', '.join(SIZES_PX)}, found {size!r}; choose one of them"
        )
    if (
        not seconds * frame_rate > 0
        or round(seconds * frame_rate) < 1
        or not frame_rate <= MOST_FRAMES_A_SECOND
    ):
        raise AnnotateError(
            f"--seconds {seconds:g} --frame-rate {frame_rate:g}: expected at least one frame and at most "
            f"{MOST_FRAMES_A_SECOND:g} a second, found {seconds * frame_rate:g} frames; choose other numbers"
        )
    size_px = SIZES_PX[size][::-1] if is_portrait else SIZES_PX[size]
    chosen = fit_frame(find_preset(name), size_px=(size_px[0], size_px[1]))
    return replace(chosen, duration_s=seconds, frame_rate_hz=frame_rate)


MOST_FRAMES_A_SECOND = 240.0
