"""The bytes that go over the wire, judged by the standards' rules on raw lines, not by our own reader."""

import email
import email.policy
import re
from datetime import UTC, datetime

import pytest
from message.views import PIXEL, view

from advisor.message.mime import Attachment, build_message

AT = datetime(2026, 7, 14, 4, 0, tzinfo=UTC)


def build(the_view=None, **changes):
    given = {
        "key": b"k" * 32,
        "dedupe_key": "digest|2026-07-14||grower@example.org|1",
        "sender": "advisor@garden.example.org",
        "recipient": "grower@example.org",
        "at_utc": AT,
        "event": "digest",
    }
    given.update(changes)
    return build_message(the_view or view(), **given)


def parts_of(raw):
    return email.message_from_bytes(raw, policy=email.policy.default)


def test_tree_with_picture_is_alternative_of_text_then_related_html():
    # RFC 2046 5.1.4: plainest first; RFC 2387: related carries the type of its root
    message = parts_of(build().raw)
    assert message.get_content_type() == "multipart/alternative"
    first, second = message.iter_parts()
    assert first.get_content_type() == "text/plain"
    assert second.get_content_type() == "multipart/related"
    assert second.get_param("type") == "text/html"
    html, image = second.iter_parts()
    assert html.get_content_type() == "text/html"
    assert image.get_content_type() == "image/png"
    assert image["Content-Disposition"].startswith("inline")
    assert f"cid:{image['Content-ID'].strip('<>')}" in html.get_content()
    assert image.get_content() == PIXEL


def test_tree_with_calendar_is_mixed_around_the_alternative():
    raw = build(
        attachments=[Attachment("work.ics", "text", "calendar", b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n")]
    ).raw
    message = parts_of(raw)
    assert message.get_content_type() == "multipart/mixed"
    kinds = [part.get_content_type() for part in message.iter_parts()]
    assert kinds == ["multipart/alternative", "text/calendar"]


def test_lines_end_in_crlf_and_keep_the_length_limits():
    raw = build().raw
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    head, _, body = raw.partition(b"\r\n\r\n")
    for line in body.split(b"\r\n"):
        assert len(line) <= 78  # RFC 5322 2.1.1; quoted-printable and base64 within 76 (RFC 2045)
    for word in re.findall(rb"=\?[^?]+\?[qQbB]\?[^?]*\?=", head):
        assert len(word) <= 75  # RFC 2047 section 2


def test_list_headers_stand_on_one_line_and_subject_is_plain_ascii():
    raw = build(sender="a-very-long-sender-name-for-the-garden-advisor@mail.subdomain.garden.example.org").raw
    head = raw.partition(b"\r\n\r\n")[0]
    assert b"=?" not in head
    assert re.search(rb"\r\nList-Unsubscribe: <mailto:[^\r\n]+>\r\n", head)
    assert b"\r\nAuto-Submitted: auto-generated\r\n" in head
    assert b"\r\nAdvisor-Message: kind=digest; day=2026-07-14; event=digest\r\n" in head
    subject = re.search(rb"\r\nSubject: ([^\r\n]*)\r\n(?![ \t])", head)
    assert subject is not None
    assert len(subject.group(1)) <= 66


def test_same_input_same_bytes_and_other_key_other_id():
    one, two = build(), build()
    assert one == two
    other = build(dedupe_key="digest|2026-07-15||grower@example.org|1")
    assert other.message_id != one.message_id
    assert build(key=b"x" * 32).message_id != one.message_id
    assert "grower" not in one.message_id


def test_date_is_the_time_of_the_row():
    message = parts_of(build().raw)
    assert message["Date"].datetime == AT


def test_update_points_to_the_message_it_updates():
    message = parts_of(build(references="<abc@garden.example.org>").raw)
    assert message["In-Reply-To"] == "<abc@garden.example.org>"
    assert message["References"] == "<abc@garden.example.org>"


def test_header_injection_through_a_name_is_refused_or_harmless():
    with pytest.raises(ValueError, match=r"invalid|CR or LF|newline"):
        build(recipient="grower@example.org\r\nBcc: other@example.org")
