"""The program in processes of its own that start at once: forked from one that has it loaded already.

`Programs` starts the server and talks to it; the server, below, is run by its path. A child ends as any process that
was started by the shell: by its status or a signal.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


PATIENCE_S = 600.0
"""A machine that is busy with other work may let a program of the idle class wait for minutes."""


class Programs:
    """Starts programs; use it in a `with` block. `bench_pipes`: descriptors over which the bench takes its words."""

    def __init__(self, folder: Path, bench_pipes: tuple[int, int]) -> None:
        self._folder, self._count = folder, 0
        self._living: set[int] = set()
        self._server = subprocess.Popen(
            [sys.executable, __file__, *map(str, bench_pipes)], cwd=ROOT, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True, pass_fds=bench_pipes, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip

    def __enter__(self) -> Programs:
        return self

    def __exit__(self, *_: object) -> None:
        for pid in list(self._living):
            os.kill(pid, 9)
            self.wait(pid)
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.close()
        self._server.wait(PATIENCE_S)
        self._server.stdout.close()

    def _ask(self, **words: Any) -> Any:
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(json.dumps(words) + "\n")
        self._server.stdin.flush()
        return json.loads(self._server.stdout.readline())

    def start(self, *words: str, calibrate: bool = False) -> int:
        """Start it; its process number."""
        self._count += 1
        pid = int(self._ask(words=words, files=str(self._folder / str(self._count)), calibrate=calibrate))
        self._living.add(pid)
        return pid

    def wait(self, pid: int, patience_s: float = PATIENCE_S) -> tuple[int, str, str]:
        """Its status (negative: the signal), and what it said on stdout and stderr. AssertionError: it does not end."""
        status, files = self._ask(wait=pid, patience_s=patience_s)
        assert status is not None, f"process {pid} does not end"
        self._living.discard(pid)
        told, said = (Path(f"{files}.{end}").read_text(errors="replace") for end in ("out", "err"))
        return int(status), told, said

    def run(self, *words: str, calibrate: bool = False) -> tuple[int, str, str]:
        """Start it and wait for its end."""
        return self.wait(self.start(*words, calibrate=calibrate))


def serve() -> None:
    """Fork for every line that asks for a program."""
    sys.path.insert(0, str(ROOT))
    import scipy.special  # noqa: F401 - everything that a child may need: each would load it again
    import serial.tools.list_ports  # noqa: F401

    import tests.visit.stations  # noqa: F401
    import visit.record.copying
    import visit.report.report_html
    import visit.report.report_text  # noqa: F401
    from tui.cli import main
    from tui.commands import commands  # noqa: F401

    pipes = [int(word) for word in sys.argv[1:]]
    files: dict[int, str] = {}
    for line in sys.stdin:
        asked = json.loads(line)
        if "wait" in asked:
            answer: Any = (_waited(asked["wait"], asked["patience_s"]), files[asked["wait"]])
        else:
            answer = os.fork()
            if answer == 0:
                for descriptor, end in ((1, "out"), (2, "err")):
                    made = os.open(f"{asked['files']}.{end}", os.O_CREAT | os.O_WRONLY, 0o600)
                    os.dup2(made, descriptor)
                os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
                status = _calibrate(pipes, *asked["words"]) if asked["calibrate"] else main(asked["words"])
                sys.stdout.flush()
                os._exit(status)
            files[answer] = asked["files"]
        print(json.dumps(answer), flush=True)


def _waited(pid: int, patience_s: float) -> int | None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    return None


def _calibrate(pipes: list[int], port: str, site_path: str, path: str) -> int:
    """All standards, as a technician would hang them."""
    from protocol.profiles.profile import load_profile
    from protocol.simulated.bench import Bench
    from tests.visit.stations import KIT, Table
    from visit.record.owner import register
    from visit.record.visit_file import VisitFile
    from visit.run.station import Station
    from visit.site.hookup import HookUp
    from visit.site.presets import wide
    from visit.site.site import load_site

    class Pipes:
        stdin, stdout = os.fdopen(pipes[0], "w"), os.fdopen(pipes[1])

    site, profile = load_site(Path(site_path)), load_profile("scpi")
    bench = Bench(Pipes(), port)  # type: ignore[arg-type]
    visit = VisitFile.open(Path(path))
    register(visit, port)
    with Station(port, profile, site, visit, HookUp("A", "L"), watched=False, kit=KIT) as station:
        Table(bench, station, site).calibrate(wide(site, profile.limits))
    visit.close()
    bench.say("connect A L H=load")
    return 0


if __name__ == "__main__":
    serve()
