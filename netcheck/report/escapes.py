"""Text from netlists, made harmless for each format it is written into.

Comes in: names, titles and messages, which may hold anything a stranger typed.
Goes out: the same text in which nothing can end a field, open markup, start a
formula, notify a person or give the runner of a workflow a command.

Sources: GitHub workflow commands percent-encode `%`, CR and LF, in properties also
`:` and `,` (GitHub documentation, "Workflow commands"); backslash escapes are those
of the GitHub Flavored Markdown specification; what XML 1.0 allows is its section 2.2;
cells that begin with `= + - @`, tab or CR are taken for formulas by spreadsheets
(OWASP, "CSV Injection").
"""

from __future__ import annotations

import re

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_MARKDOWN = str.maketrans(
    {
        **{sign: f"\\{sign}" for sign in "\\`*_[]|~#"},
        "&": "&amp;",
        "<": "&lt;",
        ">": "&gt;",
        "@": "&#64;",
    }
)
_XML_REFUSES = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_INVISIBLE = "�"


def one_line(text: str) -> str:
    """Return text on one line, with a visible sign for each control character."""
    joined = " ".join(text.split())
    return "".join(sign if sign.isprintable() else _INVISIBLE for sign in joined)


def github_message(text: str) -> str:
    """Return text as the message of a workflow command."""
    visible = "\n".join(one_line(line) for line in text.split("\n"))
    return visible.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def github_property(text: str) -> str:
    """Return text as a property of a workflow command."""
    return github_message(one_line(text)).replace(":", "%3A").replace(",", "%2C")


def markdown(text: str) -> str:
    """Return text as words of one line: no markup, link, mention or table border."""
    escaped = one_line(text).translate(_MARKDOWN)
    return escaped.replace("://", "&#58;//").replace("www.", "www&#46;")


def xml(text: str) -> str:
    """Return text without the characters that XML cannot hold, even escaped."""
    return _XML_REFUSES.sub(_INVISIBLE, text)


def csv_cell(text: str) -> str:
    """Return text that no spreadsheet takes for a formula."""
    visible = one_line(text)
    return f"'{visible}" if text.startswith(_FORMULA) or visible.startswith(_FORMULA) else visible
