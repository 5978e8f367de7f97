"""How a result looks in a notebook and in a terminal: small tables, every text escaped."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

MOST_LINES = 12
"""Longer lists are cut in a notebook and in a terminal, and say how much is left out; the result itself holds all."""

NOTHING = "nothing here"

LONG = 60
"""A list of texts with more letters than that is shown one below the other."""

_LEFT = "text-align:left;vertical-align:top"
_RIGHT = "text-align:right;vertical-align:top"


class Shown:
    """A frozen dataclass that shows its fields: a table in a notebook, lines in a terminal; empty ones are left out."""

    def _repr_html_(self) -> str:
        found = facts(self)
        return panel(found) if found else paragraphs(NOTHING)

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        """What an interactive terminal prints for the bare name of a result."""
        printer.text(str(self))

    def __str__(self) -> str:
        return "\n".join(text_lines(facts(self))) or NOTHING


def show_number(value: float, digits: int = 4) -> str:
    """A number for the terminal: four significant decimals, infinity and "not estimated" in words."""
    if math.isnan(value):
        return "not estimated"
    if math.isinf(value):
        return "infinity" if value > 0 else "minus infinity"
    if value != 0 and abs(value) < 10**-digits:
        return f"{value:.2e}"
    return f"{value:.{digits}f}".replace("-", "\N{MINUS SIGN}")


def facts(item: Any) -> dict[str, Any]:
    """The fields of a dataclass under their names in words, without those that are empty or hidden from its repr."""
    found = {}
    for field in fields(item):
        value = getattr(item, field.name)
        never_set = _nan(value) and _nan(field.default)  # a test without a statistic says nothing of it
        if field.repr and not never_set and not _empty(value):
            found[field.name.replace("_", " ")] = value
    return found


def panel(found: Mapping[str, Any], caption: str = "") -> str:
    """Names and values as a table of two columns; what is inside a value is a table of its own."""
    rows = "".join(
        f'<tr><th scope="row" style="{_LEFT}">{html.escape(str(name))}</th>'
        f'<td style="{_LEFT}">{_html(value)}</td></tr>'
        for name, value in found.items()
    )
    return f"<table>{_caption(caption)}<tbody>{rows}</tbody></table>"


def grid(
    header: Sequence[str],
    rows: Iterable[Sequence[Any]],
    caption: str = "",
    numeric: Sequence[bool] = (),
    most: int | None = MOST_LINES,
) -> str:
    """Rows of cells under a header, the first cell of each its name; after `most` rows it is cut and says so."""
    rows = [tuple(row) for row in rows]
    cut = len(rows) if most is None else most
    side = [_RIGHT if right else _LEFT for right in numeric] or [_LEFT] * len(header)
    # A number and its limits stay in one line; what stands above them may take two.
    body_side = [f"{style};white-space:nowrap" if style == _RIGHT else style for style in side]
    head = "".join(
        f'<th scope="col" style="{style}">{html.escape(name)}</th>'
        for name, style in zip(header, side, strict=True)
    )
    body = ""
    for row in rows[:cut]:
        cells = [
            f'<td style="{style}">{_html(cell)}</td>' for cell, style in zip(row, body_side, strict=True)
        ]
        cells[0] = f'<th scope="row" style="{side[0]}">{_html(row[0])}</th>'
        body += f"<tr>{''.join(cells)}</tr>"
    if len(rows) > cut:
        body += f'<tr><td colspan="{len(header)}" style="{_LEFT}">{_more(len(rows) - cut)}</td></tr>'
    return f"<table>{_caption(caption)}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def paragraphs(*texts: str) -> str:
    """Each text as a paragraph, empty ones left out."""
    return "".join(f"<p>{html.escape(text)}</p>" for text in texts if text)


def text_lines(found: Mapping[str, Any], indent: str = "") -> list[str]:
    """Names and values as lines, what is inside a value indented under its name."""
    lines = []
    for name, value in found.items():
        inner = _inner(value)
        if inner is not None:
            lines += [f"{indent}{name}:", *text_lines(inner, indent + "  ")]
        elif _rows(value):
            lines.append(f"{indent}{name}:")
            lines += [f"{indent}  {_one_line(row)}" for row in value[:MOST_LINES]]
            if len(value) > MOST_LINES:
                lines.append(f"{indent}  {_more(len(value) - MOST_LINES)}")
        else:
            said = _text(value).split("\n")
            if len(said) == 1:
                lines.append(f"{indent}{name}: {said[0]}")
            else:
                lines += [f"{indent}{name}:", *(f"{indent}  {line}" for line in said)]
    return lines


def _html(value: Any) -> str:
    inner = _inner(value)
    if inner is not None:
        return panel(inner)
    if _rows(value):
        names = list(dict.fromkeys(name for row in value for name in facts(row)))
        cells = [facts(row) for row in value]
        return grid(names, [[row.get(name, "") for name in names] for row in cells])
    return html.escape(_text(value)).replace("\n", "<br>")


def _inner(value: Any) -> Mapping[str, Any] | None:
    """The fields of a value that is shown by its fields."""
    if isinstance(value, Mapping):
        return value
    return facts(value) if _by_fields(value) else None


def _by_fields(value: Any) -> bool:
    """A dataclass without words of its own: one with an `__str__` says it better in a line."""
    if isinstance(value, type) or not is_dataclass(value):
        return False
    return type(value).__str__ in (object.__str__, Shown.__str__)


def _rows(value: Any) -> bool:
    return (
        isinstance(value, (list, tuple))
        and bool(value)
        and all(_by_fields(item) and type(item) is type(value[0]) for item in value)
    )


def _one_line(item: Any) -> str:
    return "; ".join(f"{name} {_text(value)}" for name, value in facts(item).items())


def _text(value: Any) -> str:
    if value is None:
        return "not estimated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return show_number(value)
    if getattr(value, "shape", ()):
        return " by ".join(str(size) for size in value.shape) + " cells"
    if isinstance(value, (list, tuple)):
        parts = [f"({_text(item)})" if isinstance(item, (list, tuple)) else _text(item) for item in value]
        more = [_more(len(parts) - MOST_LINES)] if len(parts) > MOST_LINES else []
        short = (int, float, list, tuple, type(None))
        lines = any(
            len(item) > LONG if isinstance(item, str) else not isinstance(item, short) for item in value
        )
        return ("\n" if lines else "; ").join(parts[:MOST_LINES] + more)
    if _by_fields(value):
        return _one_line(value)
    return str(value)


def _empty(value: Any) -> bool:
    return value is None or (isinstance(value, (str, tuple, list, dict)) and not value)


def _nan(value: Any) -> bool:
    return isinstance(value, float) and math.isnan(value)


def _more(count: int) -> str:
    return f"… and {count} more"


def _caption(text: str) -> str:
    style = "text-align:left;caption-side:top;font-weight:bold"
    return f'<caption style="{style}">{html.escape(text)}</caption>' if text else ""
