"""Text and HTML come from one view and say the same; neither shows a programmer's word."""

import html.parser
import re
import unicodedata

from hypothesis import given, settings
from hypothesis import strategies as st
from message.views import view

from advisor.message.html import render_html
from advisor.message.text import render_text
from advisor.message.view import Line
from advisor.message.words import ascii_subject


class Reader(html.parser.HTMLParser):
    """Visible text of a page, with the ids of its lines."""

    def __init__(self):
        super().__init__()
        self.text, self.ids, self.sources, self._hidden = [], [], [], 0

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        if tag in {"style", "script", "title"}:
            self._hidden += 1
        if "data-id" in attributes:
            self.ids.append(attributes["data-id"])
        if tag in {"img", "script", "link", "iframe", "form"}:
            self.sources.append((tag, attributes.get("src")))
        if tag in {"p", "td", "br", "h1", "h2", "tr"}:
            self.text.append(" ")

    def handle_endtag(self, tag):
        if tag in {"style", "script", "title"}:
            self._hidden -= 1

    def handle_data(self, data):
        if not self._hidden:
            self.text.append(data)


def folded(text):
    return re.sub(r"\s+", " ", text)


def read(page):
    reader = Reader()
    reader.feed(page)
    return folded("".join(reader.text)), reader


def test_every_line_and_number_stands_in_both_parts():
    the_view = view()
    page, reader = read(render_html(the_view, "cid:x"))
    text = folded(render_text(the_view).replace("why: ", ""))
    lines = [*the_view.notices, *the_view.foot]
    for section in the_view.sections:
        lines += section.lines
    for line in lines:
        assert folded(line.text) in text
        assert folded(line.text) in page
        if line.why:
            assert folded(line.why) in text
            assert folded(line.why) in page
    assert sorted(reader.ids) == sorted(line.id for line in lines)
    for row in the_view.picture.rows:
        for cell in row:
            assert cell in text
            assert cell in page


def test_page_has_no_script_no_remote_picture_and_is_small():
    page = render_html(view(), "cid:x")
    _, reader = read(page)
    assert reader.sources == [("img", "cid:x")]
    assert "http" not in page
    assert len(page.encode()) < 100_000


def test_text_part_has_no_word_of_a_programmer_and_no_hard_space():
    text = render_text(view(foot=(Line("a\u00a0b", "", "foot:weather"),)))
    assert not re.search(r"\bnan\b|\bNone\b|\{\}|\u00a0", text)


def test_names_with_signs_cannot_break_the_page():
    page = render_html(view(title="<script>alert(1)</script>"), "cid:x")
    assert "<script>" not in page


@settings(max_examples=200, derandomize=True)
@given(st.text(max_size=200))
def test_ascii_subject_any_text_is_short_printable_ascii(text):
    subject = ascii_subject(text)
    assert len(subject) <= 66
    assert subject.isascii()
    assert all(unicodedata.category(sign)[0] != "C" for sign in subject)
