"""Nothing that other people wrote is run, unpickled or fetched: the code holds none of the means to."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FLOORS = ("doe", "optimise", "reports", "studies")
FILES = sorted(path for floor in FLOORS for path in (ROOT / floor).rglob("*.py"))
CALLS = {"eval", "exec", "compile", "__import__", "input", "breakpoint", "globals", "vars"}
METHODS = {
    "eval",
    "read_pickle",
    "to_pickle",
    "literal_eval",
    "system",
    "popen",
    "extractall",
    "urlopen",
    "urlretrieve",
}
MODULES = {
    "pickle", "cPickle", "cloudpickle", "dill", "marshal", "shelve", "yaml", "subprocess", "ctypes", "runpy", "code",
    "socket", "ssl", "http", "urllib", "ftplib", "smtplib", "telnetlib", "xmlrpc", "requests", "httpx", "aiohttp",
    "webbrowser", "asyncio", "numexpr", "sympy",
}  # fmt: skip
# `--cluster ADDRESS` speaks to a Dask scheduler that the user names; nothing else leaves the machine.
MAY = {"studies/workers.py": {"distributed", "dask", "socket"}}


def name_of(path):
    return path.relative_to(ROOT).as_posix()


def means_of(tree):
    """Calls, methods and modules by which a text could be run, unpickled or fetched."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS:
            found.add(node.func.id)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in METHODS:
            found.add("." + node.func.attr)
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names} & (MODULES | {"distributed", "dask"})
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            found |= {(node.module or "").split(".")[0]} & (MODULES | {"distributed", "dask"})
    return found


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_no_means_to_run_unpickle_or_fetch(path):
    found = means_of(ast.parse(path.read_text(encoding="utf-8")))
    assert found <= MAY.get(name_of(path), set())


@pytest.mark.parametrize(
    "text",
    ["eval(x)", "import pickle", "from urllib.request import urlopen", "frame.eval(text)", "import yaml as y",
     "os.system(x)", "import http.client"],
)  # fmt: skip
def test_the_scan_sees_them(text):
    assert means_of(ast.parse(text))


def test_modules_are_loaded_by_names_of_our_own_only():
    """`import_module` takes a constant, the name of a command that the parser knows, or one of a table of ours."""
    texts = {path: path.read_text(encoding="utf-8") for path in FILES}
    for path in (one for one, text in texts.items() if "import_module" in text):
        for node in ast.walk(ast.parse(texts[path])):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "import_module":
                (argument,) = node.args
                assert isinstance(argument, ast.Constant) or is_ours(argument), name_of(path)


def is_ours(argument):
    """Whether a name put together is that of a command, or one that stands in the table of shipped examples."""
    start, name = argument.values[0].value, argument.values[1].value
    if start == "studies.examples.":
        return isinstance(name, ast.Subscript) and ast.unparse(name.value) == "EXAMPLES"
    return start == "studies.commands."


REPORTS = ROOT / "reports"
PAGES = sorted(path for kind in ("html", "js", "css") for path in REPORTS.rglob(f"*.{kind}"))


def test_templates_escape_what_they_are_given():
    assert "autoescape=True" in (REPORTS / "rendered.py").read_text(encoding="utf-8")
    assert not [path for path in PAGES if "autoescape" in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", PAGES, ids=name_of)
def test_pages_fetch_and_run_nothing(path):
    text = path.read_text(encoding="utf-8")
    means = ('src="http', 'href="http', "@import", "fetch(", "XMLHttpRequest", "WebSocket", "eval(", "new Function")
    assert [one for one in means if one in text] == []
