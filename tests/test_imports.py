"""The house stands one way: models is imported by detect, detect by annotate, and nobody imports the command line."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("models", "detect", "annotate")
MAY_IMPORT = {
    "models": {"models"},
    "detect": {"models", "detect"},
    "annotate": {"models", "detect", "annotate"},
}


def list_modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def list_imports(path: Path) -> set[str]:
    """Return every dotted name that a file imports, wherever in it the import stands."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute here"
            names.add(node.module or "")
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_one_way(package: str) -> None:
    """No package imports one that stands above it."""
    modules = list_modules(package)
    assert modules
    for path in modules:
        ours = {name.split(".")[0] for name in list_imports(path)} & set(PACKAGES)
        assert ours <= MAY_IMPORT[package], f"{path.relative_to(ROOT)} imports {ours - MAY_IMPORT[package]}"


def test_nobody_imports_the_command_line() -> None:
    """Only the command line itself knows annotate.commands."""
    for package in PACKAGES:
        for path in list_modules(package):
            if "commands" in path.parts:
                continue
            assert not any(name.startswith("annotate.commands") for name in list_imports(path)), path


def test_rooms_keep_their_tools() -> None:
    """SQL stays in the logbook, web code in the web room, and detect has neither."""
    rooms = {"sqlalchemy": "logbook", "alembic": "logbook", "starlette": "web", "jinja2": "web"}
    for package in PACKAGES:
        for path in list_modules(package):
            tops = {name.split(".")[0] for name in list_imports(path)}
            for tool, room in rooms.items():
                if tool in tops:
                    assert room in path.parts, f"{path.relative_to(ROOT)} imports {tool}"


def test_print_stands_only_in_commands() -> None:
    """Nothing but the command line prints."""
    for package in PACKAGES:
        for path in list_modules(package):
            if "commands" in path.parts:
                continue
            calls = (
                node
                for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(node, ast.Call)
            )
            assert not any(isinstance(call.func, ast.Name) and call.func.id == "print" for call in calls), (
                path
            )
