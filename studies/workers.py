"""Who does the heavy work of a command: this process, several of this machine, or a cluster that is there already."""

from __future__ import annotations

import importlib
import re
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from doe.problems import Problem, StudyError

WAIT_S = 10
_ADDRESS = re.compile(r"(?:(?:tcp|tls|ws|wss)://)?(?P<host>\[[0-9a-fA-F:.]+\]|[^\s:/@]+):(?P<port>[0-9]{1,5})")
PARTS = ("blendwright", "numpy", "scipy", "pandas")
"""What has to be of one version everywhere, for the same bytes."""


@contextmanager
def carried_by(workers: int, cluster: str | None) -> Iterator[None]:
    """Shared work goes to so many processes, or to the Dask scheduler at the address `cluster`, while this lasts.

    Raises StudyError where the cluster cannot be used: no program to speak to it, nobody there, no worker, other
    versions than here.
    """
    if cluster is not None:
        with _on_cluster(cluster):
            yield
    elif workers > 1:
        import joblib

        with joblib.parallel_config(n_jobs=workers):
            yield
    else:
        yield


@contextmanager
def _on_cluster(address: str) -> Iterator[None]:
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise _refused(
            address, "the program that speaks to it is not installed", "the extra that brings it",
            "pip install 'blendwright[cluster]', or leave --cluster out and use --workers N",
        ) from None  # fmt: skip
    import joblib

    # What it logs of a lost or missing scheduler is said below, once and in words.
    importlib.import_module("logging").getLogger("distributed").setLevel("CRITICAL")
    client = _client(distributed, address)
    try:
        _same_versions(client, address)
        with joblib.parallel_config(backend="dask", client=client):
            yield
    finally:
        client.close(timeout=WAIT_S)


def _client(distributed: Any, address: str) -> Any:
    found = _ADDRESS.fullmatch(address.strip())
    if found is None or not 0 < int(found["port"]) < 65536:
        raise _refused(
            address, "not an address", "such as tcp://10.0.0.5:8786", "give the address that the scheduler prints"
        )
    try:
        socket.create_connection((found["host"].strip("[]"), int(found["port"])), timeout=WAIT_S).close()
    except (OSError, UnicodeError):
        raise _refused(
            address, "nobody answers there", "the address of a Dask scheduler that runs",
            "start it (dask scheduler) and give the address that it prints",
        ) from None  # fmt: skip
    client = distributed.Client.__new__(distributed.Client)
    try:
        client.__init__(address.strip(), timeout=WAIT_S, set_as_default=False)
    except Exception:
        # Whatever answers there may send anything; a half-made client must not try to take its leave of it.
        client.status = "closed"
        raise _refused(
            address, "what answers there is no Dask scheduler", "the address of a Dask scheduler that runs",
            "give the address that the scheduler prints, not that of its web page",
        ) from None  # fmt: skip
    return client


def versions() -> dict[str, str]:
    """The versions of what decides the last digits, by name."""
    metadata = importlib.import_module("importlib.metadata")
    found = {}
    for name in PARTS:
        try:
            found[name] = str(metadata.version(name))
        except metadata.PackageNotFoundError:
            found[name] = "none"
    return found


def _same_versions(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
        theirs: Mapping[str, Any] = client.run(versions, on_error="return")
    except (OSError, TimeoutError):
        raise _refused(
            address, f"the scheduler has had no worker for {WAIT_S} s", "one worker at least",
            f"start some: dask worker {address}",
        ) from None  # fmt: skip
    mine = versions()
    problems = []
    for worker, found in sorted(theirs.items()):
        if not isinstance(found, Mapping):
            got = f"worker {worker} does not have blendwright"
            problems.append(_problem(address, got, "the same as here", "install blendwright where the workers run"))
            continue
        other = [f"{name} {found[name]} (here {mine[name]})" for name in PARTS if found[name] != mine[name]]
        if other:
            got = f"worker {worker} has {', '.join(other)}"
            do = "install the same versions where the workers run"
            problems.append(_problem(address, got, "the same versions as here, for the same bytes", do))
    if problems:
        raise StudyError(problems)


def _problem(address: str, got: str, allowed: str, do: str) -> Problem:
    return Problem("cluster", "stop", f"--cluster {address}", got, allowed, do)


def _refused(address: str, got: str, allowed: str, do: str) -> StudyError:
    return StudyError([_problem(address, got, allowed, do)])
