"""The scripts of the pages as files: what they import is there, and a blind reading takes along nothing that could ask more."""

import re
from pathlib import Path

STATIC = Path(__file__).parents[2] / "annotate" / "web" / "static"
IMPORT = re.compile(r'^import .*? from "\./([\w.]+)";$', re.MULTILINE | re.DOTALL)
ADDRESS = re.compile(r"[\"'`](/[a-z][\w/-]*)")
BLIND = ("/api/second/", "/candidates/", "/static/")
"""Where the scripts of a second reading may ask and lead to: its own addresses, candidates with their loops, and files."""


def read_with_imports(name: str) -> dict[str, str]:
    """The text of a script and of all that it imports, by name."""
    texts: dict[str, str] = {}
    wanted = [name]
    while wanted:
        one = wanted.pop()
        if one not in texts:
            texts[one] = (STATIC / one).read_text(encoding="utf-8")
            wanted += IMPORT.findall(texts[one])
    return texts


def test_every_import_leads_to_a_script() -> None:
    """No script imports a file that is not there, and what one names in another is exported there."""
    for script in STATIC.glob("*.js"):
        text = script.read_text(encoding="utf-8")
        for names, other in re.findall(r'^import \{([^}]*)\} from "\./([\w.]+)";$', text, re.MULTILINE):
            exported = (STATIC / other).read_text(encoding="utf-8")
            for name in filter(None, map(str.strip, names.split(","))):
                assert re.search(
                    rf"^export (async )?(function|const|let) {name}\b", exported, re.MULTILINE
                ), f"{script.name} wants {name} of {other}"


def test_a_blind_reading_takes_along_no_other_address() -> None:
    """Neither the script of the second reading nor what it imports holds an address at which an answer could be asked for."""
    texts = read_with_imports("second.js")
    assert {"second.js", "course.js", "line.js"} <= set(texts) and "review.js" not in texts
    addresses = {address for text in texts.values() for address in ADDRESS.findall(text)}
    assert "/api/second/verdicts" in addresses
    assert [address for address in addresses if not f"{address}/".startswith(BLIND)] == []
    assert "/api/changes" in ADDRESS.findall((STATIC / "review.js").read_text(encoding="utf-8"))
