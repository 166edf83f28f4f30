"""A small real disk, for tests of what happens when it is full."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 kB; skipped where it may not be mounted, which the file-size test makes up for."""
    folder = tmp_path / "small"
    folder.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounting a small disk needs Linux and root")
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)], check=False)
    if mounted.returncode != 0:
        pytest.skip("this container may not mount")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)
