"""DEVELOPERS.md is the map: every module of the four floors is named in its room, and what is named is there.

So is whatever a docstring or comment sends its reader to.
"""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
FLOORS = ("doe", "optimise", "reports", "studies")
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def rooms_of(page):
    """The modules that the page names by room: a room begins its item, and all else in backticks is a module of it."""
    part = page.partition("## The rooms\n")[2].partition("\n## ")[0]
    items = re.findall(r"^- `([^`]+)`(.*(?:\n  .*)*)", part, flags=re.MULTILINE)
    return {f"{room}/{name}" for room, text in items for name in re.findall(r"`([^`]+)`", text)}


def modules():
    paths = (path for floor in FLOORS for path in (ROOT / floor).rglob("*.py") if path.name != "__init__.py")
    return {path.relative_to(ROOT).with_suffix("").as_posix() for path in paths}


def test_what_the_map_names_is_read_room_by_room():
    page = "## The rooms\n\n- `doe`: `study` it;\n  `plain` data\n- `doe/terms`: `terms`\n\n## Else\n- `doe`: `not`"
    assert rooms_of(page) == {"doe/study", "doe/plain", "doe/terms/terms"}


def test_every_module_is_named_in_its_room():
    assert modules() - rooms_of(PAGE) == set()


def test_nothing_is_named_that_is_not_there():
    assert rooms_of(PAGE) - modules() == set()


def test_paths_that_readers_are_sent_to_are_there():
    own = (ROOT, *(ROOT / name for name in (*FLOORS, "tests")))
    pages = [page for at in own for page in (at.glob("*.md") if at == ROOT else at.rglob("*.md"))]
    path = r"`((?:doe|optimise|reports|studies|tests)/[\w/.-]+)`"
    named = {(page, found) for page in pages for found in re.findall(path, page.read_text(encoding="utf-8"))}
    assert len({page for page, _ in named}) > 3
    # Pages under `tests` also name what lies there from there.
    lost = [one for one in sorted(named) if not any((at / one[1]).exists() for at in (ROOT, ROOT / "tests"))]
    assert lost == []


def holds(dotted):
    """Whether a dotted name is that of a package, a module, or something defined or handed on by one."""
    parts = dotted.split(".")
    for count in range(len(parts), 0, -1):
        at, rest = ROOT.joinpath(*parts[:count]), parts[count:]
        module = at / "__init__.py" if at.is_dir() else at.with_suffix(".py")
        if module.exists():
            body = ast.parse(module.read_text(encoding="utf-8")).body
            for name in rest:
                found = [node for node in body if name in names_of(node)]
                if not found:
                    return False
                body = getattr(found[0], "body", [])
            return True
    return at.is_dir()


def names_of(node):
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return {node.name}
    if isinstance(node, ast.ImportFrom):
        return {one.asname or one.name for one in node.names}
    targets = getattr(node, "targets", [getattr(node, "target", None)])
    return {one.id for target in targets if target for one in ast.walk(target) if isinstance(one, ast.Name)}


def test_names_that_docstrings_send_readers_to_are_there():
    name = re.compile(r"`((?:doe|optimise|reports|studies)(?:\.[A-Za-z_]\w*)+)`")
    sources = [path for floor in FLOORS for end in ("*.py", "*.js") for path in (ROOT / floor).rglob(end)]
    told = {(path, found) for path in sources for found in name.findall(path.read_text(encoding="utf-8"))}
    assert len(told) > 10
    assert sorted((str(path.relative_to(ROOT)), found) for path, found in told if not holds(found)) == []
