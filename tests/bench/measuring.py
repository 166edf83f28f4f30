"""One command as a cold process: wall time, processor time, and peak memory with its children.

Nothing heavy is imported here: on Linux the peak a child reports begins with that of the process it was started from.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import psutil

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Run:
    """What one run of a command took.

    Attributes:
        wall_s: From start to end [s].
        cpu_s: User and system time, children included [s].
        peak_mb: Largest memory resident at once, children included [MB].
    """

    wall_s: float
    cpu_s: float
    peak_mb: float


def run_cold(command: Sequence[str], log: Path, before: Callable[[], object] = lambda: None, **variables: str) -> Run:
    """Run a command to its end and return what it took; its output goes to `log`.

    Python keeps the byte code of what it imports, as it does after an ordinary installation, whatever is set here.

    Args:
        command: What to run.
        log: Where its output goes.
        before: Called first; what it takes does not count.
        variables: Of the environment, beside those that are set.

    Raises:
        RuntimeError: It failed; its last words are told.
    """
    before()
    with log.open("wb") as out:
        began = time.perf_counter()
        env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"} | variables
        child = subprocess.Popen(command, cwd=ROOT, env=env, stdout=out, stderr=subprocess.STDOUT)
        peak = [0.0]
        done = threading.Event()
        watch = threading.Thread(target=_watch_memory, args=(child.pid, done, peak))
        watch.start()
        _, status, used = os.wait4(child.pid, 0)
        wall_s = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        done.set()
        watch.join()
    if child.returncode != 0:
        words = log.read_text(errors="replace")[-2000:]
        raise RuntimeError(f"{' '.join(command)} ended with {child.returncode}:\n{words}")
    own_mb = used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3 / 1.024)
    return Run(wall_s, used.ru_utime + used.ru_stime, max(own_mb, peak[0]))


def _watch_memory(pid: int, done: threading.Event, peak: list[float]) -> None:
    """Keep the largest sum of what a process and its children have resident, looked at ten times a second."""
    while not done.wait(0.1):
        try:
            family = [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]
            peak[0] = max(peak[0], sum(member.memory_info().rss for member in family) / 1e6)
        except psutil.Error:
            continue  # one of them has ended meanwhile; the next look counts the others


def alternate(commands: dict[str, Callable[[], Run]], rounds: int) -> dict[str, Run]:
    """Run commands in turn and return the median of each figure."""
    runs: dict[str, list[Run]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, command in commands.items():
            runs[name].append(command())
    return {
        name: Run(*(median(getattr(run, figure) for run in found) for figure in Run.__slots__))
        for name, found in runs.items()
    }


def machine() -> str:
    """Return what the figures were measured on, and when."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [line.partition(":")[2].strip() for line in info.read_text().splitlines() if "model name" in line]
        model = names[0] if names else model
    memory_gb = psutil.virtual_memory().total / 1e9
    return (
        f"{time.strftime('%d %B %Y')}, {psutil.cpu_count()} cores ({model}), {memory_gb:.0f} GB, "
        f"{platform.system()}, Python {platform.python_version()}"
    )


def all_but_templates(cache: Path) -> list[Path]:
    """Return what a first run does not find in the user's cache folder: templates are compiled once, as modules are."""
    return [path for path in cache.glob("*") if path.name != "templates"]
