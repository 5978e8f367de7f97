"""What can be measured of a picture: texts that are cut or lie on each other, and how large their type is."""

from __future__ import annotations

import itertools
import re

from lxml import etree
from matplotlib.transforms import Affine2D

from analysis.publish.canvas import Canvas

SVG = "{http://www.w3.org/2000/svg}"


def clashes(canvas: Canvas) -> list[str]:
    """Texts that leave the sheet or lie on each other."""
    canvas.paper.set_dpi(
        288
    )  # four pixels a point: at 72 the type is hinted to whole pixels, which no file is
    renderer = canvas.paper.canvas.get_renderer()
    (axes,) = canvas.paper.axes
    boxes = [
        (t.get_text(), t.get_window_extent(renderer).transformed(Affine2D().scale(0.25)))
        for t in axes.texts
        if t.get_text().strip()
    ]
    found = [
        f"{words!r} leaves the sheet"
        for words, box in boxes
        if box.x0 < -0.6 or box.x1 > canvas.size.width + 0.6 or box.y0 < -1 or box.y1 > canvas.height + 1
    ]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide, high = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        if wide > 0.5 and high > 1.0:
            found.append(f"{one!r} lies on {other!r}")
    return found


def type_sizes(svg: bytes) -> list[float]:
    """The size of each text of a drawing, in the drawing's own units."""
    found = []
    for text in etree.fromstring(svg).iter(f"{SVG}text"):
        assert "".join(text.itertext()).strip()
        found.append(float(re.search(r"font(?:-size)?:[^;]*?([0-9.]+)px", text.get("style"))[1]))
    return found
