"""The planning curve at every size: words clear of the curves, everything on the sheet."""

import re
from dataclasses import replace

import pytest
from matplotlib.transforms import Affine2D
from publish_comparisons import build

from analysis.comparison.planning import make_planning
from analysis.publish.layout import paint
from analysis.publish.planning_figure import planning_sketch
from analysis.publish.sizes import PHONE, SIZES

BASE = build(full=False)
CASES = {
    "two curves that both reach the chance": (((9, 9), (14, 22)), 1.0, None),
    "steep": (((20, 20), (1, 20)), 1.0, 0.3),
    "never reached": (((9, 9), (14, 22)), 2.6, 0.05),
    "few steps": (((9, 9), (14, 22)), 60.0, 0.1),
}


def sketch_of(case):
    counts, effect, matters = CASES[case]
    groups = tuple(
        replace(group, x=x, n=n, effective_n=n / effect)
        for group, (x, n) in zip(BASE.groups, counts, strict=False)
    )
    planning = make_planning(replace(BASE.question, matters=matters), groups, BASE.headline)
    return planning, planning_sketch(planning)


@pytest.mark.parametrize("size", [*SIZES.values(), PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("case", CASES)
def test_planning_curve_keeps_its_text_on_the_sheet(case, size):
    planning, sketch = sketch_of(case)
    canvas = paint(sketch.plan, size, sketch.title)
    svg = canvas.save("planning", sketch.title, sketch.alt, ("svg",))["svg"].decode()
    assert "routines per technique" in svg
    assert "Half width, percentage points" in svg
    canvas.paper.set_dpi(4 * 72)  # at 72 dots an inch small type is set on whole pixels, and too wide
    renderer = canvas.paper.canvas.get_renderer()
    boxes = [
        text.get_window_extent(renderer).transformed(Affine2D().scale(0.25))
        for axes in canvas.paper.axes
        for text in axes.texts
    ]
    assert min(box.x0 for box in boxes) >= -0.5
    assert max(box.x1 for box in boxes) <= size.width + 0.5
    assert min(box.y0 for box in boxes) >= -0.5
    assert max(box.y1 for box in boxes) <= canvas.height + 0.5
    for place, one in enumerate(boxes):
        for other in boxes[place + 1 :]:
            across = min(one.x1, other.x1) - max(one.x0, other.x0)
            down = min(one.y1, other.y1) - max(one.y0, other.y0)
            assert across <= 0.5 or down <= 0.25 * min(one.height, other.height)
    for found in (one.enough for one in planning.suppositions):
        assert found is None or re.search(rf">{found}<", svg)


def test_planning_curve_in_words():
    planning, sketch = sketch_of("two curves that both reach the chance")
    assert f"About {planning.suppositions[0].enough} routines per technique" in sketch.alt
    assert "10 routines 34" in sketch.alt
    assert "The rates are suppositions, not the rates seen." in sketch.caption
    assert "come back" not in sketch.caption
    assert "athletes come back as often" in sketch_of("never reached")[1].caption
