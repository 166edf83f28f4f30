"""A second process beside this one, for work that two cores share.

It is a plain Python that reads calls on its standard input and answers on its standard output: it needs nothing of
how this one was started, and on every system it starts the same way.
"""

from __future__ import annotations

import gc
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import IO, Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")

WORTH_HELP_BYTES = 24 << 20
"""A second process takes half a second to be ready; shorter logs are done sooner without one."""
_COMMAND = "from trialcapture.archive.second_process import serve; serve()"


class SecondProcess:
    """Calls functions in the second process, one after the other; made by `open_second_process`.

    Where the process cannot be had, or is lost, calls are made in this one instead.
    """

    def __init__(self, process: subprocess.Popen[bytes] | None, courier: ThreadPoolExecutor) -> None:
        self._process = process
        self._courier = courier
        self.is_closing = False

    @property
    def is_there(self) -> bool:
        """True where calls really go to another process."""
        return self._process is not None

    def submit(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Call a function of a module with arguments that can be pickled.

        The future raises what the function raised.
        """
        return self._courier.submit(self._call, function, args, kwargs)

    def _call(self, function: Callable[..., T], args: tuple[Any, ...], kwargs: dict[str, Any]) -> T:
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            return function(*args, **kwargs)
        try:
            pickle.dump((function, args, kwargs), process.stdin, pickle.HIGHEST_PROTOCOL)
            process.stdin.flush()
            fault, answer = pickle.load(process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError):
            if self.is_closing:
                raise  # nobody waits for the answer any more
            # what stopped it, if it was the call's own doing, will be met here again and told
            self._process = None
            return function(*args, **kwargs)
        if fault is not None:
            raise fault
        found: T = answer
        return found


def is_long(folder: Path) -> bool:
    """Return True where the logs of a session are so long that a second process pays; asked before anything else."""
    return sum(path.stat().st_size for path in (folder / "raw").glob("*") if path.is_file()) >= WORTH_HELP_BYTES


@contextmanager
def open_second_process(wanted: bool = True, ready_for: str = "") -> Iterator[SecondProcess]:
    """Start the second process, where it is wanted and there is a second core, and end it again.

    Args:
        wanted: False to have calls made in this process.
        ready_for: A module the calls will need, imported there while this process goes on.
    """
    process = None
    if wanted and (os.cpu_count() or 1) > 1:
        with suppress(OSError):
            process = subprocess.Popen(
                [sys.executable, "-c", _COMMAND, ready_for],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            )
    courier = ThreadPoolExecutor(1)
    second = SecondProcess(process, courier)
    try:
        yield second
    finally:
        second.is_closing = True
        courier.shutdown(cancel_futures=True, wait=process is None)
        if process is not None:
            process.kill()
            courier.shutdown()
            process.communicate()


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Keep linear algebra to one thread a process.

    Thousands of small products gain nothing from threads, and their waiting for each other takes several times as
    long as the work once two processes share two cores.
    """
    # libraries are limited where they are loaded, so NumPy's must be before
    import numpy as np  # noqa: F401, PLC0415
    from threadpoolctl import threadpool_limits  # noqa: PLC0415  this module is imported before the process is started

    with threadpool_limits(limits=1, user_api="blas"):
        yield


def hold_little_memory() -> None:
    """Let Arrow take its memory from the system and give it back there; its own pools keep what they once had."""
    import pyarrow as pa  # noqa: PLC0415  this module is imported before the process is started

    pa.set_memory_pool(pa.system_memory_pool())


def leave_cycles() -> None:
    """Stop looking for objects that refer to each other: they go with the process, and looking takes a twentieth."""
    gc.disable()


def release_memory() -> None:
    """Give memory that is free back to the system; worth doing after a step that took much of it."""
    import pyarrow as pa  # noqa: PLC0415  this module is imported before the process is started

    pa.default_memory_pool().release_unused()


def serve() -> None:
    """Answer calls until the input ends."""
    calls: IO[bytes] = sys.stdin.buffer
    answers: IO[bytes] = sys.stdout.buffer
    # what a called function prints must not get between the answers
    sys.stdout = sys.stderr
    leave_cycles()
    hold_little_memory()
    with suppress(ImportError, ValueError):  # a call that needs it will say so
        import_module(sys.argv[1])
    with one_thread_each():
        _answer(calls, answers)


def _answer(calls: IO[bytes], answers: IO[bytes]) -> None:
    while True:
        try:
            function, args, kwargs = pickle.load(calls)
        except EOFError:
            return
        answer: tuple[Exception | None, Any]
        try:
            answer = (None, function(*args, **kwargs))
        except Exception as fault:  # noqa: BLE001  raised again by the process that asked
            answer = (fault, None)
        pickle.dump(answer, answers, pickle.HIGHEST_PROTOCOL)
        answers.flush()
        del function, args, kwargs, answer
        release_memory()
