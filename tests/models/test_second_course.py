"""The second judge's course: from drawn pictures to weights that are kept, checked, measured and refused."""

import json
import re
import shutil
from dataclasses import replace

import cv2
import numpy as np
import pytest
import torch

from models.cards import WeightsError, find_card_path, hash_file
from models.errors import ModelsError
from models.head_cards import BACKBONE, read_head_card, save_head
from models.network import ready_network
from models.second_books import (
    MOST_CHEWED,
    MOST_LARVAE,
    PAGE_ENDING,
    SecondPage,
    choose_places,
    judge_page,
    list_pages,
    read_page,
    write_page,
)
from models.second_course import (
    SECOND,
    build_second,
    examine_second,
    load_second,
    main,
    read_aside,
    round_second,
)
from models.second_judge import NEAR_PX, WIDE_PX, SecondJudge
from models.training import hash_folder

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("one_thread")


def paint_page(larva, *, named=None, seed=0):
    """A page of noise, of which the first judge and the seeker know a little."""
    rng = np.random.default_rng(seed)
    answers = np.array(larva, np.int8)
    near, wide = (
        rng.integers(0, 256, (len(larva), side, side, 3), dtype=np.uint8) for side in (NEAR_PX, WIDE_PX)
    )
    judged = (answers + rng.normal(0, 1, len(larva))).astype(np.float32)
    said = rng.normal(-3, 1, len(larva)).astype(np.float32) if named is None else np.float32(named)
    return SecondPage(near, wide, np.zeros_like(answers), answers, np.zeros_like(answers), judged, said)


def write_aside(folder, larva, **given):
    folder.mkdir(exist_ok=True)
    write_page(folder / f"1{PAGE_ENDING}", paint_page(larva, **given))
    return folder


BOTH_KINDS = [1, 1, 0, 0, 1, 0, 0, 1]


def learn(folder, aside, path, *options):
    usual = ["--device", "cpu", "--batch", "2", "--most-places", "200"]
    main(["learn", str(folder), str(aside), str(path), *usual, *options])


def test_a_book_that_is_too_large_is_refused(tmp_path):
    """Where there is no room for so many places it is said how much they would take, before anything is waited for."""
    pages = write_aside(tmp_path / "pages", BOTH_KINDS)
    with pytest.raises(
        ModelsError, match=r"10000000000 places.*expected 399360 GB free, found.*--most-places"
    ):
        learn(pages, pages, tmp_path / "second.pt", "--most-places", "10000000000")


def test_from_drawn_pictures_to_weights(tmp_path):
    """Drawn pages become weights and a card that says what they learned from, by what plan, and how good they are."""
    pages, aside, path = tmp_path / "pages", tmp_path / "aside", tmp_path / "second.pt"
    photos = tmp_path / "photos"
    photos.mkdir()
    leaf = np.random.default_rng(0).normal((50, 175, 90), 4, (360, 360, 3))
    for name in ("leaf", "crown"):
        cv2.imwrite(str(photos / f"{name}.png"), np.clip(leaf, 0, 255).astype(np.uint8))
    common = ["--stocks", "1", "--workers", "1"]
    beside = ["--empty", str(photos), "--leave-out", "crown"]
    main(["draw", str(pages), "--first-seed", "40", "--pictures", "1", *common, *beside])
    assert [page.name for page in list_pages(pages)] == [
        f"{kind}-0000040{PAGE_ENDING}" for kind in ("drawn", "photos")
    ]
    main(["draw", str(aside), "--first-seed", "5", "--pictures", "2", "--plain", *common])
    learned, measured = [read_page(page) for page in list_pages(pages)], read_page(list_pages(aside)[0])
    assert 0 < len(measured.larva) <= 2 * (MOST_LARVAE + MOST_CHEWED)  # named, none beside
    places = sum(len(page.larva) for page in learned)
    most = str(places - 1)  # no room for the last
    options = ["--seconds", "30", "--steps", "2", "--seed", "3", "--most-places", most]
    learn(pages, aside, path, *options, "--progress", str(tmp_path / "kept"), *beside)
    judge, card = load_second(path)
    assert isinstance(judge, SecondJudge) and not judge.training
    assert (card.name, card.licence, card.backbone) == ("second", "Apache-2.0", BACKBONE)
    assert (card.data["places"], card.data["pages"], card.data["batch"]) == (places - 1, 2, 2)
    assert 0 < card.data["larvae"] <= sum(int((page.larva == 1).sum()) for page in learned)
    assert (card.data["plan"]["steps"], card.data["plan"]["seed"]) == (2, 3)
    assert card.data["pages set aside"] == {"pages": 1, "sha256": hash_folder(list_pages(aside))}
    learned_photos = {"pictures": 1, "sha256": hash_folder([photos / "leaf.png"])}
    assert card.data["real pictures without larvae"] == learned_photos
    assert card.numbers["places"] == np.isfinite(measured.named).sum()
    assert all(np.isfinite(value) for value in card.numbers.values())
    further = tmp_path / "further.pt"
    learn(pages, aside, further, "--steps", "1", "--most-places", most, "--start", str(path))
    assert load_second(further)[1].data["before"] == card.data
    new = round_second(build_second(seed=3))
    for learned_weights, untaught in zip(judge.parameters(), new.parameters(), strict=True):
        assert not torch.equal(learned_weights, untaught)
    assert path.stat().st_size < SECOND.most_bytes


def test_learning_fits_its_steps_into_the_time(tmp_path, caplog, monkeypatch):
    """Without a number of steps it learns as many as the seconds allow, at least one."""
    pages, path = write_aside(tmp_path / "pages", BOTH_KINDS), tmp_path / "second.pt"
    monkeypatch.setattr("models.second_course.TIMED_STEPS", 4)  # as many as tell the time of one here
    with caplog.at_level("INFO"):
        learn(pages, pages, path, "--seconds", "0.1", "--first-places", "8")
    assert load_second(path)[1].data["plan"]["steps"] == 1
    assert "1 steps, 8 places at first" in caplog.text


def test_learning_waits_no_longer_than_its_time(tmp_path):
    """Where the first places are not there within the seconds to learn in, it is told how many there are; nothing is written."""
    pages = write_aside(tmp_path / "pages", BOTH_KINDS)
    with pytest.raises(ModelsError, match=r"too few places.*expected 9 after 1 s, found 8; draw more"):
        learn(pages, pages, tmp_path / "second.pt", "--seconds", "0.6", "--first-places", "9")
    assert not (tmp_path / "second.pt").exists()


@pytest.mark.parametrize(
    ("larva", "named", "found"),
    [
        ([], [], "1 pages with 0 places, 0 of them larvae"),
        ([1], [0], "1 pages with 1 places, 1 of them larvae"),
        ([1, 1, 0, 1], [0] * 4, "1 pages with 4 places, 3 of them larvae"),
        ([0] * 6, [0] * 6, "1 pages with 6 places, 0 of them larvae"),
        ([1, 1, 0, 0], [0, 0, np.nan, np.nan], "1 pages with 2 places, 2 of them larvae"),
        ([1, 0, 1, 0], [0] * 4, "1 pages with 4 places, 2 of them larvae"),
    ],
)
def test_pages_that_cannot_be_measured_on_are_refused_before_learning(tmp_path, caplog, larva, named, found):
    """Where either half of what was named lacks larvae or anything else, more are asked for, and no step is learned before."""
    aside = write_aside(tmp_path / "aside", larva, named=named)
    pages = write_aside(tmp_path / "pages", BOTH_KINDS)
    message = rf"aside: holds too little.*expected larvae and other places.*found {found}; draw more.*--plain"
    with pytest.raises(ModelsError, match=message):
        examine_second(build_second(seed=0), aside, device=CPU)
    with pytest.raises(ModelsError, match=message), caplog.at_level("INFO"):
        learn(pages, aside, tmp_path / "second.pt", "--steps", "1", "--first-places", "1")
    assert "places at first" not in caplog.text  # what is said as learning begins
    assert not (tmp_path / "second.pt").exists()


def test_without_pages_set_aside_more_are_asked_for(tmp_path):
    """A folder without pages, or none at all, is named."""
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(ModelsError, match=rf"{folder}: holds too little.*found 0 pages with 0 places"):
            read_aside(folder)


def test_what_was_named_is_measured(tmp_path):
    """Counted is what the seeker named; each of the numbers is a share."""
    aside = write_aside(tmp_path / "aside", [*BOTH_KINDS, 1], named=[-3.0] * 8 + [np.nan])
    judge = build_second(seed=0)
    numbers = examine_second(judge, aside, device=CPU)
    assert (numbers["places"], numbers["larvae"]) == (8, 4)
    names = {f"{kind}_{turns}_average_precision" for kind in ("second", "together") for turns in (1, 8)}
    assert set(numbers) == {"places", "larvae", "pair_average_precision"} | names
    assert all(0 <= numbers[name] <= 1 for name in names)


def test_a_judge_is_measured_by_what_it_ranks(tmp_path):
    """Its average precision is 1 where larvae are what it ranks highest, and their share where they are what it ranks last."""
    judge, places = build_second(seed=0), paint_page(BOTH_KINDS)
    said = judge_page(ready_network(judge, device=CPU, dtype=torch.float32), places, device=CPU)
    order = np.argsort(said)[[0, 1, 7, 6, 2, 3, 5, 4]]  # both of each kind in either half
    for larvae, expected in ((slice(4, 8), 1.0), (slice(0, 4), 0.5)):
        larva = np.zeros(8, np.int8)
        larva[np.argsort(said)[larvae]] = 1
        page = choose_places(replace(places, larva=larva), order)
        write_page(tmp_path / f"1{PAGE_ENDING}", page)
        assert examine_second(judge, tmp_path, device=CPU)["second_1_average_precision"] == pytest.approx(
            expected
        )


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Weights of an untaught second judge, with their card."""
    path = tmp_path_factory.mktemp("kept") / "second.pt"
    save_head(path, SECOND, round_second(build_second(seed=5)), data={"places": 1}, numbers={"together": 0.5})
    return path


def copy_kept(kept, folder):
    for path in (kept, find_card_path(kept)):
        shutil.copy(path, folder)
    return folder / kept.name


def test_saved_weights_come_back(tmp_path, kept):
    """Saved and loaded, every number is the same, in a file of 16-bit numbers; torch's own generator stays as it was."""
    path, state = copy_kept(kept, tmp_path), torch.random.get_rng_state()
    judge, card = load_second(path)
    assert torch.equal(state, torch.random.get_rng_state())
    before = round_second(build_second(seed=5)).state_dict()
    assert all(torch.equal(before[name], tensor) for name, tensor in judge.state_dict().items())
    assert card == read_head_card(find_card_path(path), SECOND) and card.numbers == {"together": 0.5}
    assert path.stat().st_size < SECOND.most_bytes
    assert sorted(other.name for other in tmp_path.iterdir()) == ["second.json", "second.pt"]


def change_card(path, **values):
    card = find_card_path(path)
    card.write_text(json.dumps(json.loads(card.read_text()) | values))


def leave_out(path, name):
    card = find_card_path(path)
    body = json.loads(card.read_text())
    del body[name]
    card.write_text(json.dumps(body))


def keep_as_known(path):
    """Let the card know the weights as they lie there."""
    change_card(path, weights_sha256=hash_file(path))


def change_byte(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def cut_off(path):
    path.write_bytes(path.read_bytes()[:-100])


def cut_off_known(path):
    cut_off(path)
    keep_as_known(path)


def save_other(path):
    torch.save(build_second(seed=0).gather.state_dict(), path)
    keep_as_known(path)


def save_list(path):
    torch.save([1, 2], path)
    keep_as_known(path)


def cut_off_card(path):
    card = find_card_path(path)
    card.write_text(card.read_text()[:-20])


CARD = r"second\.json: cannot be read as the card of a head; expected format leafshade-second-judge version 1, found: "
WEIGHTS = (
    r"second\.pt: holds no weights of this head; expected the file that its card was written for, found: "
)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda path: find_card_path(path).unlink(), f"{CARD}no such file"),
        (cut_off_card, f"{CARD}JSONDecodeError"),
        (lambda path: find_card_path(path).write_bytes(b"\xff"), f"{CARD}UnicodeDecodeError"),
        (lambda path: find_card_path(path).write_text("[]"), f"{CARD}TypeError"),
        (lambda path: leave_out(path, "numbers"), f"{CARD}KeyError: 'numbers'"),
        (
            lambda path: change_card(path, format="leafshade-generic-head"),
            f"{CARD}ValueError: format leafshade-generic-head version 1",
        ),
        (
            lambda path: change_card(path, version=2),
            f"{CARD}ValueError: format leafshade-second-judge version 2",
        ),
        (
            lambda path: change_card(path, backbone={"sha256": "0"}),
            r"learned on another backbone; expected .*, found \{'sha256': '0'\}",
        ),
        (lambda path: path.unlink(), f"{WEIGHTS}no such file"),
        (lambda path: path.write_bytes(b""), f"{WEIGHTS}ValueError: sha256"),
        (cut_off, f"{WEIGHTS}ValueError: sha256 .* where the card has"),
        (change_byte, f"{WEIGHTS}ValueError: sha256 .* where the card has"),
        (lambda path: path.write_bytes(bytes(SECOND.most_bytes + 1)), f"{WEIGHTS}.*5000001 bytes, more than"),
        (cut_off_known, f"{WEIGHTS}RuntimeError"),
        (save_other, f"{WEIGHTS}RuntimeError"),
        (save_list, f"{WEIGHTS}TypeError"),
    ],
)
def test_weights_that_do_not_fit_are_refused(tmp_path, kept, spoil, message):
    """Whatever is missing, cut off or changed, the message names the file, what was expected and found, and what to do."""
    path = copy_kept(kept, tmp_path)
    spoil(path)
    with pytest.raises(WeightsError, match=f"{message}.*; {re.escape(SECOND.advice)}$"):
        load_second(path)
