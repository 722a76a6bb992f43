"""Owns the layouts in which a console prints its list of words."""

from __future__ import annotations

import random
import textwrap

Row = tuple[str, str]  # usage as printed, description (may be empty)

SECTIONS = ("Sweep", "Receiver", "Traces", "System", "Service", "Other")


def layout_rows(style: str, rows: list[Row], rng: random.Random, title: str = "") -> list[str]:
    """The printed lines of a listing."""
    width = max((len(u) for u, _ in rows), default=1) + 2
    lines = [title] if title else []
    names_only = [u.split()[0].split("=")[0] for u, _ in rows]
    if style == "columns":
        per = rng.choice([3, 4, 5])
        cell = max(len(x) for x in names_only) + rng.choice([2, 4])
        plain = ["".join(x.ljust(cell) for x in names_only[i:i + per]).rstrip() for i in range(0, len(rows), per)]
        told = [f"{u}: {t}" for u, t in rows if t]
        return lines + plain + ([""] + told if told else [])
    if style == "comma":
        lines += textwrap.wrap(", ".join(names_only), rng.choice([50, 60, 72]))
        return lines + [f"  {u} - {t}" for u, t in rows if t]
    if style == "table":
        wide = max(len(t) for _, t in rows) + 1
        bar = "+" + "-" * (width + 1) + "+" + "-" * (wide + 1) + "+"
        return lines + [bar] + [f"| {u.ljust(width)}| {t.ljust(wide)}|" for u, t in rows] + [bar]
    if style == "sections":
        step = max(1, -(-len(rows) // rng.choice([2, 3, 4])))
        heads = list(SECTIONS)
        for i in range(0, len(rows), step):
            lines += [rng.choice(["[{}]", "{}:", "== {} ==", "{}", "-- {}"]).format(heads[i // step])]
            lines += [f"  {u.ljust(width)}{t}".rstrip() for u, t in rows[i:i + step]]
        return lines
    if style == "prose":
        parts = [f"{u} ({t})" if t and k % 3 == 0 else (f"{t}: {u}" if t and k % 3 == 1 else (f"{u} - {t}" if t else u))
                 for k, (u, t) in enumerate(rows)]
        text = rng.choice(["This unit listens to the following words. ", "You can type: ", "Words I know: "])
        return lines + textwrap.wrap(text + "; ".join(parts) + ".", rng.choice([64, 72, 78]))
    if style == "dots":
        return lines + [f"{u} {'.' * (width + 4 - len(u))} {t}".rstrip(" .") if not t else
                        f"{u} {'.' * (width + 4 - len(u))} {t}" for u, t in rows]
    if style == "numbered":
        return lines + [f"{k:2d}) {u.ljust(width)}{t}".rstrip() for k, (u, t) in enumerate(rows, 1)]
    if style == "upside":
        return lines + [x for u, t in rows for x in ([t, f"    {u}"] if t else [f"    {u}"])]
    if style == "equals":
        return lines + [f"{u.ljust(width)}= {t}" if t else u for u, t in rows]
    gap = rng.choice(["", " - ", ": ", "\t", "  "])
    return lines + [(u.ljust(width) if gap in ("", "  ") else u) + (gap if gap.strip() else "  ") * bool(t) + t
                    for u, t in rows]
