"""Processor time of the whole demo, set-up apart. Run by hand on a quiet machine, see DEVELOPERS.md."""

import os
import subprocess
import sys

PROMISED_S = 15


def test_demo_keeps_its_promise_of_processor_time(tmp_path):
    before = os.times()
    subprocess.run(
        [sys.executable, "-m", "studies.cli", "demo", str(tmp_path / "demo")], check=False, capture_output=True
    )
    after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    sys.stdout.write(f"demo: {used:.1f} s of processor time, {PROMISED_S} s promised\n")
    assert used < PROMISED_S
