"""Profiles of animals: those that come with the program, a person's own, and files with mistakes in them."""

from pathlib import Path

import pytest

from annotate.errors import AnnotateError
from annotate.lengths.taxon_profiles import (
    EXAMPLE,
    TAXA_NAME,
    choose_profiles,
    find_profile,
    list_profiles,
    read_profile,
    write_example,
)

STAGE = '[[stage]]\nname = "L4"\nlength_mm = [14, 26]\nsource = "from memory"\n'
HEAD = 'format = 1\ntaxon = "Examplia invented"\n'


def write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_every_shipped_figure_says_where_it_comes_from() -> None:
    """Each instar of the shipped profiles names a diary, a publication, a rule or "from memory"."""
    profiles = list_profiles()
    assert {one.taxon for one in profiles} == {"Apatura ilia", "Apatura iris"}
    words = ("from memory", "interpolated by Dyar's rule", "field diary", "published", "on the genus")
    for profile in profiles:
        assert [one.name for one in profile.instars] == ["L1", "L2", "L3", "L4", "L5"]
        assert all(any(word in one.source for word in words) for one in profile.instars)
        assert profile.hosts_source


def test_example_can_be_used_as_it_is(tmp_path: Path) -> None:
    """The commented example, copied to a name ending in .toml, is a profile; until then it is none."""
    written = write_example(tmp_path)
    assert len(list_profiles(tmp_path)) == 2
    write(written.with_suffix(".toml"), written.read_text(encoding="utf-8"))
    assert find_profile(list_profiles(tmp_path), "Examplia").instars[0].season == ((4, 15), (5, 25))


def test_example_never_overwrites(tmp_path: Path) -> None:
    """An example that a person changed stays."""
    path = write_example(tmp_path)
    path.write_text("mine", encoding="utf-8")
    assert write_example(tmp_path).read_text(encoding="utf-8") == "mine"


def test_own_profile_stands_in_place_of_the_shipped_one(tmp_path: Path) -> None:
    """A logbook's profile of the same animal, whatever its capitals, is the one that counts."""
    write(tmp_path / TAXA_NAME / "mine.toml", HEAD.replace("Examplia invented", "apatura IRIS") + STAGE)
    found = list_profiles(tmp_path)
    assert len(found) == 2
    assert choose_profiles(found, "Apatura iris")[0].instars[0].length_mm == (14, 26)


def test_two_for_one_animal_are_an_error(tmp_path: Path) -> None:
    """Two own profiles of one animal are never settled silently."""
    for name in ("a", "b"):
        write(tmp_path / TAXA_NAME / f"{name}.toml", HEAD + STAGE)
    with pytest.raises(AnnotateError, match=r"b\.toml: expected one profile for an animal; found a\.toml"):
        list_profiles(tmp_path)


def test_animal_without_a_profile_is_named() -> None:
    """Asking for an animal nobody wrote a profile of names those that there are."""
    with pytest.raises(AnnotateError, match=r"Apatura ilia, Apatura iris.*found 'Vanessa'"):
        find_profile(list_profiles(), "Vanessa")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "format: expected 1; found 'nothing'"),
        (HEAD, r"stage: expected one \[\[stage\]\] part or more"),
        (HEAD + STAGE + "lenght_mm = [1, 2]\n", "unknown key 'lenght_mm'; did you mean 'length_mm'"),
        ("hots = []\n" + HEAD + STAGE, "unknown key 'hots'; did you mean 'hosts'"),
        (HEAD + STAGE.replace("L4", "L9"), "expected one of L1, L2, L3, L4, L5; found 'L9'"),
        (HEAD + STAGE.replace("[14, 26]", "[26, 14]"), "the shorter length first"),
        (HEAD + STAGE.replace("[14, 26]", "[14]"), "two lengths"),
        (HEAD + STAGE.replace("[14, 26]", "[14, nan]"), "a number from 0.1 to 200"),
        (HEAD + STAGE.replace("[14, 26]", "[true, 26]"), "a number from 0.1 to 200"),
        (HEAD + STAGE + "spread = 0\n", "spread: expected a number from 0.01 to 1"),
        (HEAD + STAGE + 'season = ["13-01", "05-25"]\n', "two days such as"),
        (HEAD + STAGE + 'season = "May"\n', "two days such as"),
        (HEAD + STAGE + STAGE, "each instar once, the youngest first"),
        (
            HEAD + STAGE + STAGE.replace("L4", "L5").replace("[14, 26]", "[2, 3]"),
            "older instars to be longer",
        ),
        (HEAD + STAGE.replace('source = "from memory"', ""), "source: expected text in quotation marks"),
        (HEAD + 'hosts = "Salix"\n' + STAGE, "hosts: expected a list"),
        ("format = true\n" + STAGE, "format: expected 1"),
        ("format = [\n", r"expected lines such as .*TOML"),
        (HEAD + "x = " + "[" * 5000, "TOML|unknown key"),
        ("#" * 200_000, "at most 100,000 bytes"),
    ],
)
def test_mistakes_name_the_file_and_the_place(tmp_path: Path, text: str, says: str) -> None:
    """A profile with a mistake is an error that names the file, never half a profile."""
    path = write(tmp_path / "mine.toml", text)
    with pytest.raises(AnnotateError, match=says) as caught:
        read_profile(path)
    assert "mine.toml" in str(caught.value)


def test_files_that_are_no_text(tmp_path: Path) -> None:
    """Bytes that are no UTF-8, and a folder of that name, are errors of the same kind."""
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xff\xfe\x00taxon")
    with pytest.raises(AnnotateError, match="TOML, UTF-8"):
        read_profile(path)
    (tmp_path / "folder.toml").mkdir()
    with pytest.raises(AnnotateError, match="a file that can be read"):
        read_profile(tmp_path / "folder.toml")


def test_example_text_says_what_each_key_means() -> None:
    """Every key of a stage stands in the example with a comment."""
    for key in ("name", "length_mm", "spread", "days", "season", "source"):
        assert any(line.startswith(key) and "#" in line for line in EXAMPLE.splitlines())
