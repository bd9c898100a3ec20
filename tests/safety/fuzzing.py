"""A small fuzzer led by coverage: inputs that reach a line nothing reached before are kept and changed further.

Lines are watched with `sys.monitoring` where Python has it (3.12), with a trace function before. Nothing is installed
for it; the same seed gives the same inputs.
"""

import io
import random
import re
import resource
import signal
import sys
import time
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
OURS = tuple(str(ROOT / floor) for floor in ("doe", "optimise", "reports", "studies"))
HANG_S = 5.0
NUMBERS = (b"0", b"-1", b"1", b"1e308", b"1e-320", b"16385", b"1048577", b"99999999999", b"0.1", b"nan", b"1,5", b"")
ROOM = 1_500_000_000  # bytes a single input may make the process grow by


class HangError(BaseException):
    """An input that keeps the program busy for longer than `HANG_S` of processor time."""


class Lines:
    """Lines of our four floors that were reached, watched only until they are."""

    def __init__(self):
        self.seen = set()
        self._codes = {}
        self.grew = False

    def __enter__(self):
        self.grew = False
        if hasattr(sys, "monitoring"):
            self._monitor()
        else:
            sys.settrace(self._enter)
        return self

    def __exit__(self, *error):
        if hasattr(sys, "monitoring"):
            sys.monitoring.set_events(3, 0)
            sys.monitoring.free_tool_id(3)
        else:
            sys.settrace(None)

    def _monitor(self):
        tools = sys.monitoring
        tools.use_tool_id(3, "fuzzing")

        def line(code, number):
            if code.co_filename.startswith(OURS) and (code, number) not in self.seen:
                self.seen.add((code, number))
                self.grew = True
            return tools.DISABLE

        tools.register_callback(3, tools.events.LINE, line)
        tools.set_events(3, tools.events.LINE)

    def _enter(self, frame, event, argument):
        code = frame.f_code
        left = self._codes.get(code)
        if left is None:
            ours = code.co_filename.startswith(OURS)
            left = self._codes[code] = {number for *_, number in code.co_lines() if number} if ours else set()
        return self._line if left else None

    def _line(self, frame, event, argument):
        left = self._codes[frame.f_code]
        if frame.f_lineno in left:
            left.discard(frame.f_lineno)
            self.seen.add((frame.f_code, frame.f_lineno))
            self.grew = True
        return self._line if left else None


def within_limits(call, content):
    """`call(content)`, stopped when it takes more than `HANG_S` of processor time or `ROOM` of memory."""

    def stop(number, frame):
        raise HangError

    before = signal.signal(signal.SIGPROF, stop)
    limits = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + ROOM, limits[1]))
    signal.setitimer(signal.ITIMER_PROF, HANG_S)
    try:
        return call(content)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
        resource.setrlimit(resource.RLIMIT_AS, limits)


class Fuzzer:
    """Changes seeds at random; `words` are pieces worth putting in. Keeps what reaches new lines."""

    def __init__(self, target, seeds, words, seed=1):
        self.target, self.words = target, [w.encode() if isinstance(w, str) else w for w in words]
        self.corpus = list(seeds)
        self.first = len(self.corpus)
        self.random = random.Random(seed)
        self.lines = Lines()
        self.runs = 0
        self.failures = {}

    def run(self, seconds=None, runs=None):
        """Try inputs for so long, or so many. Failures are kept by what they were and where."""
        until = time.monotonic() + seconds if seconds else None
        for content in list(self.corpus):
            self._try(content)
        started = self.runs
        while (until is None or time.monotonic() < until) and (runs is None or self.runs - started < runs):
            content = self._changed(self._pick())
            if self._try(content):
                self.corpus.append(content)

    def _pick(self):
        # What came last reached something new: it is worth more.
        if self.random.random() < 0.5 and len(self.corpus) > self.first:
            return self.corpus[-1 - int(len(self.corpus) * self.random.random() ** 3)]
        return self.random.choice(self.corpus)

    def _try(self, content):
        self.runs += 1
        try:
            with self.lines:
                within_limits(self.target, content)
        except (Exception, HangError) as error:
            trace, where = error.__traceback__, ""
            while trace is not None:
                name = trace.tb_frame.f_code.co_filename
                if name.startswith(OURS):
                    where = f"{Path(name).relative_to(ROOT)}:{trace.tb_lineno}"
                trace = trace.tb_next
            self.failures.setdefault(f"{type(error).__name__} at {where}: {str(error)[:200]}", content)
        return self.lines.grew

    def _changed(self, content):
        for _ in range(1 + int(6 * self.random.random() ** 2)):
            content = self._once(content)
        return content[:200_000]

    def _once(self, content):
        pick, size = self.random, len(content)
        if b"</" in content and pick.random() < 0.85:
            return self._marked_up(content)
        at, end = sorted((pick.randrange(size + 1), pick.randrange(size + 1)))
        end = min(end, at + 1 + int(40 * pick.random() ** 2)) if pick.random() < 0.8 else end
        way = pick.randrange(8)
        if way == 0 and size:
            at = pick.randrange(size)
            return content[:at] + bytes([content[at] ^ (1 << pick.randrange(8))]) + content[at + 1 :]
        if way == 1:
            return content[:at] + content[end:]
        if way == 2:
            return content[:end] + content[at:end] * pick.choice((1, 1, 2, 30)) + content[end:]
        if way == 3:
            other = pick.choice(self.corpus)
            if isinstance(other, bytes) and other:
                start = pick.randrange(len(other))
                return content[:at] + other[start : start + 1 + pick.randrange(60)] + content[end:]
            return content
        if way == 4:
            number = pick.choice(NUMBERS)
            return _put_number(content, number, pick)
        if way == 5:
            lines = content.split(b"\n")
            one, two = pick.randrange(len(lines)), pick.randrange(len(lines))
            lines[one], lines[two] = lines[two], lines[one]
            return b"\n".join(lines)
        word = pick.choice(self.words)
        return content[:at] + word + (content[at:] if way == 6 else content[end:])

    def _marked_up(self, content):
        """XML changed so that it mostly stays XML: a value, a text, or an element doubled, dropped or moved."""
        pick = self.random
        parts = content.split(SPLIT)
        # The last parts of an archive are its sheets; what stands before is mostly styles.
        which = pick.choice([n for n, part in enumerate(parts) if b"</" in part])
        part = parts[which]
        what = pick.choice((rb'="([^"]*)"', rb">([^<]+)<", rb"<(\w+(?::[\w-]+)?)\b[^>]*?(?:/>|>.*?</\1>)"))
        found = list(re.finditer(what, part, re.DOTALL))
        if found:
            one = pick.choice(found)
            if what.startswith(b"<"):
                other = pick.choice(found)
                new = pick.choice((b"", one[0] * 2, one[0] * 40, other[0]))
                part = part[: one.start()] + new + part[one.end() :]
            else:
                word = pick.choice(
                    (*self.words, b"0", b"-1", b"1", b"16385", b"1048577", b"1e308", b"99999999999", b"")
                )
                word = word.replace(b"&", b"&amp;").replace(b"<", b"&lt;").replace(b'"', b"&quot;")
                part = part[: one.start(1)] + word + part[one.end(1) :]
        parts[which] = part
        return SPLIT.join(parts)


SPLIT = b"\x00<part>\x00"


def _put_number(content, number, pick):
    spots = [n for n, byte in enumerate(content) if 48 <= byte <= 57]
    if not spots:
        return content + number
    start = end = pick.choice(spots)
    while start and (48 <= content[start - 1] <= 57 or content[start - 1] == 46):
        start -= 1
    while end < len(content) and (48 <= content[end] <= 57 or content[end] == 46):
        end += 1
    return content[:start] + number + content[end:]


def unzipped(content):
    """An archive as one run of bytes a fuzzer can change: names and parts, one after another."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return SPLIT.join(part for name in archive.namelist() for part in (name.encode(), archive.read(name)))


def zipped(content):
    """The archive again, or the bytes as they are where they are no parts any more."""
    pieces = content.split(SPLIT)
    if len(pieces) < 2:
        return content
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, part in zip(pieces[::2], pieces[1::2], strict=False):
            info = zipfile.ZipInfo(name.decode("latin-1")[:100] or "x")
            if info.filename not in archive.NameToInfo:
                archive.writestr(info, part)
    return out.getvalue()
