"""Nothing is left that no module uses: every function, class and constant of a module is used beyond its definition."""

import ast
import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
FLOORS = ("doe", "optimise", "reports", "studies")
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for floor in FLOORS for path in (ROOT / floor).rglob("*.py")}
TEMPLATES = " ".join(path.read_text(encoding="utf-8") for path in (ROOT / "reports" / "templates").glob("*.html"))

# What is called from outside: by name (commands, examples, notebooks, editors), or only by what checks the rest.
CALLED = {
    "run": "a command, loaded by its name",
    "BENCH": "of a shipped example, loaded by its name",
    "html_of": "an installed entry point",
    "effects": "for a notebook",
    "contours": "for a notebook",
    "read_tables": "for a notebook",
    "json_schema": "makes study.schema.json",
    "carried_by": "loaded where work is shared out",
    "contrast": "checks the colours",
    "bounded": "checks the bracket of a plan",
    "KEPT_CODES": "checks that a search keeps what a check stops",
    "__all__": "",
}


def module_of(path):
    return path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".")


def uses_of(tree):
    """How often each plain name is read or set; (module, name) of all that is imported, or taken from an import."""
    nodes = list(ast.walk(tree))
    imports = [node for node in nodes if isinstance(node, ast.ImportFrom) and node.module]
    taken = {(node.module, one.name) for node in imports for one in node.names}
    known = {one.asname or one.name: f"{node.module}.{one.name}" for node in imports for one in node.names}
    dotted = (node for node in nodes if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name))
    taken |= {(known[node.value.id], node.attr) for node in dotted if node.value.id in known}
    return Counter(node.id for node in nodes if isinstance(node, ast.Name)), taken


def defined(tree):
    """(name, how often its own definition names it) of functions, classes and constants."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name, 0
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = (one for target in targets for one in ast.walk(target) if isinstance(one, ast.Name))
            yield from ((one.id, 1) for one in names if isinstance(one.ctx, ast.Store))


def test_every_name_of_a_module_is_used():
    uses = {path: uses_of(tree) for path, tree in TREES.items()}
    elsewhere, idle = set().union(*(taken for _, taken in uses.values())), []
    for path, tree in TREES.items():
        if path.name == "__init__.py":
            continue
        for name, own in defined(tree):
            seen = uses[path][0][name] > own or (module_of(path), name) in elsewhere
            if not seen and name not in CALLED and not re.search(rf"\b{name}\b", TEMPLATES):
                idle.append(f"{path.relative_to(ROOT)}: {name}")
    assert idle == []
