"""The settings file says what it means, and a slip in it is named with its line, the nearest known word and what to do."""

import tomllib
from dataclasses import asdict, fields, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.settings import SECTIONS, SearchChoices, Settings, read_settings, write_settings
from annotate.zones import find_local_zone, read_zone
from detect.search import SearchSettings


def write(folder: Path, text: str) -> Path:
    path = folder / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_setting_is_in_the_file_with_its_meaning(tmp_path: Path) -> None:
    """A new file is TOML, explains each key in the line above it, and reads as the defaults."""
    text = write_settings(Settings())
    lines = text.splitlines()
    for section, kind in SECTIONS.items():
        assert any(line.startswith(f"[{section}]") for line in lines)
        for key in fields(kind):
            (at,) = (n for n, line in enumerate(lines) if line.removeprefix("# ").startswith(f"{key.name} ="))
            assert lines[at - 1].startswith("# ") and len(lines[at - 1]) > 20
    tomllib.loads(text)
    assert read_settings(write(tmp_path, text)) == Settings()
    assert read_settings(write(tmp_path, "")) == Settings()


def test_shown_defaults_are_those_used(tmp_path: Path) -> None:
    """Taking the sign off a shown number changes nothing."""
    text = "\n".join(
        line.removeprefix("# ") if "_" in line and "=" in line else line
        for line in write_settings(Settings()).splitlines()
    )
    assert "\nwindow_s = " in text
    assert read_settings(write(tmp_path, text)) == Settings()


def test_search_settings_are_those_of_the_search() -> None:
    """Names and defaults agree with the search's own; neither is changed without the other."""
    own, there = asdict(SearchChoices()), asdict(SearchSettings())
    assert own == {name: there[name] for name in own}


TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file that each example writes anew."""
    return tmp_path_factory.mktemp("settings") / "settings.toml"


@given(name=TEXT, taxon=TEXT, score=st.floats(0, 1), views=st.integers(1, 50))
def test_what_is_written_is_read(path: Path, name: str, taxon: str, score: float, views: int) -> None:
    """Quotation marks, backslashes, line ends and letters of any language survive; so do numbers, to the last digit."""
    made = Settings()
    made = replace(
        made,
        recorder=replace(made.recorder, name=name),
        record=replace(made.record, taxon=taxon),
        search=replace(made.search, silhouette_score=score, kept_views=views),
    )
    path.write_bytes(write_settings(made).encode())
    assert read_settings(path) == made


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[record]\ntaxn = 'x'",
            "line 2: expected one of taxon in [record]; found the unknown key 'taxn'; did you mean 'taxon'?",
        ),
        (
            "\n[serach]\n",
            "line 2: expected one of recorder, place, record, search, camera; found the unknown section 'serach'; "
            "did you mean 'search'?",
        ),
        ("[search]\n# silhouette_scor\nsilhouette_scor = 0.4", "line 3: "),
        ("[search]\nwidth = 3", "found the unknown key 'width'; remove it"),
        (
            "zone = 'UTC'",
            "line 1: expected one of recorder, place, record, search, camera; found the unknown section 'zone'",
        ),
        (
            "[search]\nsilhouette_score = '0.5'",
            "line 2: search.silhouette_score: expected a number; found '0.5'",
        ),
        (
            "[search]\nsilhouette_score = 1.5",
            "line 2: search.silhouette_score: expected a number from 0 to 1; found 1.5",
        ),
        ("[search]\nsilhouette_score = nan", "expected a number; found nan"),
        ("[search]\nkept_views = 2.5", "line 2: search.kept_views: expected a whole number; found 2.5"),
        ("[search]\nkept_views = true", "expected a whole number; found True"),
        ("[recorder]\nname = 7", "expected text in quotation marks; found 7"),
        ("search = 4", "line 1: search: expected a section [search]; found 4"),
        ("[place]\nzone = 'Europe/Londno'", "line 2: zone: expected a name"),
        ("[place]\nzone = 'Europe/Londno'", "did you mean 'Europe/London'?"),
        ("[record]\ntaxon = Apatura", "at line 2"),
        ("[record]\n[record]\n", "at line 2"),
    ],
)
def test_a_slip_is_named(tmp_path: Path, text: str, expected: str) -> None:
    """One line: the file, the line, what was expected and found, and what to do."""
    path = write(tmp_path, text)
    with pytest.raises(AnnotateError) as caught:
        read_settings(path)
    message = str(caught.value)
    assert message.startswith(f"settings {path}") and expected in message and "\n" not in message


def test_a_file_in_another_encoding_is_named_with_its_line(tmp_path: Path) -> None:
    """Windows-1252 is not guessed in a file that settings depend on; a byte order mark is no slip."""
    path = tmp_path / "settings.toml"
    path.write_bytes("[recorder]\nname = 'Jürgen'\n".encode("cp1252"))
    with pytest.raises(AnnotateError, match="line 2: expected text in UTF-8"):
        read_settings(path)
    path.write_bytes("[recorder]\nname = 'Jürgen'\n".encode("utf-8-sig"))
    assert read_settings(path).recorder.name == "Jürgen"
    path.unlink()
    with pytest.raises(AnnotateError, match="No such file"):
        read_settings(path)


@given(data=st.binary(max_size=60))
def test_any_bytes_are_settings_or_one_line(path: Path, data: bytes) -> None:
    """Whatever stands in the file, it is read or refused in words."""
    path.write_bytes(data)
    try:
        read_settings(path)
    except AnnotateError as error:
        assert "expected" in str(error) and "found" in str(error)


def test_a_whole_number_may_stand_for_a_number(tmp_path: Path) -> None:
    """1 is a score."""
    assert read_settings(write(tmp_path, "[search]\nfeeding_score = 1")).search.feeding_score == 1.0


def test_a_logbook_with_a_slip_does_not_open(tmp_path: Path) -> None:
    """Better no search than one with other settings than meant."""
    folder = create_logbook(tmp_path / "book")
    write(folder, "[search]\nfeeding_scor = 0.1")
    with pytest.raises(AnnotateError, match="did you mean 'feeding_score'"):
        open_logbook(folder)


@pytest.mark.parametrize(
    ("name", "offset_h"),
    [
        ("+01:00", 1),
        ("UTC-03:30", -3.5),
        ("GMT+2:00", 2),
        ("-0800", -8),
        ("Z", 0),
        ("UTC", 0),
        (" Etc/GMT-5 ", 5),
    ],
)
def test_zones_may_be_offsets(name: str, offset_h: float) -> None:
    """Cameras write offsets; ISO 8601 counts them eastwards, the names Etc/GMT of the IANA database westwards."""
    from datetime import UTC, datetime

    local = datetime(2026, 1, 1, tzinfo=UTC).astimezone(read_zone(name))
    assert local.utcoffset().total_seconds() == offset_h * 3600  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["", "Otterholt", "+25:00", "+01:75", "../etc/passwd"])
def test_what_is_no_zone_is_refused(name: str) -> None:
    """The message shows how one is written."""
    with pytest.raises(AnnotateError, match="'Europe/London' or an offset"):
        read_zone(name)


def test_this_computers_zone_is_one() -> None:
    """Whatever it is, it can be read."""
    read_zone(find_local_zone())
