"""What a power failure may leave of a folder: a model of a drive that keeps for sure only what was synced.

File systems promise that a synced file keeps its content and a synced folder its entries; of all else any part may be
there or not (POSIX.1-2017, fsync; the ways real systems differ are told in Pillai et al., "All file systems are not
created equal", OSDI 2014, from memory). A rename is one step: old or new, never both.
"""

import io
import os
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Node:
    """A file or folder: what surely is on the drive, and what may be."""

    is_folder: bool
    kept: object = None
    now: object = None


@dataclass
class Drive:
    """The folder `root` followed through every call that changes it. `moments` are all states it went through."""

    root: Path
    nodes: list = field(default_factory=list)
    todo: list = field(default_factory=list)  # unsynced steps on entries: [(folder, name, node or None), ...] each
    moments: list = field(default_factory=list)

    def __post_init__(self):
        self.home = self._read(self.root)

    def _read(self, path):
        if path.is_dir():
            entries = {child.name: self._read(child) for child in path.iterdir()}
            return self._add(Node(True, entries, dict(entries)))
        content = path.read_bytes()
        return self._add(Node(False, content, content))

    def _add(self, node):
        self.nodes.append(node)
        return len(self.nodes) - 1

    def find(self, path):
        """(node of the folder, name, node itself or None) of a path in the folder."""
        place, name = self.home, ""
        parts = Path(os.path.abspath(path)).relative_to(self.root).parts
        for name in parts[:-1]:
            place = self.nodes[place].now[name]
        if not parts:
            return None, "", self.home
        return place, parts[-1], self.nodes[place].now.get(parts[-1])

    def is_ours(self, path):
        return Path(os.path.abspath(path)).is_relative_to(self.root)

    def put(self, *steps):
        """Entries as they are from now on; on the drive once the folder is synced."""
        for folder, name, node in steps:
            if node is None:
                self.nodes[folder].now.pop(name, None)
            else:
                self.nodes[folder].now[name] = node
        self.todo.append(steps)
        self.mark()

    def sync(self, node):
        one = self.nodes[node]
        one.kept = dict(one.now) if one.is_folder else one.now
        if one.is_folder:
            done = [steps for steps in self.todo if any(folder == node for folder, _, _ in steps)]
            for steps in done:
                for folder, name, moved in steps:
                    _entry(self.nodes[folder].kept, name, moved)
            self.todo = [steps for steps in self.todo if steps not in done]
        self.mark()

    def mark(self):
        nodes = [(n.is_folder, dict(n.kept) if n.is_folder else n.kept, None if n.is_folder else n.now)
                 for n in self.nodes]  # fmt: skip
        self.moments.append((nodes, list(self.todo)))

    def after_failure(self, moment, place, choose):
        """Write to `place` what the drive may hold when power fails then. `choose(n)` is below n, each time anew."""
        nodes, todo = self.moments[moment]
        folders = {number: dict(kept) for number, (is_folder, kept, _) in enumerate(nodes) if is_folder}
        for steps in todo:
            if choose(2):
                for folder, name, node in steps:
                    _entry(folders[folder], name, node)
        self._write(nodes, folders, self.home, Path(place), choose)

    def _write(self, nodes, folders, number, path, choose):
        is_folder, kept, now = nodes[number]
        if is_folder:
            path.mkdir()
            for name, node in folders[number].items():
                self._write(nodes, folders, node, path / name, choose)
            return
        # Unsynced content: the old one, the new one, a part of it, or as long as it with nothing in it. What was
        # synced before an addition stays.
        same = _alike(kept or b"", now)
        torn = now[: same + choose(len(now) - same + 1)]
        whole = torn + bytes(len(now) - len(torn))
        path.write_bytes(kept if kept == now else (kept or b"", now, torn, whole)[choose(4)])


def _alike(one, other):
    """How many bytes two files begin with alike."""
    pairs = zip(one, other, strict=False)
    return next((n for n, (a, b) in enumerate(pairs) if a != b), min(len(one), len(other)))


def _entry(entries, name, node):
    if node is None:
        entries.pop(name, None)
    else:
        entries[name] = node


def follow(drive, monkeypatch):
    """Have every call of `os` and `open` that changes the folder told to the drive."""
    real = {name: getattr(os, name) for name in ("replace", "mkdir", "unlink", "rmdir", "fsync")}
    opened = io.open

    def replace(source, target, **more):
        real["replace"](source, target, **more)
        (from_, name, node), (to, new, _) = drive.find(source), drive.find(target)
        drive.put((from_, name, None), (to, new, node))

    def mkdir(path, *rest, **more):
        real["mkdir"](path, *rest, **more)
        if drive.is_ours(path):
            folder, name, _ = drive.find(path)
            drive.put((folder, name, drive._add(Node(True, {}, {}))))

    def removing(which):
        def call(path, *, dir_fd=None):
            full = path if dir_fd is None else os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), path)
            real[which](path, dir_fd=dir_fd)
            if drive.is_ours(full):
                folder, name, _ = drive.find(full)
                drive.put((folder, name, None))

        return call

    def fsync(handle):
        real["fsync"](handle)
        path = os.readlink(f"/proc/self/fd/{handle}")
        if drive.is_ours(path):
            drive.sync(drive.find(path)[2])

    class Followed(io.FileIO):
        def write(self, content):
            done = super().write(content)
            self._told()
            return done

        def truncate(self, size=None):
            done = super().truncate(size)
            self._told()
            return done

        def _told(self):
            drive.nodes[drive.find(self.name)[2]].now = Path(self.name).read_bytes()
            drive.mark()

    def opening(file, mode="r", *rest, **more):
        if not set(mode) & set("wax+") or isinstance(file, int) or not drive.is_ours(file):
            return opened(file, mode, *rest, **more)
        handle = io.BufferedWriter(Followed(file, mode.replace("b", "")))
        folder, name, node = drive.find(file)
        if node is None:
            drive.put((folder, name, drive._add(Node(False, None, b""))))
        return handle

    for name, call in (("replace", replace), ("mkdir", mkdir), ("fsync", fsync)):
        monkeypatch.setattr(os, name, call)
    for name in ("unlink", "rmdir"):
        monkeypatch.setattr(os, name, removing(name))
    monkeypatch.setattr(io, "open", opening)
