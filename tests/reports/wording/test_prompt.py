"""What is shown to be typed can be pasted: a shell takes it apart into the very words."""

import json
import shlex
import subprocess

import pytest

from reports.wording import prompt
from reports.wording.prompt import quoted, typed

SHELL = ["$HOME", "`id`", "a;b", "a&b", "(2)", "a\\b", "*", "~"]
NAMES = [
    "wash",
    "my wash",
    "Étude crème",
    "研究",
    "it's",
    'a"b',
    "$HOME",
    "`id`",
    "a;b",
    "a&b",
    "(2)",
    "a\\b",
    "*",
    "~",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_shell_takes_it_for_the_words_meant(name):
    line = typed("record", name, f"{name}/bench/round-1.xlsx", "--learn", 6)
    words = ["record", name, f"{name}/bench/round-1.xlsx", "--learn", "6"]
    # POSIX, Shell Command Language: by the shell itself.
    printer = "printf '%s\\0' " + line
    seen = subprocess.run(["/bin/sh", "-c", printer], capture_output=True, check=True).stdout.decode().split("\0")
    assert seen == ["blendwright", *words, ""]


def test_plain_words_stay_plain():
    assert typed("plan", "studies/my-wash", "--runs", 24) == "blendwright plan studies/my-wash --runs 24"


def test_windows_has_double_quotes(monkeypatch):
    monkeypatch.setattr(prompt.os, "name", "nt")
    assert [quoted(word) for word in ("my wash", "C:\\work\\wash", "研究")] == ['"my wash"', "C:\\work\\wash", '"研究"']


@pytest.mark.parametrize("name", ["my wash", "研究 (2)"])
def test_what_a_command_says_to_do_next_can_be_pasted(name, tmp_path, monkeypatch, capsys):
    from studies.cli import main

    monkeypatch.chdir(tmp_path)
    said = []
    for words in (["new", name, "--from", "potting-shed"], ["check", name], ["status", name]):
        assert main(words) in (0, 1)
        said.append(capsys.readouterr().out.rpartition("blendwright ")[2].strip())
    assert [shlex.split(line)[:2] for line in said] == [["check", name], ["plan", name], ["plan", name]]
    main(["status", name, "--json"])
    assert shlex.split(json.loads(capsys.readouterr().out)["next"]) == ["blendwright", "plan", name]
