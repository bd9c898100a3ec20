"""The promises about how the house is built: floors, docstrings, annotations, file sizes, packaging."""

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FLOORS = ("doe", "optimise", "reports", "studies")
FILES = sorted(path for floor in FLOORS for path in (ROOT / floor).rglob("*.py"))


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def ids(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_each_floor_imports_only_those_below():
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_top_level_holds_only_what_the_design_allows():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "tests", *FLOORS}
    assert {name for name in top if not name.startswith(".")} == allowed


def test_wheel_ships_the_four_floors():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"] == list(FLOORS)


def test_tests_hold_no_package_markers():
    # A tests/doe/__init__.py would shadow the package doe.
    assert not list((ROOT / "tests").rglob("__init__.py"))


@pytest.mark.parametrize("path", sorted((ROOT / "tests").rglob("test_*.py")), ids=ids)
def test_tests_say_what_they_hold(path):
    assert ast.get_docstring(parsed(path)), "no first line on what is checked, and against what"


def public_definitions(tree: ast.Module):
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                for inner in node.body:
                    if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                        yield inner


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_public_names_say_what_they_are(path):
    tree = parsed(path)
    assert ast.get_docstring(tree), f"{path} has no docstring of its own"
    silent = [node.name for node in public_definitions(tree) if not ast.get_docstring(node)]
    assert not silent, f"no docstring: {silent}"


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_every_function_is_annotated(path):
    bare = []
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef):
            arguments = [a for a in node.args.args + node.args.kwonlyargs if a.arg not in ("self", "cls")]
            if node.returns is None or any(a.annotation is None for a in arguments):
                bare.append(node.name)
    assert not bare


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_modules_and_functions_stay_readable(path):
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= 500, f"{lines} lines: a module is one idea"
    long = []
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            if body and (node.end_lineno or 0) - body[0].lineno + 1 > 60:
                long.append(node.name)
    assert not long
