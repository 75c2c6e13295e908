"""Pixels become per cent and come back; tasks, suggestions and answers pass the SDK's own validation; odd answers are refused."""

import copy
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip(
    "label_studio_sdk", reason="the SDK of label servers is not installed: pip install '.[test]'"
)

from annotate.errors import AnnotateError
from annotate.exchange.labelling import (
    CHOICES,
    find_missing,
    read_answer,
    write_configuration,
    write_data,
    write_key,
    write_suggestion,
)
from annotate.exchange.percentages import read_box, read_points, write_box, write_points
from annotate.logbook.exchange import OfferedCandidate
from annotate.words import REASONS

SIZE = (240, 320)


def make_offered(kind: str = "silhouette", **more: Any) -> OfferedCandidate:
    outline = np.float32([[510, 710], [510, 760], [530, 762], [533, 708]])
    values: dict[str, Any] = {
        "id": 1,
        "kind": kind,
        "score": 0.83,
        "scorer": "made 1",
        "site": "OTTERHOLT",
        "tree": "OT03",
        "at": datetime(2026, 5, 17, 11, 0, tzinfo=UTC),
        "zone": "Europe/London",
        "length_px": 51.6,
        "answer": "open",
        "clip_sha256": "ab" * 32,
        "frame_index": 300,
        "box": (510, 708, 534, 763),
        "outlines": (outline,),
        "picture": "cd" * 32,
        "origin_px": (400, 600),
        "size_px": SIZE,
    }
    return OfferedCandidate(**(values | more))


def answer(*choices: tuple[str, str], points: Any = None, **more: Any) -> list[dict[str, Any]]:
    """The results of an answer with these (name, word) choices, and an outline where points are given."""
    results: list[dict[str, Any]] = [
        {"from_name": name, "to_name": "picture", "type": "choices", "value": {"choices": [word]}}
        for name, word in choices
    ]
    if points is not None:
        value = {"points": points, "polygonlabels": ["larva"]}
        results.append(
            {"from_name": "outline", "to_name": "picture", "type": "polygonlabels", "value": value} | more
        )
    return results


def test_the_corners_of_a_picture_are_0_and_100_per_cent() -> None:
    """The centre of the first pixel lies half a pixel inside: in 4 rows and 10 columns at 5 % and 12.5 %."""
    corners = np.float32([[-0.5, -0.5], [-0.5, 9.5], [3.5, 9.5], [3.5, -0.5]])
    assert write_points(corners, (4, 10)) == [[0, 0], [100, 0], [100, 100], [0, 100]]
    assert write_points(np.float32([[0, 0], [1, 2], [3, 9]]), (4, 10)) == [[5, 12.5], [25, 37.5], [95, 87.5]]
    assert write_box((0, 0, 4, 10), (4, 10)) == {"x": 0, "y": 0, "width": 100, "height": 100}
    assert write_box((1, 2, 3, 7), (4, 10)) == {"x": 20, "y": 25, "width": 50, "height": 50}


@settings(max_examples=60, deadline=None)
@given(st.data(), st.integers(2, 9000), st.integers(2, 9000))
def test_outlines_and_boxes_come_back(data: st.DataObject, rows: int, columns: int) -> None:
    """There and back no point moves by a hundredth of a pixel, in pictures of any shape."""
    row, column = st.floats(-0.5, rows - 0.5, width=32), st.floats(-0.5, columns - 0.5, width=32)
    outline = np.float32(data.draw(st.lists(st.tuples(row, column), min_size=3, max_size=9)))
    points = write_points(outline, (rows, columns))
    assert all(0 <= value <= 100 for point in points for value in point)
    assert np.abs(read_points(points, (rows, columns)) - outline).max() < 0.01
    box = (rows // 3, columns // 4, rows, columns - 1)
    assert read_box(write_box(box, (rows, columns)), (rows, columns)) == pytest.approx(box, abs=0.01)


def test_what_reaches_over_the_edge_is_cut_there() -> None:
    """An outline and a box partly outside the picture stay within 0 and 100 per cent."""
    points = write_points(np.float32([[-20, 5], [10, 400], [300, 5]]), SIZE)
    assert min(min(point) for point in points) == 0 and max(max(point) for point in points) == 100
    assert write_box((-5, -5, 500, 500), SIZE) == {"x": 0, "y": 0, "width": 100, "height": 100}


@pytest.mark.parametrize(
    "points",
    [
        None,
        "1,2 3,4 5,6",
        [],
        [[1, 2], [3, 4]],
        [[1, 2], [3, 4], [5]],
        [[1, 2], [3, 4], "56"],
        [[1, 2], [3, 4], [5, None]],
        [[1, 2], [3, 4], [5, True]],
        [[1, 2], [3, 4], [5, 10**400]],
        [[1, 2], [3, 4], [5, float("inf")]],
        [[1, 2], [3, 4], [5, float("nan")]],
        [[10, 10], [90, 10], [90, 120]],
        [[10, 10], [90, 10], [-3, 50]],
        [[1, 2]] * 10_001,
    ],
)
def test_polygons_that_are_none_are_refused(points: object) -> None:
    """No list, too few or too many points, no numbers, or outside the picture: refused in words."""
    with pytest.raises(AnnotateError, match="outline from the label server: expected"):
        read_points(points, SIZE)


def test_the_labelling_configuration_is_valid_and_has_our_words() -> None:
    """The SDK finds no fault with it, and people choose among our answers, reasons and things."""
    from label_studio_sdk.label_interface import LabelInterface

    config = LabelInterface(write_configuration())
    config.validate()
    controls = {control.name: set(control.labels) for control in config.controls}
    assert controls["answer"] == set(CHOICES) == {"larva", "feeding", "nothing", "doubtful"}
    assert controls["reason"] == set(REASONS)
    assert controls["outline"] == controls["box"] == {"larva", "feeding"}
    assert find_missing(write_configuration()) == []


def test_what_a_project_lacks_is_named() -> None:
    """A project completed by people is welcome; one without a part of ours, or unreadable, is not."""
    ours = write_configuration()
    completed = ours.replace(
        "</View>", '<Choices name="light" toName="picture"><Choice value="sun"/></Choices></View>'
    )
    assert find_missing(completed) == []
    assert find_missing(ours.replace('<Choice value="doubtful"/>', "")) == ["answer"]
    assert find_missing(ours.replace('value="$picture"', 'value="$image"')) == ["picture"]
    assert find_missing(ours.replace("PolygonLabels", "BrushLabels")) == ["outline"]
    for broken in ("", "<View>", "<View/>", "no XML", "<View>" * 40_000, "\0"):
        assert find_missing(broken) != []


def test_an_outside_entity_in_a_configuration_is_not_read(tmp_path: Path) -> None:
    """A configuration that wants a file of this computer gets none of it."""
    secret = tmp_path / "secret.txt"
    secret.write_text("larva-secret", encoding="utf-8")
    hostile = (
        f'<!DOCTYPE View [<!ENTITY e SYSTEM "{secret.as_uri()}">]><View><Text name="a" value="&e;"/></View>'
    )
    assert "secret" not in str(find_missing(hostile))


@pytest.mark.parametrize("kind", ["silhouette", "feeding"])
def test_tasks_and_suggestions_pass_the_sdks_validation(kind: str) -> None:
    """Task and suggestion fit the configuration as the SDK checks it, and hold plain JSON."""
    from label_studio_sdk.label_interface import LabelInterface

    config = LabelInterface(write_configuration())
    candidate = make_offered(kind)
    data = write_data(candidate, b"\xff\xd8", with_tree=True)
    assert config.validate_task({"data": data})
    results = json.loads(json.dumps(write_suggestion(candidate)))
    prediction = {"result": results, "score": 0.83, "model_version": "made 1"}
    assert config.validate_prediction(prediction, return_errors=True) == []
    assert not config.validate_prediction({"result": [results[0] | {"from_name": "else"}]})


def test_the_sdks_own_converter_sees_the_outline_where_we_do(tmp_path: Path) -> None:
    """Made an answer and written as COCO by the SDK, the polygon and its box lie where ours do, half a pixel added."""
    from label_studio_sdk.converter import Converter
    from PIL import Image

    candidate = make_offered()
    Image.new("RGB", (SIZE[1], SIZE[0])).save(tmp_path / "picture.jpg")
    config = write_configuration().replace(f"{write_configuration().split('<RectangleLabels')[1]}", "")
    only_outline = config.replace("<RectangleLabels", "") + "</View>"
    task = {
        "id": 1,
        "data": {"picture": str(tmp_path / "picture.jpg")},
        "annotations": [{"id": 1, "completed_by": 1, "result": write_suggestion(candidate)[:1]}],
    }
    (tmp_path / "in.json").write_text(json.dumps([task]), encoding="utf-8")
    Converter(only_outline, str(tmp_path), download_resources=False).convert_to_coco(
        str(tmp_path / "in.json"), str(tmp_path / "out"), is_dir=False
    )
    (made,) = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))["annotations"]
    wanted = candidate.outlines[0] - np.float32(candidate.origin_px) + 0.5
    assert np.reshape(made["segmentation"], (-1, 2)) == pytest.approx(wanted[:, ::-1], abs=0.01)


def test_a_key_tells_candidates_apart_and_nothing_else() -> None:
    """It stays for the same view, differs for another, and holds neither tree nor date."""
    assert write_key(make_offered()) == write_key(make_offered(id=9, tree="OT04", answer="unsure"))
    others = [make_offered("feeding"), make_offered(frame_index=301), make_offered(box=(510, 708, 534, 764))]
    assert len({write_key(one) for one in [make_offered(), *others]}) == 4
    assert len(write_key(make_offered())) == 32


@pytest.mark.parametrize(
    ("choices", "kind", "expected"),
    [
        ([("answer", "larva")], "silhouette", ("confirm", "")),
        ([("answer", "feeding")], "feeding", ("confirm", "")),
        ([("answer", "nothing")], "silhouette", ("dismiss", "")),
        ([("answer", "nothing"), ("reason", "gall")], "feeding", ("dismiss", "gall")),
        ([("answer", "nothing"), ("reason", "ufo")], "feeding", ("dismiss", "")),
        ([("answer", "nothing"), ("reason", "gall"), ("reason", "twig")], "feeding", ("dismiss", "")),
        ([("answer", "doubtful"), ("reason", "gall")], "silhouette", ("unsure", "")),
        ([("answer", "larva"), ("reason", "gall")], "silhouette", ("confirm", "")),
    ],
)
def test_choices_are_read_as_answers(
    choices: list[tuple[str, str]], kind: str, expected: tuple[str, str]
) -> None:
    """A reason counts for nothing alone, and only one that we know."""
    said = read_answer(answer(*choices), make_offered(kind))
    assert (said.answer, said.reason) == expected


@pytest.mark.parametrize(
    ("results", "found"),
    [
        (answer(), "none"),
        (answer(("answer", "larva"), ("answer", "nothing")), "2 of them"),
        (answer(("answer", "butterfly")), "'butterfly'"),
        (answer(("answer", "feeding")), "feeding"),
        (answer(points=[[1, 1], [50, 1], [50, 50]]), "none"),
        (None, "NoneType"),
        ("larva", "str"),
        ({"answer": "larva"}, "dict"),
        (answer(("answer", "larva")) * 1001, "list"),
        ([None, 3, "x", [], {"from_name": "answer", "value": {"choices": "larva"}}], "none"),
        ([{"from_name": "answer", "value": {"choices": [["larva"], 1, None]}}], "none"),
    ],
)
def test_an_answer_that_is_none_is_refused(results: object, found: str) -> None:
    """No answer, several, an unknown one, one about something else, and what is no answer at all."""
    with pytest.raises(AnnotateError, match=f"answer on the label server: expected .*found {found}"):
        read_answer(results, make_offered())


def test_the_outline_of_an_answer_is_that_of_the_candidate() -> None:
    """The suggested one by its name, a single one by itself; others beside it are told and not taken."""
    mine, other = [[10, 10], [50, 10], [50, 50]], [[60, 60], [90, 60], [90, 90]]
    word = ("answer", "larva")
    kept = read_answer(answer(word, points=mine, id="outline") + answer(points=other, id="x"), make_offered())
    assert kept.outline is not None and kept.outline == pytest.approx(read_points(mine, SIZE))
    assert len(kept.notes) == 1 and "1 more drawn" in kept.notes[0]
    alone = read_answer(answer(word, points=other, id="x"), make_offered())
    assert alone.outline is not None and alone.notes == ()
    two = read_answer(answer(word, points=mine, id="y") + answer(points=other, id="x"), make_offered())
    assert two.outline is None and "2 more drawn" in two.notes[0]
    assert read_answer(answer(("answer", "nothing"), points=mine), make_offered()).outline is None


@pytest.mark.parametrize(
    "bad", [{"image_rotation": 90}, {"value": None}, {"value": {"points": [[1, 500]] * 3}}]
)
def test_a_broken_outline_leaves_the_answer(bad: dict[str, Any]) -> None:
    """Turned, empty or outside: the answer counts, the outline is told and not taken."""
    said = read_answer(answer(("answer", "larva"), points=[[1, 1], [9, 1], [9, 9]], **bad), make_offered())
    assert (said.answer, said.outline, len(said.notes)) == ("confirm", None, 1)


NODES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False)
    | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


def list_places(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) of a JSON value."""
    keys = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    return [(value, key) for key in keys] + [place for key in keys for place in list_places(value[key])]


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_twisted_answer_is_read_or_refused(data: st.DataObject) -> None:
    """With any part of it replaced by anything, an answer is a verdict or an error in words, never a crash."""
    whole = answer(("answer", "larva"), ("reason", "twig"), points=[[1, 1], [9, 1], [9, 9]], id="outline")
    results = copy.deepcopy(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        container, key = data.draw(st.sampled_from(list_places(results)))
        container[key] = data.draw(NODES)
    try:
        said = read_answer(results, make_offered())
    except AnnotateError:
        return
    assert said.answer in ("confirm", "dismiss", "unsure")
