"""Where a measurement begins: analyzer, site and visit, chosen as last time; one Enter goes on.

Owns: showing what is there and what is chosen, and the way to what is still missing (learning, the site form).
Refuses: to open a port before it is told to.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen

from protocol.errors import AnalyzerError, RequestError
from protocol.learn.learner import Learned
from protocol.learn.learner import learn as learn_port
from protocol.profiles.profile import profile_names
from tui.drawing.rows import Rows
from tui.screens.choosing import LineDialog, ListDialog
from tui.screens.framed import MARGIN, SafetyRow
from tui.screens.learn_screen import Learn, LearnScreen
from tui.screens.reading_dialogs import HelpDialog, key_pairs
from tui.screens.site_screen import SiteScreen
from tui.screens.start_rows import port_words, site_words, start_rows, visit_words
from tui.screens.too_small import useful_size
from visit.run.set_up import Choice, Plugged, SetUp, about_visit, who_is_it
from visit.site.site import Site


class StartScreen(Screen[None]):
    """`choice` is what was chosen when the app ended with True."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "go", tooltip="go on with what is chosen; what is missing is asked first"),
        Binding("a", "analyzer", "analyzer", tooltip="choose another port"),
        Binding("p", "type_port", "type port", tooltip="type the name of a port that is not listed"),
        Binding("i", "identity", "who is it", tooltip="ask the chosen analyzer for its identity"),
        Binding("f", "profile", "profile", tooltip="choose a profile of the program, or type a file's name"),
        Binding("t", "teach", "learn", tooltip="learn the chosen analyzer, also when a profile is known"),
        Binding("s", "site", "site", tooltip="choose another site"),
        Binding("n", "new_site", "new site", tooltip="type a new site"),
        Binding("e", "edit_site", "edit site", tooltip="change the chosen site"),
        Binding("v", "visit", "visit", tooltip="go on with a recent visit, or begin a new one"),
        Binding("m", "rename", "rename visit", tooltip="another name for the chosen visit"),
        Binding("d", "demo", "simulated", tooltip="the simulated bench: no analyzer is needed"),
        Binding("r", "again", "look again", tooltip="look again which ports are there"),
        Binding("question_mark", "help", "help", tooltip="all keys and words"),
        Binding("l", "redraw", "redraw", show=False, tooltip="draw the whole screen again"),
        Binding("q,escape", "leave", "leave", tooltip="leave; nothing was sent to any port"),
    ]
    DEFAULT_CSS = """
    StartScreen { layout: vertical; overflow: hidden; }
    StartScreen #all { height: 1fr; }
    """

    def __init__(self, set_up: SetUp, learn: Learn = learn_port) -> None:
        super().__init__()
        self._set_up, self._learn = set_up, learn
        self._said = ""
        self._asking = False
        self.choice: Choice | None = None

    def compose(self) -> ComposeResult:
        """One block of rows."""
        with Vertical():
            yield Rows(id="all")
        yield SafetyRow()

    def on_mount(self) -> None:
        """Look once; later only when told."""
        self.action_again()

    # What stands there

    def say(self, words: str) -> None:
        """One line of news."""
        self._said = words
        self._draw()

    def _draw(self) -> None:
        width, room = useful_size(self.app).width - MARGIN, useful_size(self.app).height - 1
        self.query_one("#all", Rows).show(start_rows(self._set_up, self._said, width, room))

    # Keys

    def action_again(self) -> None:
        """Look what is plugged in."""
        try:
            self._set_up.look()
            self._said = ""
        except RequestError as error:
            self._said = str(error)
        self._draw()

    def action_go(self) -> None:
        """On, by way of what is missing."""
        now = self._set_up
        if now.plugged is None:
            self.action_analyzer() if now.ports else self.action_again()
        elif not now.plugged.profile:
            self.action_teach()
        elif fault := now.profile_fault():
            self.say(f"{fault}; t learns the analyzer anew, f takes another profile")
        elif now.chosen_site is None:
            self.action_site() if now.sites else self.action_new_site()
        elif not self._asking:
            self.choice = now.choice()
            self.app.exit(True)

    def action_analyzer(self) -> None:
        """Choose a port."""
        lines = [port_words(one, 70) for one in self._set_up.ports]
        self._choose("Which port? Enter: take   Esc: leave", lines, self._take_port)

    def _take_port(self, number: int) -> None:
        self._set_up.at = self._set_up.ports[number].port.node
        self._set_up.look()
        self.say("")

    def action_type_port(self) -> None:
        """Type a port."""
        self.app.push_screen(LineDialog("Name of the port, e.g. /dev/ttyACM0. Enter: take   Esc: leave"), self._typed)

    def _typed(self, name: str | None) -> None:
        if name is not None:
            self._try(lambda: self._set_up.add_port(name))

    def action_profile(self) -> None:
        """Choose a profile for the chosen port."""
        learned = [f"{name}  (learned here)" for name in self._set_up.learned_profiles()]
        names = [*learned, *profile_names(), "a file: type its name"]
        if self._set_up.plugged is None:
            self.say("choose an analyzer first (a)")
            return
        self._choose("Which profile fits? Enter: take   Esc: leave", names, self._take_profile)

    def _take_profile(self, number: int) -> None:
        own, names = self._set_up.learned_profiles(), profile_names()
        if number < len(own):
            self._use_profile(str(own[list(own)[number]]))
        elif number - len(own) < len(names):
            self._use_profile(names[number - len(own)])
        else:
            self.app.push_screen(LineDialog("File of the profile (.toml). Enter: take   Esc: leave"), self._use_profile)

    def _use_profile(self, name: str | None) -> None:
        if name:
            self._try(lambda: self._set_up.use_profile(name, Path(name).stem))

    def action_identity(self) -> None:
        """Ask who it is; the only word sent before Enter."""
        plugged = self._set_up.plugged
        if plugged is None or self._asking:
            self.say("choose an analyzer first (a)" if plugged is None else "it is being asked")
            return
        self._asking = True
        self.say("asking for its identity ...")
        self.run_worker(self._identify(plugged), exit_on_error=True)

    async def _identify(self, plugged: Plugged) -> None:
        try:
            words = f"it says: {await who_is_it(plugged)}"
        except (AnalyzerError, RequestError) as error:
            words = str(error)
        self._asking = False
        self.say(words)

    def action_teach(self) -> None:
        """Learn the chosen analyzer."""
        plugged = self._set_up.plugged
        if plugged is None:
            self.say("choose an analyzer first (a)")
            return
        screen = LearnScreen(plugged.port.best, self._learn)
        self.app.push_screen(screen, lambda learned: self._learned(learned, screen.left_words))

    def _learned(self, learned: Learned | None, left: str) -> None:
        if learned is None:
            self.say(left)
            return
        if self._try(lambda: self._set_up.learned(learned.text, learned.profile.name)):
            self.action_go()

    def action_site(self) -> None:
        """Choose a site."""
        if not self._set_up.sites:
            self.action_new_site()
            return
        lines = [site_words(site, 70) for _, site in self._set_up.sites]
        self._choose("Which site? Enter: take   Esc: leave (n types a new one)", lines, self._take_site)

    def _take_site(self, number: int) -> None:
        self._set_up.choose_site(self._set_up.sites[number][0])
        self.say("")

    def action_new_site(self) -> None:
        """Type a new site; when nothing else is missing measuring begins."""
        self.app.push_screen(SiteScreen(), self._new_site)

    def action_edit_site(self) -> None:
        """Change the chosen site."""
        if self._set_up.chosen_site is None:
            self.say("choose a site first (s)")
            return
        self.app.push_screen(SiteScreen(self._set_up.chosen_site, self._set_up.site), self._new_site)

    def _new_site(self, answer: tuple[Path, Site] | None) -> None:
        if answer is not None and self._try(lambda: self._set_up.choose_site(answer[0])):
            self.say(f"saved: {answer[0]}")

    def action_visit(self) -> None:
        """Choose a visit."""
        about = [f"{visit_words(path, 66)}  {about_visit(path)}" for path in self._set_up.visits]
        lines = ["a new one", *about, "an older one: type its file"]
        self._choose("Into which visit? Enter: take   Esc: leave", lines, self._take_visit)

    def _take_visit(self, number: int) -> None:
        if number > len(self._set_up.visits):
            self.app.push_screen(LineDialog("File of the visit (.visit). Enter: take   Esc: leave"), self._type_visit)
            return
        self._try(lambda: self._set_up.choose_visit(self._set_up.visits[number - 1] if number else None))

    def _type_visit(self, name: str | None) -> None:
        if name:
            self._try(lambda: self._set_up.choose_visit(Path(name).expanduser()))

    def action_rename(self) -> None:
        """Another name for the chosen visit."""
        visit = self._set_up.visit
        if visit is None:
            self.say("choose the visit first (v): a new one is named when it is begun")
            return
        self.app.push_screen(LineDialog("New name of the visit. Enter: take   Esc: leave", visit.stem), self._renamed)

    def _renamed(self, name: str | None) -> None:
        if name and self._try(lambda: self._set_up.rename_visit(name)):
            self.say(f"its name is {self._set_up.visit.name if self._set_up.visit else name} now")

    def action_demo(self) -> None:
        """The simulated bench."""
        self.choice = Choice("", "", None, None)
        self.app.exit(True)

    def action_help(self) -> None:
        """All keys and words."""
        self.app.push_screen(HelpDialog(key_pairs(self.BINDINGS)))

    def action_redraw(self) -> None:
        """Draw the whole screen again."""
        self.app.refresh(layout=True)

    def action_leave(self) -> None:
        """Leave."""
        self.app.exit(False)

    def on_resize(self) -> None:
        """Another size."""
        self._draw()

    def _try(self, act: object) -> bool:
        assert callable(act)
        try:
            act()
        except RequestError as error:
            self.say(str(error))
            return False
        self.say("")
        return True

    def _choose(self, title: str, lines: list[str], take: object) -> None:
        assert callable(take)
        if lines:
            self.app.push_screen(ListDialog(title, lines), lambda number: None if number is None else take(number))
