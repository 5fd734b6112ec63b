"""The PDF is set by another engine than a browser's: nothing may be crushed or run off the page there either."""

from __future__ import annotations

from weasyprint import HTML

from hoodnote.note.render import render
from tests.note_samples import measured_throughout
from tests.test_note_reasoning import judged

LEAST_PLOT_PX = 300            # of 96 to the inch: 8 cm, two beside each other on A4 or letter


def test_plots_are_as_wide_as_they_are_drawn_and_no_text_leaves_the_page():
    pages = HTML(string=render(judged(measured_throughout()), "html")).render().pages
    boxes = [(page, box) for page in pages for box in page._page_box.descendants()]
    plots = [box for _, box in boxes if getattr(box, "element_tag", "") == "figure"]
    assert len(plots) >= 3 and min(box.width for box in plots) >= LEAST_PLOT_PX
    assert [box.text for page, box in boxes if hasattr(box, "text") and box.position_x + box.width > page.width] == []

