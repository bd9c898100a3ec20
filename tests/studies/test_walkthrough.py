"""The notebook that shows the calls from Python runs from top to bottom, and is shipped without outputs."""

import asyncio
import json
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import studies

NOTEBOOK = Path(studies.__file__).parent / "walkthrough.ipynb"


def test_notebook_is_shipped_clean():
    for cell in json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_notebook_runs():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        nbclient = pytest.importorskip("nbclient")
        import nbformat

        book = nbformat.read(NOTEBOOK, as_version=4)
        runner = nbclient.NotebookClient(book, timeout=120, kernel_name="python3")
        # In a thread of its own: in this one the browser tests' loop may still run.
        with ThreadPoolExecutor(1) as pool:
            pool.submit(lambda: asyncio.run(runner.async_execute())).result()
    last = book.cells[-1].outputs[-1]["data"]["text/plain"]
    assert last == "True"
