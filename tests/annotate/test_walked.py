"""A walked track, the camera's clock and the stretches they give: on drawn walks, through the logbook, and with hostile files."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from annotate.commands import app
from annotate.errors import AnnotateError
from annotate.field.clock_offsets import estimate_offset, read_offset, say_offset
from annotate.field.gpx_tracks import read_gpx
from annotate.field.track_stretches import CERTAIN, LEAST_WRONG_S, FilmedSpan, plan_track_stretches, say_share
from annotate.field.walked import correct_clock, follow_track, tell_change_of_clocks
from annotate.logbook.changes import list_record_changes
from annotate.logbook.clip_places import cut_by_place
from annotate.logbook.clips import add_stretch, find_clip, list_stretches
from annotate.logbook.clocks import set_clock
from annotate.logbook.observations import list_changes, list_observations
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.review import find_candidate
from annotate.logbook.tracks import list_asked, read_tracks, settle_stretch
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits
from detect.clip_places import ClipPlace
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search
from tests.bench.walks import draw_kind, judge
from tests.drawn_walks import DrawnWalk, draw_walk, place_trees

HEAD = '<gpx version="1.1" creator="drawn" xmlns="http://www.topografix.com/GPX/1/1">'
POINT = '<trkpt lat="51.2" lon="-1.1"><time>{time}</time></trkpt>'


def write_gpx(path: Path, walk: DrawnWalk) -> Path:
    """Write the track of a walk as a receiver would."""
    track = walk.track
    points = "".join(
        f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}"><time>{datetime.fromtimestamp(time_s, UTC):%Y-%m-%dT%H:%M:%SZ}'
        "</time></trkpt>"
        for time_s, latitude, longitude in zip(
            track.times_s, track.latitudes_deg, track.longitudes_deg, strict=True
        )
    )
    path.write_text(f'<?xml version="1.0" encoding="UTF-8"?>{HEAD}<trk><trkseg>{points}</trkseg></trk></gpx>')
    return path


def write_points(path: Path, *times: str, before: str = "") -> Path:
    """Write a file of positions at the times given."""
    points = "".join(POINT.format(time=time) for time in times)
    path.write_text(f"{before}{HEAD}<trk><trkseg>{points}</trkseg></trk></gpx>")
    return path


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """An empty logbook of Otterholt Wood."""
    with open_logbook(create_logbook(tmp_path / "Otterholt", zone="Europe/London", recorder="")) as opened:
        yield opened


@pytest.fixture
def walk() -> DrawnWalk:
    """A walk past six trees in a line, 30 m apart: nothing in doubt."""
    return draw_walk(np.random.default_rng(5), stems_m=place_trees(1, 6, spacing_m=30.0), skips=0.0)


def fill(logbook: Logbook, walk: DrawnWalk, *, clock_slow_s: float = 0.0) -> None:
    """Put the trees and clips of a walk into a logbook, filmed by a clock that is slow."""
    entries = [
        TreeEntry(
            "OTTERHOLT",
            tree.code,
            {
                "latitude_deg": tree.latitude_deg,
                "longitude_deg": tree.longitude_deg,
                "accuracy_m": tree.error_m,
                "walk_order": tree.walk_order,
            },
        )
        for tree in walk.trees
    ]
    write_trees(logbook, entries)
    for span in walk.spans:
        at = datetime.fromtimestamp(span.start_s - clock_slow_s, UTC)
        film(logbook, number=span.clip_id, recorded_at=at, duration_s=span.duration_s)


def test_drawn_walks_are_asked_about_rather_than_named_wrongly() -> None:
    """Of stretches under trees 15 m apart with 5 m of wandering error, most are named rightly and none wrongly unasked."""
    counts = np.zeros(4, int)
    for seed in range(3):
        layout = (1, 12) if seed % 2 else (3, 4)
        lasts_s = (30.0, 100.0, 300.0)[seed]
        walk = draw_walk(np.random.default_rng(100 + seed), stems_m=place_trees(*layout), lasts_s=lasts_s)
        counts += judge(walk)
    right, _, _, wrong = counts
    assert right >= 0.85 * counts.sum()
    assert wrong == 0


@pytest.mark.parametrize("number", [217, 264, 314])
def test_a_few_steps_aside_do_not_leave_the_tree(number: int) -> None:
    """Within a stay under one tree no seconds are left to no tree at all: what is found in them would be lost to it."""
    _, walk = draw_kind(40000 + number, number)
    planned = plan_track_stretches(walk.track, trees=walk.trees, spans=walk.spans)
    assert judge(walk)[2] == 0
    for stretches in planned.values():
        for one, after in pairwise(stretches):
            assert one.tree_id != after.tree_id or after.start_s - one.end_s >= LEAST_WRONG_S


def test_trees_far_apart_are_all_certain(walk: DrawnWalk) -> None:
    """Under trees 30 m apart every clip is certain and right, whether it is one clip each or one for the whole walk."""
    assert judge(walk) == (len(walk.stays), 0, 0, 0)
    first, last = walk.stays[0][1], walk.stays[-1][2]
    whole = plan_track_stretches(walk.track, trees=walk.trees, spans=[FilmedSpan(9, first, last - first)])[9]
    assert [one.tree_id for one in whole] == [tree for tree, _, _ in walk.stays]
    assert all(one.probability >= CERTAIN for one in whole)
    for one, (_, start_s, end_s) in zip(whole, walk.stays, strict=True):
        middle = (one.start_s + one.end_s) / 2 + first
        assert start_s <= middle <= end_s


def test_clips_outside_the_track_or_in_its_gap_are_left_alone(walk: DrawnWalk) -> None:
    """Where the track says nothing of a clip, nothing is said."""
    early = FilmedSpan(1, float(walk.track.times_s[0]) - 500, 100)
    assert plan_track_stretches(walk.track, trees=walk.trees, spans=[early]) == {}
    assert plan_track_stretches(walk.track, trees=walk.trees, spans=[]) == {}
    assert plan_track_stretches(walk.track, trees=[], spans=walk.spans[:1]) == {1: ()}


@pytest.mark.parametrize("slow_s", [0.0, 3600.0, -95.0])
def test_the_clock_is_read_off_the_walk(walk: DrawnWalk, slow_s: float) -> None:
    """An hour of summer time, a minute and a half, or nothing: the offset is found within ten seconds and said to be clear."""
    spans = [FilmedSpan(one.clip_id, one.start_s - slow_s, one.duration_s) for one in walk.spans]
    found = estimate_offset(walk.track, trees=walk.trees, spans=spans)
    assert found is not None
    assert found.is_clear
    assert found.offset_s == pytest.approx(slow_s, abs=10)


def test_one_clip_tells_no_clock(walk: DrawnWalk) -> None:
    """A single short clip fits under every tree, so the offset is not called clear."""
    found = estimate_offset(walk.track, trees=walk.trees, spans=walk.spans[:1])
    assert found is None or not found.is_clear


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("+1h", 3600), ("-90s", -90), ("1h2m5s", 3725), ("-00:03:20", -200), ("0", 0), ("2d", 172800)],
)
def test_offsets_are_read_and_said(text: str, seconds: float) -> None:
    """What is written is read, and what is said can be read again."""
    assert read_offset(text) == seconds
    assert read_offset(say_offset(seconds)) == seconds


@pytest.mark.parametrize("text", ["", "h", "1x", "+-1h", "00:99", "1h junk", "9999d", "nan"])
def test_offsets_that_are_none_are_refused(text: str) -> None:
    """Anything else is told with an example."""
    with pytest.raises(AnnotateError, match="offset: expected"):
        read_offset(text)


def test_a_track_cuts_clips_and_puts_the_clock_right(
    logbook: Logbook, walk: DrawnWalk, tmp_path: Path
) -> None:
    """Each clip gets its tree and its true time in one go; a second time changes nothing; the track is kept once."""
    fill(logbook, walk, clock_slow_s=3600.0)
    path = write_gpx(tmp_path / "walk.gpx", walk)
    done = follow_track(logbook, path, offset="", site="", who="Maren")
    assert (done.certain, done.asked, done.changed) == (6, 0, 6)
    for span in walk.spans:
        (stretch,) = list_stretches(logbook, span.clip_id)
        assert (stretch.tree, stretch.source) == (f"OT{span.clip_id:02d}", "track")
        assert abs(find_clip(logbook, span.clip_id).recorded_at.timestamp() - span.start_s) <= 10
    assert follow_track(logbook, path, offset="", site="", who="Maren").changed == 0
    assert len(read_tracks(logbook)) == 1
    fields = [change.field for change in list_record_changes(logbook, "clip", 1)]
    assert fields == ["clock_offset_s", "recorded_at"]


def test_what_a_person_said_stands_above_the_track(logbook: Logbook, walk: DrawnWalk, tmp_path: Path) -> None:
    """A clip that a person tied to a tree keeps it."""
    fill(logbook, walk)
    add_stretch(logbook, 1, tree_id=find_tree(logbook, "OT06").id, start_s=0.0, end_s=10.0)
    path = write_gpx(tmp_path / "walk.gpx", walk)
    follow_track(logbook, path, offset="0", site="", who="Maren")
    said, walked = list_stretches(logbook, 1)
    assert (said.tree, said.source, said.end_s) == ("OT06", "given", 10.0)
    assert (walked.tree, walked.source, walked.start_s) == ("OT01", "track", 10.0)


def test_a_clock_that_cannot_be_told_changes_nothing(
    logbook: Logbook, walk: DrawnWalk, tmp_path: Path
) -> None:
    """With one short clip the offset is asked for, and no track, clock or stretch is kept."""
    fill(logbook, walk)
    for clip_id in range(2, 7):
        set_clock(logbook, [clip_id], offset_s=-86400.0 * 30, who="")
    late = DrawnWalk(walk.track, walk.trees, walk.stays, walk.spans)
    path = write_gpx(tmp_path / "walk.gpx", late)
    other = tmp_path / "other.gpx"
    write_points(other, "2026-05-17T10:00:00Z", "2026-05-17T10:00:05Z")
    with pytest.raises(AnnotateError, match="--offset"):
        follow_track(logbook, other, offset="", site="", who="Maren")
    with pytest.raises(AnnotateError, match="found none with"):
        follow_track(logbook, path, offset="+20d", site="", who="Maren")
    assert read_tracks(logbook) == ()
    assert list_stretches(logbook, 1) == ()


def test_a_doubtful_stretch_is_asked_and_answered(logbook: Logbook, tmp_path: Path) -> None:
    """Between two trees 2 m apart the stretch is listed with both named; the answer settles it and is in the history."""
    stems = np.array([[0.0, 0.0], [2.0, 0.0]])
    walk = draw_walk(np.random.default_rng(1), stems_m=stems, has_order=False, skips=0.0)
    fill(logbook, walk)
    follow_track(logbook, write_gpx(tmp_path / "walk.gpx", walk), offset="0", site="", who="Maren")
    asked = list_asked(logbook)
    assert asked
    assert all("OT01" in one.doubt and "OT02" in one.doubt for one in asked)
    settle_stretch(logbook, asked[0].id, tree_id=find_tree(logbook, "OT02").id, who="Maren")
    assert len(list_asked(logbook)) == len(asked) - 1
    changes = list_record_changes(logbook, "stretch", asked[0].id)
    assert ("doubt", asked[0].doubt, None) in [(one.field, one.old, one.new) for one in changes]


def test_the_clock_moves_all_that_was_filmed_with_history(logbook: Logbook) -> None:
    """Clip, candidate, observation and visit move by the offset; said twice it moves once; 0 takes it back."""
    add_trees(logbook, "OT01")
    late = NOON.replace(hour=22, minute=30)  # 23:30 by the clock in London
    clip = film(logbook, tree="OT01", recorded_at=late)
    search(logbook, clip, [make_candidate(2.0)])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    for _ in range(2):
        set_clock(logbook, [clip.id], offset_s=3600.0, who="Maren")
    hour = timedelta(hours=1)
    assert find_clip(logbook, clip.id).recorded_at == late + hour
    assert find_candidate(logbook, 1).at == late + hour + timedelta(seconds=2)
    (observation,) = list_observations(logbook)
    assert observation.at == late + hour + timedelta(seconds=2)
    assert [change.field for change in list_changes(logbook, observation.id)] == ["at"]
    (summary,) = list_visits(logbook)
    assert str(summary.visit.date) == "2026-05-18"
    set_clock(logbook, [clip.id], offset_s=0.0, who="Maren")
    assert find_clip(logbook, clip.id).recorded_at == late
    assert len(list_record_changes(logbook, "clip", clip.id)) == 4


def test_a_visit_spans_its_clips_after_they_were_moved_within_the_day(logbook: Logbook) -> None:
    """An hour earlier, then taken back: start and end are those of the clips, and the hour they had is not left in the visit."""
    add_trees(logbook, "OT01")
    clips = [
        film(logbook, number=number, tree="OT01", recorded_at=NOON + timedelta(minutes=5 * number))
        for number in (1, 2)
    ]
    ends = [clip.recorded_at + timedelta(seconds=clip.duration_s) for clip in clips]
    for offset_s in (-3600.0, 0.0, 60.0):
        set_clock(logbook, [clip.id for clip in clips], offset_s=offset_s, who="Maren")
        (visit,) = [one.visit for one in list_visits(logbook)]
        moved = timedelta(seconds=offset_s)
        assert (visit.started_at, visit.ended_at) == (clips[0].recorded_at + moved, ends[1] + moved)


def test_clocks_are_set_all_or_none(logbook: Logbook) -> None:
    """Where one of the clips is not there, none moves."""
    clip = film(logbook)
    with pytest.raises(AnnotateError, match="found 99"):
        set_clock(logbook, [clip.id, 99], offset_s=60.0, who="Maren")
    assert find_clip(logbook, clip.id).recorded_at == NOON


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "01:30 twice that day; this is the first, before"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "01:30 twice that day; this is the second, after"),
        (datetime(2026, 10, 25, 12, 0, tzinfo=UTC), "put back that day; if the camera's was not"),
        (datetime(2026, 3, 29, 12, 0, tzinfo=UTC), "put forward that day; if the camera's was not"),
        (datetime(2026, 3, 28, 12, 0, tzinfo=UTC), ""),
    ],
)
def test_the_days_of_changing_clocks_are_told(moment: datetime, words: str) -> None:
    """On 29 March and 25 October 2026 in London the change is told, and which of two like hours is meant."""
    told = tell_change_of_clocks(moment, "Europe/London")
    assert words in told if words else told == ""
    assert tell_change_of_clocks(moment, "+01:00") == ""


def test_a_camera_not_put_forward_is_corrected_by_visit(logbook: Logbook) -> None:
    """On the day of the change all clips of the visit move by the hour, and each line names both times with their zone."""
    add_trees(logbook, "OT01")
    slow = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)  # the camera shows 00:30; true is 01:30 UTC, 02:30 BST
    film(logbook, tree="OT01", recorded_at=slow)
    lines = correct_clock(logbook, "+1h", clips=[], visit="2026-03-29", site="", who="Maren")
    assert "00:30 GMT is now 29 March 2026, 02:30 BST" in lines[0]
    assert "put forward that day" in lines[1]
    assert lines[-1] == "1 of 1 clip moved."


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "found it empty"),
        (b"not xml", "broken XML"),
        (HEAD.encode() + b"<trk><trkseg><trkpt lat=", "broken XML"),
        (b"<html></html>", "found other XML"),
        (HEAD.encode() + b"</gpx>", "found 0 with and none"),
        (HEAD.encode() + b'<trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk></gpx>', "1 without a time"),
        (
            HEAD.encode()
            + b'<trk><trkseg><trkpt lat="x" lon="2"><time>2026-05-17T10:00:00Z</time></trkpt></trkseg></trk></gpx>',
            "cannot be read",
        ),
        (
            HEAD.encode()
            + b'<trk><trkseg><trkpt lat="95" lon="2"><time>2026-05-17T10:00:00Z</time></trkpt></trkseg></trk></gpx>',
            "found 95, 2",
        ),
        (
            HEAD.encode()
            + b'<trk><trkseg><trkpt lat="nan" lon="2"><time>2026-05-17T10:00:00Z</time></trkpt></trkseg></trk></gpx>',
            "found nan, 2",
        ),
        (
            HEAD.encode()
            + b'<trk><trkseg><trkpt lat="1" lon="2"><time>2026-13-45T10:00:00Z</time></trkpt></trkseg></trk></gpx>',
            "1 without a time",
        ),
        (b"<a>" * 5000, "deep"),
        (HEAD.encode() + b"<name>" + b" xmlns" * 200_000 + b"</name></gpx>", "namespaces"),
        (b"<kml></kml>", "found other XML; export the track as GPX$"),
        (b"<gpx/>", "found 0 with"),
        ("<?xml version='1.0' encoding='UTF-16'?><gpx/>".encode("utf-16"), "cannot be read"),
    ],
)
def test_files_that_are_no_track_are_refused(tmp_path: Path, content: bytes, words: str) -> None:
    """Broken, cut off, empty, hostile or foreign files end in one sentence."""
    path = tmp_path / "walk.gpx"
    path.write_bytes(content)
    with pytest.raises(AnnotateError, match=words):
        read_gpx(path)


def test_entities_are_refused_before_they_grow(tmp_path: Path) -> None:
    """A file that declares a document type is refused, whether its entities grow or name another file."""
    bomb = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    outside = '<!DOCTYPE gpx SYSTEM "file:///etc/hostname">'
    for before in (bomb, outside):
        path = write_points(tmp_path / "walk.gpx", "2026-05-17T10:00:00Z", before=before)
        with pytest.raises(AnnotateError, match="document type"):
            read_gpx(path)


def test_times_of_other_zones_two_tracks_and_own_errors_are_read(tmp_path: Path) -> None:
    """Offsets count, times without one are UTC and said to be, tracks are joined in order, a point's own error is kept."""
    own = (
        '<trkpt lat="51.2" lon="-1.1"><time>2026-05-17T12:00:10+02:00</time>'
        "<extensions><accuracy>12.5</accuracy></extensions></trkpt>"
    )
    thin = '<trkpt lat="51.2" lon="-1.1"><time>2026-05-17T10:00:20</time><hdop>2</hdop></trkpt>'
    path = tmp_path / "walk.gpx"
    first = f"<trk><trkseg>{own}{thin}</trkseg></trk>"
    second = f"<trk><trkseg>{POINT.format(time='2026-05-17T10:00:00Z')}</trkseg></trk>"
    path.write_text(f"{HEAD}{first}{second}</gpx>")
    read = read_gpx(path)
    start = datetime(2026, 5, 17, 10, tzinfo=UTC).timestamp()
    assert read.walked.times_s.tolist() == [start, start + 10, start + 20]
    assert read.walked.errors_m.tolist() == [5.0, 12.5, 10.0]
    assert any("name no zone" in note for note in read.notes)
    assert any("2 tracks" in note for note in read.notes)


def test_the_commands_tell_what_they_did(logbook: Logbook, walk: DrawnWalk, tmp_path: Path) -> None:
    """track, stretches and clock answer in sentences through the command line itself."""
    from typer.testing import CliRunner

    import annotate.commands.track  # noqa: F401 (adds the commands)

    fill(logbook, walk)
    path = write_gpx(tmp_path / "walk.gpx", walk)
    folder = ["--logbook", str(logbook.folder)]
    said = CliRunner().invoke(app, ["track", str(path), *folder])
    assert "6 stretches certain, 0 in doubt; 6 clips changed." in said.output
    assert "No stretch is in doubt." in CliRunner().invoke(app, ["stretches", *folder]).output
    clock = CliRunner().invoke(app, ["clock", "--clip", "1", "--offset", "+1h", *folder])
    assert "1 of 1 clip moved." in clock.output


def test_clips_under_no_tree_are_named_and_a_site_must_be_there(
    logbook: Logbook, walk: DrawnWalk, tmp_path: Path
) -> None:
    """A clip filmed under a tree that was not entered is told by its name; a site that is none changes nothing."""
    fill(logbook, replace(walk, trees=tuple(tree for tree in walk.trees if tree.tree_id != 3)))
    path = write_gpx(tmp_path / "walk.gpx", walk)
    with pytest.raises(
        AnnotateError, match=r"site: expected the code of a site \(OTTERHOLT\); found 'NOWHERE'"
    ):
        follow_track(logbook, path, offset="0", site="NOWHERE", who="Maren")
    assert list_stretches(logbook, 1) == ()
    done = follow_track(logbook, path, offset="0", site="otterholt", who="Maren")
    assert done.notes == ("filmed along the way, but under no tree of the register: walk 3.mp4",)


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.9965, "99.7 %"), (0.0035, "0.4 %"), (0.72, "72 %"), (0.0, "under 0.1 %"), (0.9999, "over 99.9 %")],
)
def test_a_share_in_doubt_never_reads_as_certain(share: float, words: str) -> None:
    """Near none and all of it stands a decimal."""
    assert say_share(share) == words


def test_the_place_in_a_file_ties_a_short_clip_to_its_tree(logbook: Logbook, walk: DrawnWalk) -> None:
    """Near one tree it is certain, half-way between two it is asked, far from all nothing is said; a track stands above it."""
    fill(logbook, walk)
    one, two = walk.trees[:2]
    assert cut_by_place(logbook, 1, ClipPlace(one.latitude_deg, one.longitude_deg, 4.0)) == ""
    assert [stretch.tree for stretch in list_stretches(logbook, 1)] == ["OT01"]
    middle = ((one.latitude_deg + two.latitude_deg) / 2, (one.longitude_deg + two.longitude_deg) / 2)
    assert "OT02" in cut_by_place(logbook, 2, ClipPlace(*middle, None))
    assert [asked.clip_id for asked in list_asked(logbook)] == [2]
    assert cut_by_place(logbook, 3, ClipPlace(52.0, -1.1, 4.0)) == ""
    assert list_stretches(logbook, 3) == ()
    assert cut_by_place(logbook, 4, None) == ""
    long = film(logbook, number=77, recorded_at=NOON, duration_s=600.0)
    assert "10 minutes" in cut_by_place(logbook, long.id, ClipPlace(one.latitude_deg, one.longitude_deg, 4.0))


KILL = """
import os, random, shutil, signal, sqlite3, sys, time
from pathlib import Path
import alembic.command, gpxpy, numpy
from annotate.commands import app
import annotate.commands.track, annotate.field.walked, annotate.logbook.tracks

clean, folder, gpx = map(Path, sys.argv[1:])

def start():
    pid = os.fork()
    if pid == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        try:
            app(["track", str(gpx), "--offset", "+1h", "--logbook", str(folder)])
        except SystemExit as ended:
            os._exit(int(ended.code or 0))
        os._exit(1)
    return pid

def read():
    connection = sqlite3.connect(folder / "logbook.db")
    ask = lambda question: connection.execute(question).fetchall()
    assert ask("PRAGMA integrity_check") == [("ok",)] and ask("PRAGMA foreign_key_check") == []
    (tracks,), = ask("SELECT count(*) FROM track")
    (stretches,), = ask("SELECT count(*) FROM stretch")
    (moved,), = ask("SELECT count(*) FROM clip WHERE clock_offset_s = 3600")
    connection.close()
    return tracks, stretches, moved

def renew():
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(clean, folder)

renew()
began = time.monotonic()
assert os.waitpid(start(), 0)[1] == 0
whole_s = time.monotonic() - began
assert read() == (1, 6, 6)
rng, seen = random.Random(3), set()
for round in range(6):
    renew()
    pid = start()
    # Most of the kills late, where it writes.
    time.sleep(whole_s * (1 - rng.random() ** 2 * 0.9))
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    seen.add(read())
    assert os.waitpid(start(), 0)[1] == 0
    assert read() == (1, 6, 6)
print(sorted(seen))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the script forks, which Windows does not know")
def test_a_track_killed_at_any_moment_is_followed_whole_or_not_at_all(
    logbook: Logbook, walk: DrawnWalk, tmp_path: Path
) -> None:
    """SIGKILL at six moments: track, clocks and stretches stand together or none does; the command then does it all."""
    fill(logbook, walk, clock_slow_s=3600.0)
    path = write_gpx(tmp_path / "walk.gpx", walk)
    logbook.close()
    command = [sys.executable, "-c", KILL, str(logbook.folder), str(tmp_path / "killed"), str(path)]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=240)
    assert done.returncode == 0, done.stderr
    assert set(ast.literal_eval(done.stdout)) <= {(0, 0, 0), (1, 6, 6)}
