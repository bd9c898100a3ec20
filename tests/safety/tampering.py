"""Changes that someone might make to the files of a study by hand: one byte, one line, one file at a time."""

import random

from studies import journal

TYPED_INTO = ("study.toml", "bench/")


def recorded_files(folder):
    """Every file that nobody edits by hand."""
    found = sorted(path for path in folder.rglob("*") if path.is_file())
    return [path for path in found if not path.relative_to(folder).as_posix().startswith(TYPED_INTO)]


def byte_edits(folder, count, seed=1):
    """One byte changed, put in or taken out, anywhere in the recorded files; undone before the next. Says what it was.

    Half of the edits fall where most bytes are, half on files in turn, so that small ones have their share.
    """
    pick = random.Random(seed)
    files = recorded_files(folder)
    sizes = [path.stat().st_size for path in files]
    for number in range(count):
        path = pick.choices(files, sizes)[0] if number % 2 else files[number // 2 % len(files)]
        whole = path.read_bytes()
        at, way = pick.randrange(len(whole)), pick.randrange(3)
        byte = bytes([whole[at] ^ pick.randrange(1, 256)])
        changed = (whole[:at] + byte + whole[at + 1 :], whole[:at] + whole[at + 1 :], whole[:at] + byte + whole[at:])
        path.write_bytes(changed[way])
        yield f"{path.relative_to(folder)}, byte {at}, {('changed', 'taken out', 'put in')[way]}"
        path.write_bytes(whole)


def line_edits(folder):
    """The journal with each line lost, doubled, moved or cut; undone before the next."""
    log = folder / journal.NAME
    whole = log.read_bytes()
    lines = whole.splitlines(keepends=True)
    last = len(lines) - 1
    for number, line in enumerate(lines):
        yield_from = {
            "lost": lines[:number] + lines[number + 1 :],
            "doubled": [*lines[: number + 1], *lines[number:]],
            "moved": [*lines[:number], *lines[number + 1 : number + 2], line, *lines[number + 2 :]],
            "cut": [*lines[:number], line[: len(line) // 2], *lines[number + 1 :]],
            "cut off after": [*lines[:number], line[:-1]],
        }
        for what, changed in yield_from.items():
            if not (what == "moved" and number == last):
                log.write_bytes(b"".join(changed))
                yield f"line {number + 1} {what}"
        log.write_bytes(whole)


def file_edits(folder):
    """Each recorded file taken away, emptied, cut short or given another's content; a file put in beside it."""
    for path in recorded_files(folder):
        whole = path.read_bytes()
        name = path.relative_to(folder).as_posix()
        path.unlink()
        yield f"{name} taken away"
        for what, content in (
            ("emptied", b""),
            ("cut short", whole[: len(whole) // 2]),
            ("another", b"x" * len(whole)),
        ):
            path.write_bytes(content)
            yield f"{name} {what}"
        path.write_bytes(whole)
        if path.parent != folder:
            beside = path.with_name("added.txt")
            beside.write_bytes(whole)
            yield f"{name} copied beside it"
            beside.unlink()


def forged(folder):
    """The journal written anew over the files as they stand: a whole chain that says nothing of what was changed."""
    files = {name: journal.fingerprint(folder / name) for name in journal.last_digests(journal.read(folder))}
    entry, lines = None, []
    for old in journal.read(folder):
        wrote = {name: files.get(name, digest) for name, digest in old.wrote.items()}
        entry = journal.written(entry, old.command, old.read, wrote, old.removed, why=old.why, version=old.version)
        lines.append(journal.line_of(entry))
    (folder / journal.NAME).write_bytes(b"".join(lines))
