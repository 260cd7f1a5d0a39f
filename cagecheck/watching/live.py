"""Pages made to follow a watch, and the page that stands there before the first."""

from __future__ import annotations

import re
from html import escape
from importlib.resources import files
from typing import Any

from cagecheck.report.page import script_json

# The report page loads nothing from anywhere; the served one asks its own server for news.
_STRICT, _OWN = "default-src 'none';", "default-src 'none'; connect-src 'self';"
_OWN_SCRIPT = f"{_OWN} script-src 'unsafe-inline';"
_SCRIPT_END, _BODY_END = "</script>\n</body>", "</body>"
# Links to files beside the page: those that name no scheme, host or place in the page.
_BESIDE = re.compile(r'href="(?![a-z]+:|[#/])')


def live_page(html: str, number: int, news: dict[str, Any]) -> str:
    """Return a report page that loads itself anew when there is another than this `number`.

    news : what it says until it hears otherwise.
    """
    head, body, _ = _parts(html, _SCRIPT_END)
    style, facts = _added(number, news)
    # Inside the page's own module, since its names are not to be had from outside.
    return f"{head}{_OWN}{body}{_script('live.js')}</script>\n{style}{facts}\n</body>\n</html>\n"


def live_sheet(html: str, number: int, news: dict[str, Any]) -> str:
    """Return a page without a model and scripts (`sheet_html`) made live, as `live_page` does.

    Its links lead to where the server has the files of the result.
    """
    head, body, after = _parts(html, _BODY_END)
    leading = _BESIDE.sub('href="files/', body)
    style, facts = _added(number, news)
    script = f"<script>\n{_script('live_sheet.js')}</script>"
    return f"{head}{_OWN_SCRIPT}{leading}{style}{facts}\n{script}\n{_BODY_END}{after}"


def first_page(news: dict[str, Any]) -> str:
    """Return the page before the first result: it says what is going on, and waits."""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>cagecheck watch</title>
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; connect-src 'self'; \
script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:">
<link rel="icon" href="data:,">
<style>body {{ font: 16px/1.5 system-ui, sans-serif; margin: 15vh auto; max-width: 40em; \
padding: 0 1em; background: #f4f2ed; color: #1c2026; }}</style></head>
<body><h1>cagecheck watch</h1><p id="live" role="status"><b>{escape(news["title"])}</b> \
<span>{escape(news["words"])}</span></p>
<script>
new EventSource("news").addEventListener("message", (event) => {{
  const news = JSON.parse(event.data);
  if (news.page) location.reload();
  document.querySelector("b").textContent = news.title;
  document.querySelector("span").textContent = news.words;
}});
</script></body></html>
"""


def _parts(html: str, end: str) -> tuple[str, str, str]:
    """Return what stands before the page's policy, from there to its last `end`, and the rest."""
    head, found, rest = html.partition(_STRICT)
    assert found, "the page has no policy"
    body, found, after = rest.rpartition(end)
    assert found, f"the page has no {end!r}"
    return head, body, after


def _added(number: int, news: dict[str, Any]) -> tuple[str, str]:
    """Return the style of the bar, and what the page's script begins with."""
    data = script_json({"page": number, "news": news})
    style = f"<style>\n{_text('live.css')}</style>"
    return style, f'<script type="application/json" id="live-data">{data}</script>'


def _script(name: str) -> str:
    """Return a page's own script after what all of them share."""
    return f"{_text('live_bar.js')}\n{_text(name)}"


def _text(name: str) -> str:
    return (files("cagecheck.watching") / name).read_text(encoding="utf-8")
