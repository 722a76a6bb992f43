"""The tests on every Python that the project names: `make matrix`; words behind it go to pytest.

Owns: an environment for each in `.matrix/`, installed from `locks/test.txt`. Refuses: to call a Python tested that is
not on this machine; it is named, and the status is 1 only where tests fail.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from lock import ROOT, VERSIONS, pythons


def environment(version: str, python: str) -> Path:
    """Python of an environment that holds what the lock says."""
    folder = ROOT / ".matrix" / version
    if not (folder / "bin/python").exists():
        subprocess.run([python, "-m", "venv", folder], check=True)
    install = [folder / "bin/python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*install, "--require-hashes", "-r", ROOT / "locks/test.txt"], check=True)
    subprocess.run([*install, "--no-deps", "--no-build-isolation", "-e", ROOT], check=True)
    return folder / "bin/python"


def main() -> int:
    """One run of pytest for each, one line for each at the end."""
    here, says, failed = pythons(), [], False
    for version in VERSIONS:
        if version not in here:
            says.append(f"Python {version}: not on this machine, not tested")
            continue
        words = [environment(version, here[version]), "-m", "pytest", "-n", "3", "--dist", "worksteal", *sys.argv[1:]]
        done = subprocess.run(words, cwd=ROOT, check=False)
        failed |= done.returncode != 0
        says.append(f"Python {version}: {'passed' if done.returncode == 0 else f'status {done.returncode}'}")
    print("\n".join(says))
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
