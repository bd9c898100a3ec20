"""Kills commands at each write, rename, sync and removal they make, and looks at what is left.

Run as a program this is a server: it loads the four floors once, then forks a process for every command asked for on
standard input, so that hundreds of real processes can be killed in a minute. `Server` is its other end.
"""

import contextlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

OS_CALLS = ("replace", "rename", "fsync", "unlink", "remove", "mkdir", "rmdir", "truncate", "write", "link", "symlink")
ROOT = Path(__file__).parents[2]


class Steps:
    """Counts what a command does in a folder; ends the process by SIGKILL at step `at`, rests `pause` s at each."""

    def __init__(self, folder, at, pause=0.0):
        self.folder, self.at, self.pause, self.done = os.path.abspath(folder), at, pause, []

    def step(self, what):
        self.done.append(what)
        if self.pause:
            time.sleep(self.pause)
        if len(self.done) == self.at:
            os.kill(os.getpid(), signal.SIGKILL)

    def is_ours(self, path, dir_fd=None):
        if isinstance(path, int):
            path = os.readlink(f"/proc/self/fd/{path}")
        elif dir_fd is not None:
            path = os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), os.fspath(path))
        path = os.path.abspath(os.fsdecode(path))
        return path == self.folder or path.startswith(self.folder + os.sep)

    def install(self):
        for name in OS_CALLS:
            setattr(os, name, self._counted(name, getattr(os, name)))
        io.open = self._opened(io.open)

    def _counted(self, name, real):
        def call(path, *rest, **more):
            if self.is_ours(path, more.get("dir_fd")):
                self.step(name)
                if name == "write":
                    half = len(rest[0]) // 2
                    real(path, rest[0][:half])
                    self.step("half of a write")
                    return half + real(path, rest[0][half:])
            return real(path, *rest, **more)

        return call

    def _opened(self, real):
        steps = self

        class Torn(io.FileIO):
            def write(self, content):
                steps.step("write")
                content = bytes(content)
                super().write(content[: len(content) // 2])
                steps.step("half of a write")
                super().write(content[len(content) // 2 :])
                return len(content)

            def truncate(self, size=None):
                steps.step("truncate")
                return super().truncate(size)

        def opened(file, mode="r", *rest, **more):
            if not set(mode) & set("wax+") or not self.is_ours(file):
                return real(file, mode, *rest, **more)
            assert "b" in mode, "files of a study are written as bytes"
            self.step("open to write")
            return io.BufferedWriter(Torn(file, mode.replace("b", "")))

        return opened


def _child(order, answer):
    from studies.cli import main

    steps = Steps(order["folder"], order.get("at"), order["pause"])
    out = io.StringIO()
    steps.install()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        code = main([*order["words"], "--json"])
    os.write(answer, json.dumps({"code": code, "steps": steps.done, "said": out.getvalue()}).encode())


def _answer(answer):
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


def _serve():
    import openpyxl  # noqa: F401
    import pandas  # noqa: F401

    from studies.cli import main

    for line in sys.stdin:
        order = json.loads(line)
        if order.get("warm"):
            with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
                code = main(order["words"])
            _answer({"code": code})
            continue
        ours, theirs = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(ours)
            with contextlib.suppress(BaseException):
                _child(order, theirs)
            os._exit(0)
        os.close(theirs)
        if order.get("after_s") is not None:
            time.sleep(order["after_s"])
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        with open(ours, "rb") as pipe:
            said = pipe.read()
        os.waitpid(pid, 0)
        answer = {"killed": True} if not said else {"killed": False, **json.loads(said)}
        _answer(answer)


class Server:
    """The commands of the program, each in a process of its own that can be killed at any step."""

    def __enter__(self):
        threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
        self._process = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
            env={**os.environ, **threads, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])},
        )  # fmt: skip
        return self

    def __exit__(self, *error):
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()

    def run(self, *words, **how):
        """Run a command to its end; `how` as in `start`."""
        self.start(*words, **how)
        return self.ended()

    def ended(self):
        """How the command that was started came out."""
        return json.loads(self._process.stdout.readline())

    def start(self, *words, folder=None, warm=False, at=None, after_s=None, pause=0.0):
        """Start a command; killed at step `at` of what it does in `folder`, or after some seconds, if given.

        It rests `pause` s at each step, so that others have time to look in.
        """
        words = [str(word) for word in words]
        order = {"words": words, "folder": str(folder or words[1]), "warm": warm, "at": at, "after_s": after_s}
        order["pause"] = pause
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()


def files(folder):
    """Every file of a folder with its bytes; of the journal what was done, without the times. No lock."""
    found = {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(Path(folder).rglob("*"))
        if p.is_file() and p.name not in (".lock", ".claim")
    }
    if "journal.jsonl" in found:
        rows = [json.loads(line) for line in found["journal.jsonl"].splitlines()]
        found["journal.jsonl"] = [(row["n"], row["command"], row["why"], row["read"], row["wrote"]) for row in rows]
    return found


class Job:
    """One command on one state of a study: what it leaves when it is let alone, and when it is killed."""

    def __init__(self, server, words, base, place):
        self.server, self.words, self.base, self.place = server, words, base, Path(place)
        self.before = files(base) if base is not None else {}
        self.fresh()
        done = server.run(*self.spelt())
        assert not done["killed"]
        assert done["code"] in (0, 1), done["said"]
        self.code, self.steps, self.after = done["code"], done["steps"], files(self.place)
        self.stands = server.run("status", self.place)["code"] == 0  # what is new may still have to be filled in

    def spelt(self):
        return [str(word).replace("@", str(self.place)) for word in self.words]

    def fresh(self):
        shutil.rmtree(self.place, ignore_errors=True)
        if self.base is not None:
            shutil.copytree(self.base, self.place)

    def kill(self, at=None, after_s=None):
        """Kill it once. Returns "before", "after" or "done" (it ended first); fails where something is wrong."""
        self.fresh()
        ended = self.server.run(*self.spelt(), folder=self.place, at=at, after_s=after_s)
        if not ended["killed"]:
            return "done"
        return self._looked_at(at if at is not None else after_s)

    def _looked_at(self, when):
        told = f"{self.words[0]} killed at {when} ({self.steps[when - 1] if isinstance(when, int) else 's'})"
        if (self.place / "study.toml").exists() and self.stands:
            self._command("status", told)
        if self.place.is_dir():
            self.server.run("verify", self.place)  # clears away what was not definite, where nothing is a study yet
            self._verified(told)
        left = {name: content for name, content in files(self.place).items() if not name.endswith(".part")}
        came_to = "before" if left == self.before else "after" if left == self.after else "between"
        if came_to == "between":
            odd = sorted(n for n in {*left, *self.before} if left.get(n) != self.before.get(n))
            raise AssertionError(f"{told}: neither as before nor as after: {odd}")
        again = self.server.run(*self.spelt())
        problems = json.loads(again["said"])["problems"]
        assert all(problem["code"] != "defect" for problem in problems), f"{told}, again: {problems}"
        if came_to == "before":
            assert again["code"] == self.code, f"{told}, again: {problems}"
            assert files(self.place) == self.after, f"{told}: repeated, it comes to something else"
        self._verified(f"{told}, repeated")
        return came_to

    def _verified(self, told):
        if any((self.place / name).exists() for name in ("study.toml", "journal.jsonl")):  # a form alone is no study
            verified = self._command("verify", told)
            assert verified["ok"], f"{told}: {verified['problems']}"

    def _command(self, name, told):
        ended = self.server.run(name, self.place)
        document = json.loads(ended["said"])
        assert ended["code"] == 0, f"{told}, then {name}: {document['problems']}"
        return document


if __name__ == "__main__":
    _serve()
