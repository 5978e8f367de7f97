"""An empty deck of 16 to 9 in the report's own colours, with two layouts: picture and words, words alone."""

from __future__ import annotations

import re
from typing import Any

from pptx import Presentation
from pptx.opc.constants import RELATIONSHIP_TYPE
from pptx.oxml import parse_xml
from pptx.oxml.ns import qn
from pptx.util import Pt

from analysis.publish.canvas import ACCENT, FAINT, INK, PALE, PAPER, SECOND, SOFT

LANGUAGE = "en-GB"
FONT = "Arial"
WIDTH, HEIGHT, MARGIN = 960, 540, 48
"""A slide of 16 to 9, in points: 13.33 by 7.5 inches."""
INSIDE = WIDTH - 2 * MARGIN
TITLE_TOP, TITLE_HEIGHT = 28, 80
TOP, BOTTOM = 116, 516
"""Where the picture or the words begin and end, in points."""
BAND = 8
PICTURE, WORDS = 13, 14
"""Numbers of the placeholders in the layouts."""

_SPACES = (
    'xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main" '
    'xmlns:p="http://schemas.openxmlformats.org/presentationml/2006/main"'
)


def blank_deck() -> Any:
    """Return a presentation without slides: no thumbnail, no fields, no colours of the library's own."""
    deck = Presentation()
    deck.slide_width, deck.slide_height = Pt(WIDTH), Pt(HEIGHT)
    deck.element.find(qn("p:sldSz")).attrib.pop("type", None)
    package, part = deck.part.package, deck.part
    for relations in (package._rels, part.rels):
        for key, relation in list(relations.items()):
            if relation.reltype.rsplit("/", 1)[-1] in ("thumbnail", "printerSettings"):
                relations.pop(key)
    package.part_related_by(RELATIONSHIP_TYPE.EXTENDED_PROPERTIES)._blob = _APPLICATION.encode()
    master = deck.slide_master
    theme = master.part.part_related_by(RELATIONSHIP_TYPE.THEME)
    theme._blob = _own_theme(theme.blob.decode()).encode()
    first, second, *others = deck.slide_layouts
    for layout in others:
        deck.slide_layouts.remove(layout)
    title = _holder(2, "Title", 'type="title"', TITLE_TOP, TITLE_HEIGHT, "Title")
    words = _holder(3, "Words", 'type="body" idx="1"', TOP, BOTTOM - TOP, "Words")
    _fill(master, [_band(), title, words])
    styles = master.element.find(qn("p:txStyles"))
    styles.getparent().replace(styles, parse_xml(_STYLES))
    title = _holder(2, "Title", 'type="title"', TITLE_TOP, TITLE_HEIGHT, "Title")
    middle = (TOP + BOTTOM) / 2
    picture = _holder(4, "Picture", f'type="pic" idx="{PICTURE}"', TOP, middle - TOP, "Picture")
    below = _holder(3, "Words", f'type="body" idx="{WORDS}"', middle, BOTTOM - middle, "Words")
    alone = _holder(3, "Words", f'type="body" idx="{WORDS}"', TOP, BOTTOM - TOP, "Words")
    for layout, name, shapes in (
        (first, "Picture and words", [title, picture, below]),
        (second, "Words", [title, alone]),
    ):
        _fill(layout, shapes)
        layout.element.attrib.pop("type", None)
        layout.element.cSld.set("name", name)
    return deck


def _fill(holder: Any, shapes: list[str]) -> None:
    """Replace the shapes of a master or a layout."""
    tree = holder.shapes._spTree
    for shape in list(holder.shapes):
        tree.remove(shape._element)
    for shape in shapes:
        tree.append(parse_xml(shape))


def _frame(top: float, height: float, left: float = MARGIN, width: float = INSIDE) -> str:
    return (
        f'<a:xfrm><a:off x="{Pt(left)}" y="{Pt(top)}"/><a:ext cx="{Pt(width)}" cy="{Pt(height)}"/></a:xfrm>'
        '<a:prstGeom prst="rect"><a:avLst/></a:prstGeom>'
    )


def _holder(number: int, name: str, kind: str, top: float, height: float, prompt: str, more: str = "") -> str:
    """A placeholder whose text begins where the picture begins: without inner margins."""
    return (
        f'<p:sp {_SPACES}><p:nvSpPr><p:cNvPr id="{number}" name="{name}"/><p:cNvSpPr><a:spLocks noGrp="1"/></p:cNvSpPr>'
        f"<p:nvPr><p:ph {kind}/></p:nvPr></p:nvSpPr><p:spPr>{_frame(top, height)}</p:spPr>"
        f'<p:txBody><a:bodyPr wrap="square" lIns="0" tIns="0" rIns="0" bIns="0" {more}><a:normAutofit/></a:bodyPr>'
        f'<a:lstStyle/><a:p><a:r><a:rPr lang="{LANGUAGE}"/><a:t>{prompt}</a:t></a:r></a:p></p:txBody></p:sp>'
    )


def _band() -> str:
    """A band along the upper edge."""
    return (
        f'<p:sp {_SPACES}><p:nvSpPr><p:cNvPr id="9" name="Band"/><p:cNvSpPr/><p:nvPr userDrawn="1"/></p:nvSpPr>'
        f"<p:spPr>{_frame(0, BAND, 0, WIDTH)}"
        '<a:solidFill><a:schemeClr val="accent1"/></a:solidFill><a:ln><a:noFill/></a:ln></p:spPr>'
        f'<p:txBody><a:bodyPr/><a:lstStyle/><a:p><a:endParaRPr lang="{LANGUAGE}"/></a:p></p:txBody></p:sp>'
    )


def _style(kind: str, size: int, more: str = "") -> str:
    return (
        f'<p:{kind}><a:lvl1pPr marL="0" indent="0" algn="l"><a:buNone/><a:defRPr sz="{100 * size}" {more} kern="1200">'
        '<a:solidFill><a:schemeClr val="tx1"/></a:solidFill><a:latin typeface="+mn-lt"/><a:ea typeface="+mn-ea"/>'
        f'<a:cs typeface="+mn-cs"/></a:defRPr></a:lvl1pPr></p:{kind}>'
    )


BOLD = 'b="1"'

_STYLES = (
    f"<p:txStyles {_SPACES}>{_style('titleStyle', 28, 'b=' + chr(34) + '1' + chr(34))}"
    f"{_style('bodyStyle', 22)}{_style('otherStyle', 20)}</p:txStyles>"
)

_APPLICATION = (
    '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    '<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/extended-properties">'
    "<Application>landing-outcomes</Application></Properties>"
)

_COLOURS = {
    "dk1": INK, "lt1": PAPER, "dk2": ACCENT, "lt2": PALE, "accent1": ACCENT, "accent2": SECOND, "accent3": SOFT,
    "accent4": INK, "accent5": FAINT, "accent6": SECOND, "hlink": ACCENT, "folHlink": SOFT,
}  # fmt: skip


def _own_theme(theme: str) -> str:
    """The library's theme with our own colours and typeface."""
    inner = "".join(
        f'<a:{key}><a:srgbClr val="{value[1:].upper()}"/></a:{key}>' for key, value in _COLOURS.items()
    )
    scheme = f'<a:clrScheme name="Landings">{inner}</a:clrScheme>'
    theme = re.sub(r"<a:clrScheme .*?</a:clrScheme>", scheme, theme, flags=re.DOTALL)
    theme = theme.replace('name="Office Theme"', 'name="Landings"')
    return theme.replace('<a:latin typeface="Calibri"/>', f'<a:latin typeface="{FONT}"/>')
