"""Writes the lock files: exact versions, with hashes, of what `./start`, `./start test` and `.ci/run` install.

    python scripts/lock.py              # the newest releases that pyproject.toml admits
    python scripts/lock.py --keep       # the versions locked now, where pyproject.toml still admits them

Owns: `locks/`. pip's own resolver is asked (`pip install --dry-run --report`) with every Python of `VERSIONS` that is
here, for both architectures; the hashes of all that they would take stand behind each version, and no address.
Refuses: source distributions (what is installed was built by its authors), and a lock in which two Pythons disagree.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[1]
LOCKS = ROOT / "locks"
VERSIONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")
GLIBC = ("2_28", "2_27", "2_26", "2_24", "2_17", "2_12", "2_5")
"""Tags of wheels that Debian 12 (glibc 2.36) takes, as far as libraries use them."""
SETS = {"run": ("run",), "test": ("run", "archive", "test"), "check": ("run", "archive", "test", "lint")}
SAYS = {"run": "./start", "test": "./start test", "check": ".ci/run"}


def pythons() -> dict[str, str]:
    """Interpreters of `VERSIONS` on this machine: version -> path."""
    found = {}
    for version in VERSIONS:
        kept = sorted(Path.home().glob(f".pyenv/versions/{version}.*/bin/python{version}"))
        for path in (shutil.which(f"python{version}"), *map(str, kept)):
            if path and subprocess.run([path, "-c", "import venv"], capture_output=True, check=False).returncode == 0:
                found[version] = path
                break
    return found


def wanted(extras: Sequence[str]) -> list[str]:
    """Requirements of the named sets, as pyproject.toml says them, and what builds the program."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    found = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    for extra in extras:
        found += project["project"]["optional-dependencies"].get(extra, [])
    return [line for line in found if not line.startswith("deepnotch[")]


def resolve(
    python: str, version: str, machine: str, requirements: Sequence[str], pins: dict[str, str]
) -> dict[str, tuple[str, str]]:
    """What pip would install: name -> (version, sha256)."""
    with tempfile.TemporaryDirectory() as folder:
        asked, held, report = Path(folder, "asked"), Path(folder, "held"), Path(folder, "report")
        asked.write_text("\n".join(requirements))
        held.write_text("\n".join(f"{name}=={pin}" for name, pin in pins.items()))
        subprocess.run([python, "-m", "venv", Path(folder, "venv")], check=True)
        platforms = [f"--platform=manylinux{tag}_{machine}" for tag in ("2014", *(f"_{glibc}" for glibc in GLIBC))]
        subprocess.run(
            [
                Path(folder, "venv/bin/python"), "-m", "pip", "install", "--quiet", "--quiet", "--dry-run",
                "--ignore-installed", "--disable-pip-version-check", "--only-binary=:all:", "--target", folder,
                f"--python-version={version}", "--implementation=cp", *platforms,
                "--report", report, "-c", held, "-r", asked,
            ],
            check=True,
        )  # fmt: skip
        chosen = json.loads(report.read_text())["install"]
    return {
        one["metadata"]["name"].lower().replace("_", "-"): (
            one["metadata"]["version"],
            one["download_info"]["archive_info"]["hashes"]["sha256"],
        )
        for one in chosen
    }


def locked(name: str) -> dict[str, str]:
    """Versions in a lock file: name -> version."""
    path = LOCKS / f"{name}.txt"
    lines = path.read_text().splitlines() if path.exists() else []
    return dict(line.removesuffix(" \\").split("==") for line in lines if "==" in line)


def text(name: str, hashes: dict[str, set[str]], versions: dict[str, str], seen: Sequence[str]) -> str:
    """The lock file."""
    lines = [
        f"# What `{SAYS[name]}` installs: exact versions, and the hashes of what may be installed for them.",
        f"# Made by `make lock` for Linux on {' and '.join(MACHINES)}, Python {', '.join(seen)}; not to be edited.",
    ]
    for package in sorted(versions):
        lines.append(f"{package}=={versions[package]} \\")
        lines += [f"    --hash=sha256:{one} \\" for one in sorted(hashes[package])]
        lines[-1] = lines[-1].removesuffix(" \\")
    return "\n".join(lines) + "\n"


def main() -> int:
    """Resolve the largest set first; the smaller ones take its versions."""
    parser = argparse.ArgumentParser(description="Write the lock files.")
    parser.add_argument("--keep", action="store_true", help="keep the versions that are locked now")
    keep = parser.parse_args().keep
    here = pythons()
    if VERSIONS[0] not in here:
        print(f"lock: needs Python {VERSIONS[0]}, which is not on this machine", file=sys.stderr)
        return 2
    pins = locked("check") if keep else {}
    LOCKS.mkdir(exist_ok=True)
    for name in reversed(SETS):
        hashes: dict[str, set[str]] = defaultdict(set)
        versions: dict[str, str] = {}
        for version, python in here.items():
            for machine in MACHINES:
                print(f"lock: {name}, Python {version}, {machine}", file=sys.stderr)
                for package, (chosen, digest) in resolve(python, version, machine, wanted(SETS[name]), pins).items():
                    if versions.setdefault(package, chosen) != chosen:
                        print(f"lock: {package}: {versions[package]} or {chosen}; say one", file=sys.stderr)
                        return 1
                    hashes[package].add(digest)
                pins = {**pins, **versions}
        (LOCKS / f"{name}.txt").write_text(text(name, hashes, versions, list(here)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
