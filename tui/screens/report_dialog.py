"""The report of the visit in hand: read on the screen, written as a page beside the visit file.

Owns: making it in a thread of its own, the key that writes it, and saying where it lies. Refuses: to freeze anything;
the day does.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from protocol.errors import RequestError
from tui.screens.reading_dialogs import ReadingDialog, under
from visit.record.visit_file import VisitFile
from visit.site.folders import replace_private

if TYPE_CHECKING:
    from visit.report.report import Report


class ReportDialog(ReadingDialog):
    """What the page will say; `path`: the visit file."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("r", "leave", "leave", show=False), Binding("w", "write", "write")]

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path
        self._said = "making the report ..."
        self._report: Report | None = None
        self._page = ""

    @property
    def page_path(self) -> Path:
        """Where the page is written."""
        return self._path.with_suffix(".html")

    def on_mount(self) -> None:
        """Begin."""
        self.run_worker(self._make(), exclusive=True)

    async def _make(self) -> None:
        try:
            self._report, self._page = await asyncio.to_thread(_made, self._path)
            there = " (the one that is there is replaced)" if self.page_path.exists() else ""
            self._said = f"w writes it as a page: {self.page_path}{there}"
        except RequestError as error:
            self._said = f"! {error}"
        self.show_lines()

    def action_write(self) -> None:
        """Write the page, whole or not at all."""
        if not self._page:
            return
        try:
            replace_private(self.page_path, self._page)
            self._said = f"written: {self.page_path}"
        except OSError as error:
            self._said = (
                f"! can't write {self.page_path}: {error.strerror}; deepnotch report FILE --html chooses another"
            )
        self.show_lines()

    def lines(self, width: int) -> list[str]:
        """Where it goes, then the report in words."""
        head = ["Report of this visit (up, down: more   Esc or q: back)", *under(f" {self._said}", width), ""]
        if self._report is None:
            return head
        from visit.report.report_text import report_text  # noqa: PLC0415 - heavy, and only here

        return [*head, *(part for line in report_text(self._report, width).splitlines() for part in under(line, width))]


def _made(path: Path) -> tuple[Report, str]:
    """The report and its page, from the file alone."""
    from visit.report.report import build_report  # noqa: PLC0415 - heavy, and only here
    from visit.report.report_html import report_html  # noqa: PLC0415

    reader = VisitFile.open(path, read_only=True)
    try:
        made = build_report(reader)
    finally:
        reader.close()
    return made, report_html(made)
