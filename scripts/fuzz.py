"""Coverage-guided fuzzing by hand: `python scripts/fuzz.py TARGET [--seconds N]`, `--list` names the targets.

Needs `pip install -e '.[fuzz,test]'`. The targets and what counts as a fault are those of tests/hostile. One input may
take `--timeout` seconds and the whole process `--memory` megabytes; the input that broke a rule is written to `--out`
and its traceback printed. Ends with one line: inputs tried, seconds, faults. What was found: docs/fuzzing.md.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))
LONGEST_INPUT = 4096
MEMORY = Path("/dev/shm")
COVERED = ["protocol", "visit", "tui.terminal", "textual._xterm_parser", "tomllib", "skrf.io.touchstone"]


def main() -> int:
    """Start the fuzzer in a process of its own and count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", nargs="?", help="what to fuzz")
    parser.add_argument("--list", action="store_true", help="name the targets")
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--timeout", type=int, default=20, help="seconds for one input")
    parser.add_argument("--memory", type=int, default=2000, help="megabytes for the process")
    parser.add_argument("--ways", type=int, default=512, help="one visit in so many goes through every way out")
    parser.add_argument("--corpus", type=Path, help="folder of inputs to begin with and to add to")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()), help="folder for what broke a rule")
    options = parser.parse_args()
    from tests.hostile.targets import TARGETS, seeds

    if options.list or options.target not in TARGETS:
        print("\n".join(TARGETS))
        return 0 if options.list else 2
    with contextlib.ExitStack() as stack:
        corpus = options.corpus or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        corpus.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds(options.target)):
            (corpus / f"seed{number}").write_bytes(seed)
        words = [
            f"-max_total_time={options.seconds}", f"-timeout={options.timeout}", f"-rss_limit_mb={options.memory}",
            f"-max_len={LONGEST_INPUT}", f"-artifact_prefix={options.out}/{options.target}-", "-print_final_stats=1",
            str(corpus),
        ]  # fmt: skip
        began = time.monotonic()
        environment = {**os.environ, "DEEPNOTCH_FUZZ": options.target, "DEEPNOTCH_WAYS": str(options.ways)}
        if MEMORY.is_dir():  # a disk that is waited for at each input takes all the time
            environment["TMPDIR"] = stack.enter_context(
                tempfile.TemporaryDirectory(dir=MEMORY, prefix="deepnotch-fuzz-")
            )
        done = subprocess.run(
            [sys.executable, __file__, *words],
            env=environment,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    said = done.stdout + done.stderr
    counts = re.findall(r"stat::number_of_executed_units:\s*(\d+)", said) or re.findall(r"Done (\d+) runs", said)
    kept = re.findall(r"new units added:\s*(\d+)", said) or re.findall(r"stat::new_units_added:\s*(\d+)", said)
    if done.returncode:
        print(said[-6000:])
    print(
        f"{options.target}: {counts[-1] if counts else '?'} inputs in {time.monotonic() - began:.0f} s,"
        f" {kept[-1] if kept else '?'} reached new code; {'A FAULT' if done.returncode else 'no fault'}"
    )
    return 1 if done.returncode else 0


def fuzz(name: str) -> None:
    """Within the process that is fuzzed; libFuzzer's words stand in sys.argv."""
    import atheris

    warnings.simplefilter("ignore")  # atheris rewrites code as it loads; the tests look at warnings
    with atheris.instrument_imports(include=COVERED):
        from tests.hostile import targets
    targets.WAYS_OUT_OF = int(os.environ["DEEPNOTCH_WAYS"])
    target = targets.TARGETS[name]
    warnings.simplefilter("error")
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    if "DEEPNOTCH_FUZZ" in os.environ:
        fuzz(os.environ["DEEPNOTCH_FUZZ"])
    sys.exit(main())
