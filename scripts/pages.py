"""Writes the pages that are made of the program itself: docs/commands.md (its parsers), docs/glossary.md (its table).

    python scripts/pages.py           # write them (`make docs`); tests/test_docs.py looks whether they are current

Owns: their form. Refuses: any sentence about an option that `--help` does not say.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]

STREAMS = "stdout carries data only. Progress and faults go to stderr, a fault in one line."


def options_of(parser: argparse.ArgumentParser) -> Iterator[str]:
    """A table row for each option and each word that a command takes."""
    for action in parser._actions:
        if isinstance(action, (argparse._HelpAction, argparse._SubParsersAction)):
            continue
        value = str(action.metavar or "") if not isinstance(action.metavar, tuple) else " ".join(action.metavar)
        if action.choices is not None:
            value = value or ",".join(map(str, action.choices))
        elif action.nargs == argparse.REMAINDER:
            value = "..."
        elif action.nargs != 0:
            value = value or action.dest.upper()
        if action.nargs == "+":
            value += " ..."
        name = " ".join((*action.option_strings, value)).strip()
        need = " (needed)" if action.required and action.option_strings else ""
        yield f"| `{name}` | {(action.help or '').replace('|', chr(92) + '|')}{need} |"


def commands_page() -> str:
    """docs/commands.md."""
    from protocol.simulated.__main__ import WORDS
    from protocol.simulated.__main__ import build_parser as simulated_parser
    from tui.cli import build_parser
    from tui.commands.exit_status import MEANINGS

    parser = build_parser()
    chosen = next(action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    says = {row.dest: row.help for row in chosen._choices_actions}
    parts = [
        "# Commands",
        "Made of the program's own parsers by `make docs`; `./start COMMAND --help` says the same.",
        "| command | what it does |\n|---|---|\n"
        + "\n".join(f"| [`{name}`](#{name}) | {text} |" for name, text in says.items()),
        "\n".join(
            (
                "## Exit status\n\n| status | meaning |\n|---|---|",
                *(f"| {at} | {text} |" for at, text in MEANINGS.items()),
            )
        ),
        STREAMS,
    ]
    for name, text in says.items():
        sub = simulated_parser() if name == "simulate" else chosen.choices[name]
        parts.append(f"## {name}\n\n{text[0].upper()}{text[1:]}.")
        rows = list(options_of(sub))
        if rows:
            parts.append("\n".join(("| option | what |\n|---|---|", *rows)))
        if name == "simulate":
            parts.append("\n".join(f"    {line}" for line in WORDS.splitlines()))
    return "\n\n".join(parts) + "\n"


def glossary_page() -> str:
    """docs/glossary.md."""
    from tui.drawing.glossary import SORTS, load_glossary

    parts = [
        "# Glossary",
        "The words on the screen and in the report. Made of `fixtures/glossary.toml` by `make docs`.",
    ]
    for sort, heading in SORTS.items():
        rows = [f"| **{entry.name}** | {entry.means} |" for entry in load_glossary() if entry.sort == sort]
        parts.append("\n".join((f"## {heading}\n\n| word | meaning |\n|---|---|", *rows)))
    return "\n\n".join(parts) + "\n"


PAGES = {"commands.md": commands_page, "glossary.md": glossary_page}


def main() -> int:
    """Write all pages."""
    for name, page in PAGES.items():
        (ROOT / "docs" / name).write_text(page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
