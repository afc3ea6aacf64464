"""The HTML part: one table of at most 600 px, inline styles, system fonts, no script, no remote image."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from advisor.message.view import MessageView
from advisor.message.words import plain

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["MOST_BYTES", "render_html"]

MOST_BYTES = 100_000
"""Mail readers clip beyond about 102 kB and hide the end of the message."""

_TEMPLATE = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="supported-color-schemes" content="light dark">
<title>{{ view.title }}</title>
<style>
@media (prefers-color-scheme: dark) {
  .page { background: #1a1c19 !important; }
  .sheet { background: #232622 !important; color: #ecefe9 !important; }
  .why, .quiet, .foot { color: #b4bbae !important; }
  .head { color: #dfe6d8 !important; border-color: #4a5245 !important; }
  .must { background: #4a3a17 !important; color: #fdf3da !important; border-color: #d9a441 !important; }
  .cell { border-color: #4a5245 !important; }
  .plate { background: #ffffff !important; }
}
</style>
</head>
<body class="page" style="margin:0;padding:0;background:#eef0ec;">
<table role="presentation" class="page" width="100%" cellpadding="0" cellspacing="0" border="0" style="background:#eef0ec;">
<tr><td align="center" style="padding:8px;">
<table role="presentation" class="sheet" width="100%" cellpadding="0" cellspacing="0" border="0" style="max-width:600px;background:#ffffff;color:#1f241d;font-family:-apple-system,'Segoe UI',Roboto,Helvetica,Arial,sans-serif;font-size:17px;line-height:1.4;text-align:left;">
<tr><td style="padding:14px 16px 4px 16px;"><h1 style="margin:0;font-size:20px;line-height:1.25;">{{ view.title|plain }}</h1></td></tr>
{% for line in view.notices %}<tr><td style="padding:4px 16px;"><p class="must" data-id="{{ line.id }}" style="margin:4px 0;padding:8px 10px;background:#fbf1d9;border-left:4px solid #b77b12;">{{ line.text|plain }}</p></td></tr>
{% endfor %}
{% for section in view.sections %}<tr><td style="padding:10px 16px 4px 16px;">
<h2 class="head" style="margin:0 0 4px 0;padding:0 0 3px 0;font-size:15px;color:#3d4a36;border-bottom:1px solid #d5dad0;">{{ section.title }}</h2>
{% for line in section.lines %}
{% if line.weight == 'must' %}<p class="must" data-id="{{ line.id }}" style="margin:6px 0;padding:8px 10px;background:#fbf1d9;border-left:4px solid #b77b12;font-weight:600;">{{ line.text|plain }}{% if line.why %}<br><span class="why" style="font-weight:400;font-size:14px;color:#5a6354;">{{ line.why|plain }}</span>{% endif %}</p>
{% elif line.weight == 'quiet' %}<p class="quiet" data-id="{{ line.id }}" style="margin:4px 0;font-size:15px;color:#5a6354;">{{ line.text|plain }}{% if line.why %}<br><span class="why" style="font-size:14px;color:#5a6354;">{{ line.why|plain }}</span>{% endif %}</p>
{% else %}<p data-id="{{ line.id }}" style="margin:6px 0;">{{ line.text|plain }}{% if line.why %}<br><span class="why" style="font-size:14px;color:#5a6354;">{{ line.why|plain }}</span>{% endif %}</p>
{% endif %}{% endfor %}</td></tr>
{% endfor %}
{% if view.picture %}<tr><td style="padding:10px 16px 4px 16px;">
<div class="plate" style="background:#ffffff;"><img src="{{ picture_src }}" width="{{ view.picture.width_px }}" alt="{{ view.picture.finding|plain }}" style="display:block;width:100%;max-width:{{ view.picture.width_px }}px;height:auto;border:0;"></div>
<p style="margin:6px 0 4px 0;font-size:15px;">{{ view.picture.finding|plain }}</p>
<table cellpadding="0" cellspacing="0" border="0" width="100%" style="font-size:14px;border-collapse:collapse;">
<tr>{% for cell in view.picture.header %}<th class="cell" align="left" style="padding:3px 6px 3px 0;border-bottom:1px solid #d5dad0;">{{ cell }}</th>{% endfor %}</tr>
{% for row in view.picture.rows %}<tr>{% for cell in row %}<td class="cell" style="padding:3px 6px 3px 0;border-bottom:1px solid #d5dad0;">{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table></td></tr>
{% endif %}
<tr><td class="foot" style="padding:12px 16px 16px 16px;font-size:13px;color:#5a6354;">
{% for line in view.foot %}<p class="quiet" data-id="{{ line.id }}" style="margin:4px 0;color:#5a6354;">{{ line.text|plain }}</p>
{% endfor %}</td></tr>
</table>
</td></tr></table>
</body>
</html>
"""  # noqa: E501 - one element a line reads better than a wrapped tag


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["plain"] = plain
    return environment.from_string(_TEMPLATE)


def render_html(view: MessageView, picture_src: str = "") -> str:
    """Return the HTML of a message.

    Parameters
    ----------
    view : MessageView
        The same view the text part is made of.
    picture_src : str
        Address of the picture: ``cid:...`` in a mail, a file name for a page.

    Raises
    ------
    ValueError
        The page is larger than mail readers show (``MOST_BYTES``).
    """
    page = _template().render(view=view, picture_src=picture_src)
    if len(page.encode()) > MOST_BYTES:
        raise ValueError(f"the HTML part has {len(page.encode())} bytes, more than {MOST_BYTES}")
    return page
