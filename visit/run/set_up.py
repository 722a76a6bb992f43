"""What a measurement is begun with: analyzer, profile, site, visit, chosen from what is there and what fitted before.

Owns: looking what is there, the choice, keeping new profiles and sites in the user's folder. Refuses: to open a port
unless told to ask one who it is, and to draw.
"""

from __future__ import annotations

import os
import re
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

from protocol.errors import AnalyzerError, RequestError
from protocol.files.harmless import ascii_only
from protocol.files.small_files import private_folder, write_private
from protocol.profiles.profile import load_profile
from protocol.wire.ports import BY_ID, Port, list_ports
from visit.record.opening import RecordError
from visit.record.renaming import rename_visit
from visit.record.visit_file import VisitFile
from visit.site.folders import data_folder, replace_private
from visit.site.remembered import Fitted, Memory
from visit.site.site import Site, load_site

BOARD = "/dev/ttyS"
"""Ports of the computer's own board: listed whether or not anything hangs on them, so never chosen unasked."""
MOST_VISITS = 12
MOST_SITES = 100
LONGEST_SLUG = 40


@dataclass(frozen=True, slots=True)
class Plugged:
    """A port that is there, and what fitted it before."""

    port: Port
    fitted: Fitted | None = None

    @property
    def profile(self) -> str:
        """Its profile, "" when none is known."""
        return self.fitted.profile if self.fitted is not None else ""


@dataclass(frozen=True, slots=True)
class Choice:
    """All that a measurement needs. `port` "" means the simulated bench. `visit` None: a new one."""

    port: str
    profile: str
    site: Path | None
    visit: Path | None


@dataclass(slots=True)
class SetUp:
    """The choice in the making. Attributes may be set by whoever asks; `look` keeps them where they still hold."""

    memory: Memory
    by_id: Path = BY_ID
    ports: tuple[Plugged, ...] = ()
    sites: tuple[tuple[Path, Site], ...] = ()
    visits: tuple[Path, ...] = ()
    at: str = ""
    """Node of the chosen port."""
    site: Path | None = None
    visit: Path | None = None
    typed: list[str] = field(default_factory=list)
    """Ports that were typed: they are not in the system's list."""
    here: dict[str, Fitted] = field(default_factory=dict)
    """What fits at a node by this session's own finding, whatever becomes of the node's name later."""
    faults: list[str] = field(default_factory=list)

    def look(self) -> None:
        """See what is there now; choose as last time where that still holds. Raises RequestError without a folder."""
        self.faults = [self.memory.fault] if self.memory.fault else []
        self._look_for_ports()
        self._look_for_sites()
        self._look_for_visits()

    def _look_for_ports(self) -> None:
        known = self.memory.known
        found = {os.path.realpath(port.node): port for port in list_ports(self.by_id)}
        for name in [*self.typed, *(one.now for one in known.fitted)]:
            if name and Path(name).exists():
                found.setdefault(os.path.realpath(name), Port(name))
        self.ports = tuple(Plugged(port, self.here.get(node) or known.at(node)) for node, port in sorted(found.items()))
        if self.plugged is None:
            order = {one: number for number, one in enumerate(known.fitted)}
            fitting = sorted(
                (p for p in self.ports if p.fitted),
                key=lambda p: order.get(p.fitted, MOST_SITES) if p.fitted else MOST_SITES,
            )
            likely = tuple(p for p in self.ports if not p.port.node.startswith(BOARD))
            only = likely if len(likely) == 1 else ()
            self.at = next((os.path.realpath(p.port.node) for p in (*fitting, *only)), "")

    def _look_for_sites(self) -> None:
        last = self.memory.known.site
        paths = [Path(last)] if last else []
        paths += sorted((data_folder() / "sites").glob("*.toml"))[:MOST_SITES]
        if self.site is not None:
            paths.append(self.site)
        read = []
        for path in dict.fromkeys(paths):
            try:
                read.append((path, load_site(path)))
            except RequestError as error:
                self.faults.append(str(error))
        self.sites = tuple(read)
        if self.site is None and self.sites and (len(self.sites) == 1 or str(self.sites[0][0]) == last):
            self.site = self.sites[0][0]

    def _look_for_visits(self) -> None:
        self.visits = recent_visits(*([Path(self.memory.known.visit)] if self.memory.known.visit else []))
        last = Path(self.memory.known.visit)
        if self.visit is None and self.memory.known.same_day(time.time()) and self.fits(last):
            self.visit = last

    @property
    def plugged(self) -> Plugged | None:
        """The chosen port, None when it is not there."""
        return next((one for one in self.ports if os.path.realpath(one.port.node) == self.at), None)

    @property
    def chosen_site(self) -> Site | None:
        """The chosen site."""
        return next((site for path, site in self.sites if path == self.site), None)

    def fits(self, visit: Path) -> bool:
        """True for a readable visit to the chosen site."""
        site, kept = self.chosen_site, _site_of(visit)
        channels = None if site is None else (site.name, site.low_hz, site.high_hz)
        return kept is not None and channels == (kept.name, kept.low_hz, kept.high_hz)

    def choose_site(self, path: Path) -> None:
        """Take a site; a visit to another one is let go."""
        self.site = path
        self._look_for_sites()
        if self.visit is not None and not self.fits(self.visit):
            self.visit = None

    def choose_visit(self, visit: Path | None) -> None:
        """Take a visit, and with it its site where that is known here. Raises RequestError."""
        if visit is not None and not self.fits(visit):
            kept = _site_of(visit)
            if kept is None:
                raise RequestError(f"{visit.name} can't be read as a visit; choose another")
            wanted = (kept.name, kept.low_hz, kept.high_hz)
            same = [path for path, s in self.sites if (s.name, s.low_hz, s.high_hz) == wanted]
            if not same:
                raise RequestError(f"{visit.name} is a visit to {kept.name}, whose site file is not here; make it (s)")
            self.site = same[0]
        self.visit = visit

    def rename_visit(self, name: str) -> Path:
        """Call the chosen visit otherwise; it stays chosen. Raises RequestError."""
        if self.visit is None:
            raise RequestError("choose the visit first (v): a new one is named when it is begun")
        new = rename_visit(self.visit, name)
        if self.memory.known.visit == str(self.visit):
            self.memory.keep(replace(self.memory.known, visit=str(new)))
        self.visit = new
        self._look_for_visits()
        return new

    def add_port(self, name: str) -> None:
        """A port that was typed. Raises RequestError when nothing is there."""
        if not name or "\x00" in name or not Path(name).exists() or Path(name).is_dir():
            raise RequestError(f"nothing is at {name!r}; type the device, e.g. /dev/ttyACM0")
        self.typed.append(name)
        self.at = os.path.realpath(name)
        self._look_for_ports()

    def learned(self, text: str, name: str) -> Path:
        """Keep a learned profile under its analyzer's name and remember it for the chosen port. Raises RequestError."""
        path = kept_under(data_folder() / "profiles", name, text)
        self.use_profile(str(path), name)
        return path

    def learned_profiles(self) -> dict[str, Path]:
        """The profiles that were learned on this computer, by name, newest first; none of half-filled ones. A port
        whose number goes to whoever asks next (a pseudo-terminal) is not remembered, but its profile is kept."""
        try:
            found = [(path.stat().st_mtime, path) for path in (data_folder() / "profiles").glob("*.toml")]
        except (OSError, RequestError):
            return {}
        return {path.stem: path for _, path in sorted(found, reverse=True) if not path.name.startswith(HALF_FILLED)}

    def use_profile(self, profile: str, name: str) -> None:
        """Remember a profile for the chosen port. Raises RequestError for one that can't be used."""
        now = self.plugged
        assert now is not None
        load_profile(profile)
        self.memory.keep(self.memory.known.with_analyzer(now.port.best, profile, name, self.by_id))
        self.here[os.path.realpath(now.port.node)] = self.memory.known.fitted[0]
        self._look_for_ports()

    def profile_fault(self) -> str:
        """Why the remembered profile of the chosen port can't be used, "" when it can."""
        now = self.plugged
        try:
            load_profile(now.profile if now is not None else "")
        except RequestError as error:
            return str(error)
        return ""

    def choice(self) -> Choice:
        """The choice as it stands; all of it must be made."""
        now = self.plugged
        assert now is not None and now.profile and self.site is not None
        return Choice(now.port.best, now.profile, self.site, self.visit)


HALF_FILLED = "half-filled-"
"""How the name of a profile begins that learning could not finish."""


def kept_under(folder: Path, name: str, text: str) -> Path:
    """Write a TOML text under a name made of `name`; nothing is ever overwritten. Raises RequestError."""
    letters = re.sub(r"[^a-z0-9]+", "-", ascii_only(name).lower()).strip("-")[:LONGEST_SLUG].strip("-") or "unnamed"
    try:
        private_folder(folder)
        for number in range(1, 1000):
            path = folder / (f"{letters}.toml" if number == 1 else f"{letters}-{number}.toml")
            try:
                write_private(path, text, new=True)
            except FileExistsError:
                continue
            return path
    except OSError as error:
        raise RequestError(f"can't write into {folder}: {error.strerror}") from None
    raise RequestError(f"{folder} is full of files called {letters}; clear it up")


def keep_site(site: Site, path: Path | None) -> Path:
    """Write a site to its file; without one, or where it can't be written, into the user's folder. The former text of a
    file stays beside it (.before). Raises RequestError."""
    if path is None or not os.access(path, os.W_OK) or path.parent != data_folder() / "sites":
        return kept_under(data_folder() / "sites", site.name, site.source)
    try:
        replace_private(path.with_suffix(".toml.before"), path.read_text(encoding="utf-8", errors="replace"))
        replace_private(path, site.source)
    except OSError as error:
        raise RequestError(f"can't write {path}: {error.strerror}") from None
    return path


def recent_visits(*known: Path) -> tuple[Path, ...]:
    """Visit files of the user's folder and of the folders of `known` ones, the newest first. Raises RequestError
    without a folder."""
    folders = {data_folder(), *(path.parent for path in known)}
    found = [(_touched(path), path) for folder in folders for path in folder.glob("*.visit")]
    return tuple(path for _, path in sorted(found, reverse=True)[:MOST_VISITS])


def about_visit(path: Path) -> str:
    """Site, number of runs and frozen stages of a visit file in a few words; never raises."""
    try:
        file = VisitFile.open(path, read_only=True, glance=True)
    except RecordError:
        return "can't be read"
    try:
        (runs,) = file.rows("select count(*) from run")[0]
        stages = [str(name) for (name,) in file.rows("select distinct name from stage order by name")]
        return ", ".join([file.site().name, f"{runs} run{'' if runs == 1 else 's'}", *stages])
    except RequestError:
        return "can't be read"
    finally:
        file.close()


def _touched(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def _site_of(visit: Path) -> Site | None:
    if not visit.is_file():
        return None
    try:
        file = VisitFile.open(visit, read_only=True, glance=True)
    except RecordError:
        return None
    try:
        return file.site()
    except RequestError:
        return None
    finally:
        file.close()


async def who_is_it(plugged: Plugged) -> str:
    """Ask the analyzer for its identity: by its profile, or the standard's question where none is known. Raises
    AnalyzerError or RequestError."""
    from protocol.analyzer import Analyzer  # noqa: PLC0415 - only when told

    if plugged.profile:
        analyzer = await Analyzer.open(plugged.port.best, load_profile(plugged.profile))
        try:
            return analyzer.identity.text
        finally:
            await analyzer.close()
    from protocol.learn.words.talk import Talk  # noqa: PLC0415
    from protocol.wire.link import SerialLink  # noqa: PLC0415

    link = await SerialLink.open(plugged.port.best)
    try:
        talk = Talk(link)
        got = await talk.raw(b"*IDN?\n")
    finally:
        await link.close()
    words = " ".join(got.decode("ascii", "replace").replace("*IDN?", "").split())
    if not words:
        raise AnalyzerError("no answer to *IDN?; learning (Enter) asks in other ways")
    return words
