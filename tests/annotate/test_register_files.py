"""The register goes out and comes in as CSV and GeoJSON: nothing is lost on the way, and nothing wrong comes in halfway."""

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.field.geojson import write_points
from annotate.field.trees import COLUMNS, describe_tree, export_trees, import_trees, sort_by_walk, sum_changes
from annotate.logbook.changes import list_record_changes
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, list_sites, list_trees, write_trees


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        yield opened


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """A logbook into which nothing is ever imported: every file named to it is refused."""
    with open_logbook(create_logbook(tmp_path_factory.mktemp("empty") / "book")) as opened:
        yield opened


def fill(logbook: Logbook) -> None:
    """Three trees: one with everything, one with text that is awkward, one with nothing."""
    whole = {
        "host_taxon": "Populus tremula",
        "latitude_deg": 51.0843217,
        "longitude_deg": -1.2345671,
        "accuracy_m": 4.5,
        "height_m": 12.0,
        "notes": "by the gate",
        "cautions": "dead wood",
        "expected_taxon": "Apatura",
        "walk_order": 2,
        "marker": 17,
    }
    odd = {"notes": '=1+1, "quoted"\nsecond line; Ärger', "walk_order": 1}
    write_trees(
        logbook,
        [
            TreeEntry("OTTERHOLT", "OT01", whole),
            TreeEntry("OTTERHOLT", "OT02", odd),
            TreeEntry("OTTERHOLT", "OT03", {}),
        ],
    )


def write_csv(folder: Path, *lines: str) -> Path:
    path = folder / "trees.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def write_geojson(folder: Path, *features: Any, **more: Any) -> Path:
    path = folder / "trees.geojson"
    path.write_text(
        json.dumps({"type": "FeatureCollection", "features": list(features), **more}), encoding="utf-8"
    )
    return path


def make_feature(
    code: Any = "OT01", coordinates: Any = (-1.2345, 51.0843), site: Any = "OTTERHOLT", **properties: Any
) -> dict[str, Any]:
    geometry = None if coordinates is None else {"type": "Point", "coordinates": coordinates}
    return {
        "type": "Feature",
        "geometry": geometry,
        "properties": {"site": site, "code": code, **properties},
    }


@pytest.mark.parametrize("name", ["out.csv", "out.geojson", "out.JSON"])
def test_the_register_there_and_back(logbook: Logbook, tmp_path: Path, name: str) -> None:
    """Written and imported into an empty logbook, every tree is the same; imported where it came from, nothing changes."""
    fill(logbook)
    trees = list_trees(logbook)
    export_trees(tmp_path / name, trees)
    assert sum_changes(import_trees(logbook, tmp_path / name).changes) == (0, 0, 3)
    with open_logbook(create_logbook(tmp_path / "other", zone="UTC")) as other:
        done = import_trees(other, tmp_path / name)
        assert sum_changes(done.changes) == (3, 0, 0) and done.notes == ()
        assert [describe_tree(tree) for tree in list_trees(other)] == [describe_tree(tree) for tree in trees]


def test_geojson_is_as_the_standard_has_it(logbook: Logbook, tmp_path: Path) -> None:
    """RFC 7946: a FeatureCollection, longitude first, no system named, no geometry where there is no position."""
    fill(logbook)
    export_trees(tmp_path / "out.geojson", sort_by_walk(list_trees(logbook)))
    data = json.loads((tmp_path / "out.geojson").read_text(encoding="utf-8"))
    assert set(data) == {"type", "features"} and data["type"] == "FeatureCollection"
    assert [feature["properties"]["code"] for feature in data["features"]] == ["OT02", "OT01", "OT03"]
    assert data["features"][1]["geometry"] == {"type": "Point", "coordinates": [-1.2345671, 51.0843217]}
    assert data["features"][0]["geometry"] is None
    assert all(feature["type"] == "Feature" for feature in data["features"])
    assert "latitude_deg" not in data["features"][1]["properties"]


@pytest.mark.parametrize("name", ["out.txt", "out", "out.gpx"])
def test_an_ending_that_says_nothing_is_refused(logbook: Logbook, tmp_path: Path, name: str) -> None:
    """And nothing is written."""
    with pytest.raises(AnnotateError, match=r"ends in \.csv or \.geojson"):
        export_trees(tmp_path / name, [])
    assert not (tmp_path / name).exists()


def test_positions_by_grid_reference_and_by_system(logbook: Logbook, tmp_path: Path) -> None:
    """Each row in its own way; a reference states its own accuracy, a transformation adds its error and is told once."""
    header = "site,code,latitude_deg,longitude_deg,grid_ref,easting,northing,epsg,accuracy_m"
    rows = (
        "A,1,51.5,-0.1,,,,,5",
        "A,2,,,TQ336805,,,,5",
        "A,3,,,TQ 33600 80500,,,,5",
        "A,4,,,,651409.804,313177.450,27700,3",
        "A,5,,,,3500000,5500000,31467,3",
        "A,6,,,,3500010,5500000,31467,",
        "A,7,52.0,1.0,,,,4326,2",
        "A,8,,,,,,,",
    )
    done = import_trees(logbook, write_csv(tmp_path, header, *rows))
    trees = {tree.code: tree for tree in list_trees(logbook)}
    assert (trees["1"].latitude_deg, trees["1"].accuracy_m) == (51.5, 5)
    assert trees["2"].accuracy_m == 70.7 and trees["3"].accuracy_m == 5
    assert trees["2"].latitude_deg == pytest.approx(51.508084, abs=1e-6)
    assert trees["4"].latitude_deg == pytest.approx(52.658007833, abs=1e-9) and trees["4"].accuracy_m == 3
    assert trees["5"].accuracy_m == 6 and trees["6"].accuracy_m is None
    assert (trees["7"].latitude_deg, trees["7"].longitude_deg) == (52.0, 1.0)
    assert trees["8"].latitude_deg is None
    systems = [note for note in done.notes if "EPSG" in note]
    assert len(systems) == 1 and "EPSG:31467" in systems[0] and "within 3 m" in systems[0]


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("A,1,51.5,-0.1,TQ336805,,,", "row 2: expected a position given in one way"),
        ("A,1,,,TQ3368,530000,180000,27700", "row 2: expected a position given in one way"),
        ("A,1,,,,530000,,27700", "row 2: expected both easting and northing"),
        ("A,1,,,,530000,180000,", "row 2: expected the EPSG code"),
        ("A,1,51.5,-0.1,,,,27700", "row 2: expected easting and northing for EPSG:27700"),
        ("A,1,,,,-0.1,51.5,4326", "row 2: expected latitude_deg and longitude_deg for EPSG:4326"),
        ("A,1,,,TQ33680,,,", "row 2: expected a reference of the British national grid"),
        ("A,1,,,,530000,180000,99998", "row 2: expected the EPSG code of a coordinate system"),
        ("A,1,,,,530000,180000,27700.5", "row 2, column epsg: expected a whole number"),
        ("A,1,,,,180000,1530000,27700", "row 2: expected a place in Great Britain"),
    ],
)
def test_a_wrong_position_is_told_by_its_row(empty: Logbook, tmp_path: Path, row: str, expected: str) -> None:
    """And nothing is imported."""
    header = "site,code,latitude_deg,longitude_deg,grid_ref,easting,northing,epsg"
    with pytest.raises(AnnotateError) as caught:
        import_trees(empty, write_csv(tmp_path, header, row))
    assert expected in str(caught.value) and "nothing was imported" in str(caught.value)
    assert list_trees(empty) == () and list_sites(empty) == ()


@pytest.mark.parametrize("name", ["trees.csv", "trees.geojson"])
def test_places_of_every_kind_come_back_to_the_last_digit(
    logbook: Logbook, tmp_path: Path, name: str
) -> None:
    """Trees placed by grid letters and by UTM are written out and read in again: nothing is said to have changed."""
    rows = ("OT01,TQ336805,,,", "OT02,,455123.4,5676001.7,25830")
    import_trees(
        logbook, write_csv(tmp_path, "site,code,grid_ref,easting,northing,epsg", *(f"W,{r}" for r in rows))
    )
    export_trees(tmp_path / name, list_trees(logbook))
    assert sum_changes(import_trees(logbook, tmp_path / name).changes) == (0, 0, 2)


@pytest.mark.parametrize(
    ("wrong", "kilometres"),
    [("TG 33601 80501", "223 km"), ("TQ 33601 08501", "72 km"), ("TQ 33620 80501", "")],
)
def test_a_tree_far_from_its_wood_is_told_of(
    logbook: Logbook, tmp_path: Path, wrong: str, kilometres: str
) -> None:
    """Wrong letters or figures that are swapped put a tree into another county: that is said, with how far."""
    rows = (
        "W,OT01,TQ 33600 80500",
        "W,OT02,TQ 33640 80510",
        f"W,OT03,{wrong}",
        "ELSEWHERE,X1,TG 33601 80501",
    )
    notes = import_trees(logbook, write_csv(tmp_path, "site,code,grid_ref", *rows)).notes
    told = [note for note in notes if "nearest other tree" in note]
    assert len(told) == bool(kilometres)
    assert all(note.startswith("OT03") and kilometres in note for note in told)


def test_points_become_trees(logbook: Logbook, tmp_path: Path) -> None:
    """Longitude first; heights in the coordinates are left; what is not known is left out and told; codes may be numbers."""
    path = write_geojson(
        tmp_path,
        make_feature(7, (-1.2345, 51.0843, 80.0), height_m=12.5, Notes="by the gate", fid=1, colour="red"),
        make_feature("OT02", None, cautions=None),
        bbox=[0, 0, 1, 1],
    )
    done = import_trees(logbook, path)
    assert done.notes == ("properties that are not known were left out: 'colour', 'fid'",)
    first, second = list_trees(logbook)
    assert (first.code, first.latitude_deg, first.longitude_deg) == ("7", 51.0843, -1.2345)
    assert (first.height_m, first.notes) == (12.5, "by the gate")
    assert (second.code, second.latitude_deg, second.cautions) == ("OT02", None, "")


GOOD = make_feature()


@pytest.mark.parametrize(
    ("feature", "expected"),
    [
        (make_feature("A/B"), "feature 2, column code: expected at most 40 letters"),
        (make_feature(None), "feature 2, column code: expected a short name"),
        (
            make_feature("OT02", (51.0843, -181.0)),
            "feature 2, column latitude_deg: expected a number of degrees",
        ),
        (make_feature("OT02", (151.0, 95.0)), "are latitude and longitude swapped"),
        (make_feature("OT02", (1.0,)), "feature 2: expected a Point with longitude and latitude"),
        (make_feature("OT02", ("1", "2")), "feature 2: expected numbers as coordinates"),
        (make_feature("OT02", (True, 1.0)), "feature 2: expected numbers as coordinates"),
        (make_feature("OT02", (10**400, 1)), "feature 2: expected numbers as coordinates"),
        (make_feature("OT02", [[1.0, 2.0]]), "feature 2: expected a Point"),
        (make_feature("OT02", height_m=[1]), "feature 2, column height_m: expected text or a number"),
        (
            make_feature("OT02", height_m=True),
            "feature 2, column height_m: expected text or a number; found true",
        ),
        (make_feature("OT02", height_m="tall"), "feature 2, column height_m: expected a number of metres"),
        (
            make_feature("OT02", latitude_deg=51.0),
            "feature 2: expected the position as the feature's geometry",
        ),
        (make_feature("OT02", grid_ref="TQ336805"), "feature 2: expected a position given in one way"),
        (make_feature("ot01"), "feature 2, column code: expected each tree once"),
        ({"type": "Point", "coordinates": [1, 2]}, "feature 2: expected a Feature"),
        ("OT02", "feature 2: expected a Feature"),
        ({"type": "Feature", "geometry": None, "properties": 5}, "feature 2: expected properties by name"),
        (
            {**GOOD, "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 0]]]}},
            "feature 2: expected a Point",
        ),
    ],
)
def test_a_wrong_feature_is_told_by_its_number(
    empty: Logbook, tmp_path: Path, feature: Any, expected: str
) -> None:
    """The good feature before it is not imported."""
    with pytest.raises(AnnotateError) as caught:
        import_trees(empty, write_geojson(tmp_path, GOOD, feature))
    assert expected in str(caught.value) and "nothing was imported" in str(caught.value)
    assert list_trees(empty) == ()


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", "expected GeoJSON"),
        (b"{", "expected GeoJSON"),
        (b"[1, 2]", "expected a FeatureCollection of points; found 'list'"),
        (b'{"type": "Feature"}', "found 'Feature'"),
        (b'{"type": "FeatureCollection", "features": 5}', "expected a FeatureCollection"),
        (b'{"type": "FeatureCollection", "features": []}', "expected at least one tree"),
        (b"\xff\xfe\x00", "expected GeoJSON"),
        (b"[" * 100_000, "expected GeoJSON"),
        (b'{"type": "FeatureCollection", "features": [NaN]}', "NaN is no number"),
        (b" " * 20_000_001, "at most 20 MB"),
        (
            b'{"type": "FeatureCollection", "features": [], "crs": {"type": "name", "properties": '
            b'{"name": "urn:ogc:def:crs:EPSG::27700"}}}',
            "expected degrees of WGS 84, the only system of GeoJSON",
        ),
    ],
    ids=["empty", "cut off", "list", "single", "number", "none", "bytes", "deep", "nan", "huge", "system"],
)
def test_what_is_no_geojson_is_refused(empty: Logbook, tmp_path: Path, data: bytes, expected: str) -> None:
    """One sentence, whatever was named by mistake; a file that says it is in another system above all."""
    path = tmp_path / "trees.geojson"
    path.write_bytes(data)
    with pytest.raises(AnnotateError, match=expected):
        import_trees(empty, path)
    assert list_trees(empty) == ()


def test_a_missing_file_is_told(empty: Logbook, tmp_path: Path) -> None:
    """And a folder of that name."""
    with pytest.raises(AnnotateError, match="No such file"):
        import_trees(empty, tmp_path / "none.geojson")
    (tmp_path / "folder.geojson").mkdir()
    with pytest.raises(AnnotateError, match="expected a GeoJSON file that can be read"):
        import_trees(empty, tmp_path / "folder.geojson")


def test_the_older_name_of_the_same_system_is_taken(logbook: Logbook, tmp_path: Path) -> None:
    """Mapping programs write it by habit."""
    system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    import_trees(logbook, write_geojson(tmp_path, GOOD, crs=system))
    assert len(list_trees(logbook)) == 1


def test_what_is_changed_by_an_import_stays_in_the_history(logbook: Logbook, tmp_path: Path) -> None:
    """Field, before and after, by whom; a new tree has no history, and what is the same leaves none."""
    import_trees(logbook, write_csv(tmp_path, "site,code,height_m,cautions", "A,1,12,dead wood"))
    tree = find_tree(logbook, "1")
    assert list_record_changes(logbook, "tree", tree.id) == ()
    import_trees(logbook, write_csv(tmp_path, "site,code,height_m,cautions", "A,1,14.5,"), who="Maren")
    import_trees(logbook, write_csv(tmp_path, "site,code,height_m,cautions", "A,1,14.5,"), who="Maren")
    found = [(c.field, c.old, c.new, c.who) for c in list_record_changes(logbook, "tree", tree.id)]
    assert found == [("height_m", "12", "14.5", "Maren"), ("cautions", "dead wood", None, "Maren")]


def test_letters_are_kept_in_one_way_however_they_come(logbook: Logbook, tmp_path: Path) -> None:
    """An accent apart from its letter, as some keyboards send it, is the same note when its file is read back."""
    write_trees(logbook, [TreeEntry("S", "1", {"notes": "Bu\u0308sche", "cautions": "\uf900"})])
    assert describe_tree(find_tree(logbook, "1"))["notes"] == "B\u00fcsche"
    export_trees(tmp_path / "back.csv", list_trees(logbook))
    assert sum_changes(import_trees(logbook, tmp_path / "back.csv").changes) == (0, 0, 1)


TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Zs", "Cf", "Cn", "Co")), max_size=8)
ROW = st.fixed_dictionaries(
    {
        "latitude_deg": st.floats(-89, 89).map(lambda value: round(value, 6)),
        "longitude_deg": st.floats(-179, 179).map(lambda value: round(value, 6)),
        "height_m": st.none() | st.floats(0.5, 120).map(lambda value: round(value, 2)),
        "notes": TEXT,
        "walk_order": st.none() | st.integers(1, 9999),
    }
)


@given(rows=st.lists(ROW, min_size=1, max_size=4), as_csv=st.booleans())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_register_there_and_back(
    logbook: Logbook, tmp_path: Path, rows: list[dict[str, Any]], as_csv: bool
) -> None:
    """Whatever numbers and letters stand in it, in both forms."""
    entries = [TreeEntry("S", str(n), row) for n, row in enumerate(rows)]
    write_trees(logbook, entries)
    before = {tree.code: describe_tree(tree) for tree in list_trees(logbook)}
    path = tmp_path / ("any.csv" if as_csv else "any.geojson")
    export_trees(path, list_trees(logbook))
    assert not any(change.changed or change.is_new for change in import_trees(logbook, path).changes)
    assert {tree.code: describe_tree(tree) for tree in list_trees(logbook)} == before
    if as_csv:
        with path.open(encoding="utf-8", newline="") as stream:
            assert next(csv.reader(stream)) == list(COLUMNS)


def test_no_rows_are_an_empty_collection() -> None:
    """None is a number too."""
    assert json.loads(write_points([])) == {"type": "FeatureCollection", "features": []}
