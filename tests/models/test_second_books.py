"""What the second judge learns from: places are labelled by what stands there, kept whole, and drawn by the rng alone."""

import io
import time
from dataclasses import fields, replace

import numpy as np
import pytest
import torch

from models.canopy.truth import FeedingMark, FrameTruth
from models.cards import DEFAULT_WEIGHTS, load_weights
from models.errors import ModelsError
from models.examples import Example, LayingSettings
from models.judge_books import HIT_REACH, JITTERED_COPIES, LEAST_HIT_PX, LEAST_MISS_PX, MISS_REACH
from models.network import LARVA, ready_pair, seek
from models.patches import build_pyramid, choose_level, cut_crops, make_judge_input, shrink
from models.second_books import (
    FLOOR,
    HARD_LOG_ODDS,
    MOST_LARVAE,
    PAGE_ENDING,
    PageReader,
    SecondBook,
    SecondLesson,
    SecondPage,
    join_pages,
    list_pages,
    make_second_page,
    read_page,
    write_page,
)
from models.second_course import build_second
from models.second_judge import NEAR_PX, WIDE_PX, cut_squares
from models.spots import list_larva_spots
from models.variation import move_batch
from models.whole_files import drafted
from tests.models.made_examples import make_leaf

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("one_thread")
LONGEST_WAIT_S = 20.0


@pytest.fixture(scope="module")
def pair():
    return ready_pair(load_weights(DEFAULT_WEIGHTS)[0], device=CPU, dtype=torch.float32)


def mark_larvae(example, larvae):
    return replace(example, truth=replace(example.truth, larvae=tuple(larvae)))


def hide(mark):
    """The mark of a larva that nobody could see behind what hides it."""
    return replace(mark, visible=0.0)


def make_page(example, pair, *, is_jittered=False, seed=0):
    return make_second_page(example, pair, np.random.default_rng(seed), is_jittered=is_jittered)


def paint_page(larva, *, seed=0, feeding=None, judged=None):
    """A page of places that show noise, labelled as asked."""
    rng = np.random.default_rng(seed)
    count = len(larva)
    near, wide = (rng.integers(0, 256, (count, side, side, 3), dtype=np.uint8) for side in (NEAR_PX, WIDE_PX))
    return SecondPage(
        near,
        wide,
        rng.integers(0, 3, count).astype(np.int8),
        np.array(larva, np.int8),
        np.array([0] * count if feeding is None else feeding, np.int8),
        np.array([-3.0] * count if judged is None else judged, np.float32),
        rng.normal(0, 1, count).astype(np.float32),
    )


def assert_same(first, second):
    for field in fields(SecondPage):
        one, other = getattr(first, field.name), getattr(second, field.name)
        assert one.dtype == other.dtype
        assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), field.name


def measure_misses(places, spots):
    """How far each place lies from each larva's middle, over the reach within which it shows it, and beyond which it does not."""
    distance = np.hypot(places[:, :1] - spots.rows, places[:, 1:] - spots.columns)
    hit, miss = (
        np.maximum(least, reach * spots.lengths_px)
        for least, reach in ((LEAST_HIT_PX, HIT_REACH), (LEAST_MISS_PX, MISS_REACH))
    )
    return distance / hit, distance / miss


def test_places_are_labelled_by_the_larva_near_them(pair):
    """What the seeker names is 1 near a larva's middle, 0 away from all, and left out between; in its order, cut there."""
    picture = make_leaf(2)
    named = seek(pair.seeker, shrink(picture.rgb), channel=LARVA, most=MOST_LARVAE, floor=FLOOR)
    # A place that was named half a reach beside one larva, so that it is neither near nor away.
    marks = list(picture.truth.larvae)
    offset = 0.5 * (LEAST_HIT_PX + MISS_REACH * marks[0].length_px)
    top, left, bottom, right = marks[0].box
    moved = replace(marks[0], box=(top + round(offset), left, bottom + round(offset), right))
    example = mark_larvae(picture, [moved, *marks[1:]])
    hits, misses = measure_misses(named.places_px, list_larva_spots(example))
    shows, away = (hits <= 1).any(axis=1), (misses > 1).all(axis=1)
    assert shows.sum() >= 3 and away.sum() >= 3 and (~shows & ~away).any()
    page = make_page(example, pair)
    is_named = np.isfinite(page.named)
    assert np.array_equal(page.named[is_named], named.log_odds[shows | away])
    assert np.array_equal(page.larva[is_named], shows[shows | away].astype(np.int8))
    levels = [choose_level(length) for length in named.lengths_px[shows | away]]
    assert page.levels[is_named].tolist() == levels
    pyramid = build_pyramid(picture.rgb, half=shrink(picture.rgb))
    inner = [
        (number, place, level)
        for number, (place, level) in enumerate(zip(named.places_px[shows | away], levels, strict=True))
        if level < 2 and (np.abs(place - 127.5) < 79).all()  # near is cut at full size and meets no edge
    ]
    assert len(inner) >= 3
    for number, place, level in inner:
        assert np.array_equal(page.near[number], cut_squares(pyramid, place, level)[0])


def test_the_pairs_judge_is_asked_at_two_sizes(pair):
    """What the first judge says of a place is the mean of its log-odds at its level and the next finer one."""
    example = make_leaf(2)
    named = seek(pair.seeker, shrink(example.rgb), channel=LARVA, most=MOST_LARVAE, floor=FLOOR)
    pyramid = build_pyramid(example.rgb, half=shrink(example.rgb))
    page = make_page(example, pair)
    is_named = np.isfinite(page.named)
    assert is_named.sum() == len(named.places_px) and len(set(page.levels[is_named])) > 1
    said = []
    for place, length in zip(named.places_px, named.lengths_px, strict=True):
        level = choose_level(length)
        crops = [cut_crops(pyramid, place[None], [at])[0] for at in (level, max(0, level - 1))]
        inputs = make_judge_input(torch.from_numpy(np.stack(crops)), dtype=torch.float32)
        with torch.inference_mode():
            told = torch.tensor([level, max(0, level - 1)])
            said.append(float(pair.judge.judge(pair.judge.look(inputs), inputs, told)[:, LARVA].mean()))
    np.testing.assert_allclose(page.judged[is_named], said, atol=1e-3)


def test_jittered_pages_show_every_larva_more_often(pair):
    """Beside what is named, every larva that can be taught is cut a few times more; the seeker has no word on those."""
    example = make_leaf(1)
    hidden = mark_larvae(example, [hide(example.truth.larvae[0]), *example.truth.larvae[1:]])
    taught = list_larva_spots(hidden).teach.sum()
    assert taught == len(example.truth.larvae) - 1
    plain, jittered = (make_page(hidden, pair, is_jittered=is_jittered) for is_jittered in (False, True))
    added = len(jittered.larva) - len(plain.larva)
    assert 0 < added <= JITTERED_COPIES * taught
    assert np.isnan(jittered.named[-added:]).all() and (jittered.larva[-added:] == 1).all()
    assert_same(jittered, make_page(hidden, pair, is_jittered=True))
    other = make_page(hidden, pair, is_jittered=True, seed=1)
    assert not np.array_equal(jittered.near[-1], other.near[-1])


def test_a_larva_that_nobody_could_see_is_left_out(pair):
    """Places that show only such are in no page; of a picture of nothing else comes a page without places, kept as any other."""
    example = make_leaf(1)
    hidden = mark_larvae(example, map(hide, example.truth.larvae))
    whole, page = make_page(example, pair), make_page(hidden, pair)
    assert whole.larva.sum() > 0 and page.larva.sum() == 0
    assert len(page.larva) == (whole.larva == 0).sum()


def make_empty_page(pair):
    """A page of a picture no larger than the one larva on it, which nobody could see."""
    rgb = np.full((8, 8, 3), 90, np.uint8)
    mark = replace(hide(make_leaf(1).truth.larvae[0]), box=(0, 0, 8, 8), length_px=30.0)
    return make_page(Example("tiny", rgb, FrameTruth(0, 0.0, (mark,), ())), pair, is_jittered=True)


def test_a_page_may_hold_no_place(tmp_path, pair):
    """Of a picture in which nothing can be learned comes an empty page; it is kept, joined and taken up as any other."""
    page = make_empty_page(pair)
    assert page.near.shape == (0, 96, 96, 3) and page.wide.shape == (0, 64, 64, 3) and len(page.larva) == 0
    write_page(tmp_path / f"empty{PAGE_ENDING}", page)
    assert_same(read_page(tmp_path / f"empty{PAGE_ENDING}"), page)
    some = paint_page([1, 0])
    assert_same(join_pages([page, some, page]), some)
    book = SecondBook(4, device=CPU)
    book.take_up(page)
    assert book.count == 0 and book.groups == ([], [], [], [])


def test_chewed_places_are_labelled_too(pair):
    """A place in the box of a chewed piece shows feeding; jittered, each piece is cut once, and it is no larva."""
    example = make_leaf(4, LayingSettings(count=(0, 0)))
    outline = np.array([[100, 100], [100, 150], [150, 150], [150, 100]], np.float32)
    mark = FeedingMark("1", "1", (100, 100, 150, 150), outline, 5.0)
    chewed = replace(example, truth=replace(example.truth, feeding=(mark,)))
    page = make_page(chewed, pair, is_jittered=True)
    assert not page.larva.any()
    assert page.feeding[-1] == 1 and np.isnan(page.named[-1])
    assert not make_page(example, pair, is_jittered=True).feeding.any()


def test_a_written_page_comes_back(tmp_path, pair):
    """Every number of a page is read back as it was, and nothing else is left in the folder."""
    page = make_page(make_leaf(3), pair, is_jittered=True)
    path = tmp_path / f"leaf{PAGE_ENDING}"
    write_page(path, page)
    assert_same(read_page(path), page)
    assert list(tmp_path.iterdir()) == [path] == list_pages(tmp_path)


def test_a_page_written_anew_takes_the_old_ones_place_at_once(tmp_path):
    """Who has a page open while it is written again reads the old one to its end."""
    path, first, second = tmp_path / f"1{PAGE_ENDING}", paint_page([1, 0]), paint_page([0, 0, 1])
    write_page(path, first)
    old = path.read_bytes()
    with path.open("rb") as stream:
        write_page(path, second)
        assert stream.read() == old
    assert_same(read_page(path), second)


def cut_off(path):
    path.write_bytes(path.read_bytes()[:-2000])


def leave_labels_out(path):
    np.savez(path, near=read_page(path).near)


def shrink_squares(path):
    page = read_page(path)
    write_page(path, replace(page, near=page.near[:, :48, :48]))


def write_array(path):
    memory = io.BytesIO()
    np.save(memory, np.zeros(3))
    path.write_bytes(memory.getvalue())


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (lambda path: path.unlink(), "FileNotFoundError"),
        (lambda path: path.write_bytes(b""), "EOFError"),
        (lambda path: path.write_bytes(b"no page"), "ValueError"),
        (cut_off, "BadZipFile"),
        (write_array, "TypeError"),
        (leave_labels_out, "KeyError"),
        (shrink_squares, r"2 places with squares \(2, 48, 48, 3\)"),
    ],
)
def test_a_broken_page_is_refused(tmp_path, spoil, found):
    """Whatever else lies in place of a page, the message names the file, what was expected and found, and what to do."""
    path = tmp_path / f"spoilt{PAGE_ENDING}"
    write_page(path, paint_page([1, 0]))
    spoil(path)
    with pytest.raises(ModelsError, match=rf"spoilt.*cannot be read.*expected.*found: .*{found}.*delete it"):
        read_page(path)


def test_a_book_is_filled_until_it_is_full():
    """Places are taken up in order as long as there is room; what comes later is passed over."""
    first, second = paint_page([1, 0, 0], seed=1), paint_page([0, 1, 1], seed=2)
    book = SecondBook(5, device=CPU)
    for page, count in ((first, 3), (second, 5), (first, 5)):
        book.take_up(page)
        assert book.count == count
    whole = join_pages([first, second])
    for name in ("near", "wide", "levels", "larva", "feeding"):
        assert np.array_equal(getattr(book, name).numpy(), getattr(whole, name)[:5]), name
    assert sorted(number for group in book.groups for number in group) == [0, 1, 2, 3, 4]


def test_places_are_grouped_by_what_they_show():
    """Larvae, else chewed ones, else those that the first judge takes for a larva, else the rest; numbered through all pages."""
    page = paint_page(
        [1, 1, 0, 0, 0, 0],
        feeding=[0, 1, 1, 0, 0, 0],
        judged=[-3, 2, 2, HARD_LOG_ODDS, HARD_LOG_ODDS - 0.1, np.nan],
    )
    book = SecondBook(20, device=CPU)
    book.take_up(page)
    assert book.groups == ([0, 1], [2], [3], [4, 5])
    book.take_up(page)
    assert book.groups == ([0, 1, 6, 7], [2, 8], [3, 9], [4, 5, 10, 11])


def make_lesson(page, batch, reader=None):
    book = SecondBook(64, device=CPU)
    book.take_up(page)
    return SecondLesson(book, batch, reader)


def watch_batches(lesson, seeds):
    """Return the squares that a judge is shown, and the loss, for each seed."""
    judge = build_second(seed=0).eval()
    shown = []
    judge.register_forward_pre_hook(lambda module, given: shown.append([part.clone() for part in given]))
    with torch.no_grad():
        losses = [float(lesson.measure_loss(judge, np.random.default_rng(seed))) for seed in seeds]
    return shown, losses


def test_the_same_rng_draws_the_same_batch():
    """Which places, how they are turned and lit hang on the rng alone; another one draws others."""
    lesson = make_lesson(paint_page([1, 1, 0, 0, 0, 0, 0, 0]), 6)
    (first, again, other), losses = watch_batches(lesson, (5, 5, 6))
    assert first[0].shape == (6, 3, 96, 96) and first[1].shape == (6, 3, 64, 64) and first[2].shape == (6,)
    assert all(torch.equal(one, two) for one, two in zip(first, again, strict=True))
    assert not torch.equal(first[0], other[0])
    assert losses[0] == losses[1] != losses[2] and min(losses) > 0


def test_what_is_dropped_out_hangs_on_the_rng_too():
    """A judge that learns drops parts of its vector: the same rng gives the same loss, torch's own numbers go on untouched."""
    lesson = make_lesson(paint_page([1, 1, 0, 0, 0, 0, 0, 0]), 6)
    judge = build_second(seed=0).eval()
    judge.head.train()
    before = torch.random.get_rng_state()
    with torch.no_grad():
        first, again = (float(lesson.measure_loss(judge, np.random.default_rng(5))) for _ in range(2))
        kept = float(lesson.measure_loss(judge.eval(), np.random.default_rng(5)))
    assert first == again != kept
    assert torch.equal(torch.random.get_rng_state(), before)


def test_larvae_and_hard_places_come_more_often_than_they_are():
    """Of 25 places 9 are larvae and 9 hard ones, whatever their share of the book; with none of a kind, any place stands in."""
    page = paint_page([1] * 2 + [0] * 58, judged=[0] * 4 + [-5] * 56)
    page = replace(page, levels=np.array([0] * 2 + [1] * 2 + [2] * 56, np.int8))
    (shown,), _ = watch_batches(make_lesson(page, 25), (0,))
    levels = shown[2].int().tolist()
    assert (
        levels[:9] == [0] * 9 and levels[10:19] == [1] * 9 and levels[19:] == [2] * 6
    )  # the tenth is for a chewed one
    (shown,), losses = watch_batches(make_lesson(paint_page([0, 0]), 25), (0,))
    assert len(shown[2]) == 25 and np.isfinite(losses).all()


def test_both_squares_of_a_place_are_turned_alike(monkeypatch):
    """Where near has its bright quarter and its half-bright one, wide has them too, in all eight ways."""
    monkeypatch.setattr("models.variation.MOVED_SHARE", 0.0)
    page = paint_page([0] * 8)
    for squares in (page.near, page.wide):
        half = squares.shape[1] // 2
        squares[...] = 20
        squares[:, :half, :half], squares[:, :half, half:] = 220, 120
    (shown,), _ = watch_batches(make_lesson(page, 8), (0,))
    corners = [torch.nn.functional.adaptive_avg_pool2d(part.mean(dim=1), 2).flatten(1) for part in shown[:2]]
    orders = [[tuple(row.argsort(descending=True)[:2].tolist()) for row in part] for part in corners]
    assert orders[0] == orders[1] and len(set(orders[0])) == 8


def test_pictures_are_moved_about_their_middles():
    """Turned by any angle, scaled and shifted a little: the middle stays near it, an edge goes elsewhere, both sizes alike."""
    pictures = []
    for side in (96, 64):
        picture = torch.full((64, side, side, 3), 20, dtype=torch.uint8)
        half, reach = side // 2, side // 8
        picture[:, half - reach : half + reach, half - reach : half + reach] = 220
        picture[:, :, -side // 8 :] = 120
        pictures.append(move_batch(picture, np.random.default_rng(5)))
    small, large = (
        torch.nn.functional.adaptive_avg_pool2d(part.permute(0, 3, 1, 2), 8).mean(dim=1) for part in pictures
    )
    assert torch.allclose(small, large, atol=12.0)
    assert bool((small[:, 3:5, 3:5].mean(dim=(1, 2)) > small.mean(dim=(1, 2))).all())
    sides = torch.stack([small[:, 0].mean(dim=1), small[:, :, 0].mean(dim=1), small[:, :, -1].mean(dim=1)])
    assert set(sides.argmax(dim=0).tolist()) == {0, 1, 2}
    assert pictures[0].dtype == torch.float32


def wait_for(reader, count):
    """Take pages until so many are there; fail where they never come."""
    taken, latest = [], time.monotonic() + LONGEST_WAIT_S
    while len(taken) < count and time.monotonic() < latest:
        taken += reader.take()
        time.sleep(0.01)
    assert len(taken) == count
    return taken


def test_pages_written_later_are_read_too(tmp_path):
    """A folder that is not there yet, pages at first, pages later: each is given once, in order of name."""
    folder = tmp_path / "pages"
    pages = [paint_page([1, 0], seed=seed) for seed in range(3)]
    with PageReader(folder, every_s=0.01) as reader:
        assert reader.take() == []
        folder.mkdir()
        write_page(folder / f"0{PAGE_ENDING}", pages[0])
        assert_same(wait_for(reader, 1)[0], pages[0])
        for number in (1, 2):
            write_page(folder / f"{number}{PAGE_ENDING}", pages[number])
        for page, expected in zip(wait_for(reader, 2), pages[1:], strict=True):
            assert_same(page, expected)
        time.sleep(0.05)
        assert reader.take() == []


def test_a_half_written_page_is_never_read(tmp_path):
    """While a page is being written nothing is read of it; once it is whole, it is read."""
    page = paint_page([1, 0])
    whole = tmp_path / "kept" / f"1{PAGE_ENDING}"
    whole.parent.mkdir()
    write_page(whole, page)
    data = whole.read_bytes()
    folder = tmp_path / "pages"
    folder.mkdir()
    with PageReader(folder, every_s=0.005) as reader:
        with drafted(folder / f"1{PAGE_ENDING}") as draft:
            draft.write_bytes(data[: len(data) // 2])
            time.sleep(0.1)
            assert list_pages(folder) == [] and reader.take() == []
            draft.write_bytes(data)
        assert_same(wait_for(reader, 1)[0], page)


def test_a_reader_tells_of_a_broken_page(tmp_path):
    """What cannot be read in the background reaches whoever asks for pages, in the words of `read_page`."""
    (tmp_path / f"1{PAGE_ENDING}").write_bytes(b"no page")
    with (
        PageReader(tmp_path, every_s=0.01) as reader,
        pytest.raises(ModelsError, match="cannot be read as a page"),
    ):
        wait_for(reader, 1)


def test_a_reader_that_ends_ends_soon(tmp_path):
    """Leaving a reader waits for no further look into the folder."""
    began = time.monotonic()
    with PageReader(tmp_path, every_s=30.0):
        time.sleep(0.05)
    assert time.monotonic() - began < 10


def test_a_lesson_takes_up_what_is_written_meanwhile(tmp_path):
    """While it draws batches a lesson's book grows by what was read."""
    with PageReader(tmp_path, every_s=0.01) as reader:
        lesson = make_lesson(paint_page([1, 0]), 2, reader)
        write_page(tmp_path / f"1{PAGE_ENDING}", paint_page([1, 0, 0], seed=1))
        judge, latest = build_second(seed=0).eval(), time.monotonic() + LONGEST_WAIT_S
        with torch.no_grad():
            while lesson.book.count == 2 and time.monotonic() < latest:
                lesson.measure_loss(judge, np.random.default_rng(0))
    assert lesson.book.count == 5 and len(lesson.book.groups[0]) == 2
