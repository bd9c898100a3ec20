"""Shared by all tests: one BLAS thread, and skips that count as failures where everything must be there."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import hypothesis  # noqa: E402
import pytest  # noqa: E402

hypothesis.settings.register_profile("house", deadline=None, derandomize=True, print_blob=False)
hypothesis.settings.load_profile("house")


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("BLENDWRIGHT_NO_SKIPS"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and here nothing may be: {call.excinfo.value}"
