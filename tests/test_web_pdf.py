"""The PDF is set by another engine than a browser's: nothing may be crushed or run off the page there either."""

from __future__ import annotations

import pytest
from weasyprint import HTML

from hoodnote.note.render import render
from tests.note_samples import measured_throughout
from tests.test_note_reasoning import judged

NEXT_PX = 40                   # under a heading, in which what it heads begins
HEADS, BODIES = ("h2", "h3", "caption"), ("p", "tr", "dl", "ul", "ol", "li", "figure")
LEAST_PLOT_PX = 300            # of 96 to the inch: 8 cm, two beside each other on A4 or letter


def test_plots_are_as_wide_as_they_are_drawn_and_no_text_leaves_the_page():
    pages = HTML(string=render(judged(measured_throughout()), "html")).render().pages
    boxes = [(page, box) for page in pages for box in page._page_box.descendants()]
    plots = [box for _, box in boxes if getattr(box, "element_tag", "") == "figure"]
    assert len(plots) >= 3 and min(box.width for box in plots) >= LEAST_PLOT_PX
    assert [box.text for page, box in boxes if hasattr(box, "text") and box.position_x + box.width > page.width] == []


@pytest.mark.parametrize("before_mm", [45, 75])
def test_no_heading_ends_a_column_or_a_page(before_mm):
    """Wherever the text before it ends: what it heads begins right below it, in the same column of the same page."""
    page = render(judged(measured_throughout()), "html").replace('<div class="halves">', f'<div style="height: {before_mm}mm"></div><div class="halves">')
    for number, made in enumerate(HTML(string=page).render().pages):
        boxes = [b for b in made._page_box.descendants() if getattr(b, "element_tag", "") in (*HEADS, *BODIES)]
        drawn = {id(d) for b in boxes if b.element_tag == "figure" for d in b.descendants()}       # kept together as a whole
        for head in (b for b in boxes if b.element_tag in HEADS and id(b) not in drawn):
            under = [b for b in boxes if b.element_tag in BODIES and b.position_x < head.position_x + head.width and head.position_x < b.position_x + b.width
                     and 0 <= b.position_y - head.position_y - head.height < NEXT_PX]
            assert under, (number, head.element_tag, "".join(t.text for t in head.descendants() if hasattr(t, "text")))
