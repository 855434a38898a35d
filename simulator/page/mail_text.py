"""Texts of the file in which an answer came: plain text, a mail, HTML, in any encoding.

A mail is taken apart by Python's email package: base64 and quoted-printable are undone, attached files and
attached mails are read, and of two forms of one text the plain one comes first. A mailbox of several mails
gives the texts of all. HTML becomes lines. Encodings: what a part declares, a byte order mark, UTF-16 by its
zero bytes, UTF-8, else Windows-1252, which western mail programs use undeclared (common practice, no source).
"""

from __future__ import annotations

import codecs
import email
import re
from email.message import Message
from html.parser import HTMLParser

_NEXT_MAIL = re.compile(rb"(?m)^From [^\r\n]*\d\d:\d\d[^\r\n]*\r?\n")
_HEADER = re.compile(rb"[A-Za-z][A-Za-z0-9-]*:")
_HTML = re.compile(r"<(!doctype\s+html|html|head|body|div|p|br|pre|table|meta)\b", re.IGNORECASE)
_UNSEEN = str.maketrans("", "", "\u200b\u200c\u200d\u2060\u00ad\ufeff")
_BREAKS = frozenset(("br", "p", "div", "li", "tr", "pre", "blockquote", "table", "h1", "h2", "h3", "hr"))
_PARAGRAPHS = frozenset(("p", "blockquote", "table", "pre"))
_LEFT_OUT = frozenset(("style", "script", "head", "title"))
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def texts_of(data: bytes) -> list[str]:
    """The texts of a file, in order. Raises ValueError for a mail nested too deeply to be read."""
    try:
        mails = [part for part in _NEXT_MAIL.split(data) if part.strip()]
        if mails and all(_is_mail(mail) for mail in mails):
            return [text for mail in mails for text in _mail_texts(email.message_from_bytes(mail.lstrip()))]
        if _is_mail(data):  # one mail, with a line like the first of a mailbox in its text
            return _mail_texts(email.message_from_bytes(data.lstrip()))
    except RecursionError:
        raise ValueError("its parts are nested too deeply") from None
    return [_plain(decoded(data))]


def decoded(data: bytes, charset: str | None = None) -> str:
    """Bytes as text; never fails. `charset` is what they are said to be in."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            return data.decode(name, errors="replace")
    odd, even = data[1:4000:2].count(0), data[0:4000:2].count(0)
    if max(odd, even) > 0.3 * len(data[:4000]) > 2 * min(odd, even):
        return data.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace")
    if charset is not None and charset.lower() not in ("us-ascii", "ascii"):
        try:
            return data.decode(charset, errors="replace")
        except (LookupError, ValueError):  # an encoding of another name, or none for texts
            pass
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _is_mail(data: bytes) -> bool:
    """True where it begins with a mail's headers: those of its encoding, or those of every mail."""
    data = data.lstrip()
    if not _HEADER.match(data):
        return False
    mail = email.message_from_bytes(data)
    encoding = ("MIME-Version", "Content-Type", "Content-Transfer-Encoding", "Message-ID")
    return any(header in mail for header in encoding) or ("From" in mail and "Date" in mail)


def _mail_texts(mail: Message) -> list[str]:
    """The texts of all parts, the plain ones first."""
    plain: list[str] = []
    marked: list[str] = []
    for part in mail.walk():
        if part.is_multipart() or not _is_text(part):
            continue
        payload = part.get_payload(decode=True)
        if isinstance(payload, bytes):
            text = decoded(payload, part.get_content_charset())
            html = part.get_content_subtype() == "html"
            (marked if html else plain).append(_html_lines(text) if html else _plain(text))
    return plain + marked


def _is_text(part: Message) -> bool:
    name = (part.get_filename() or "").lower()
    return part.get_content_maintype() == "text" or name.endswith((".txt", ".text", ".htm", ".html"))


def _plain(text: str) -> str:
    """A text as lines: HTML that a mail program saved is undone."""
    start = text.lstrip()[:2000]
    return _html_lines(text) if start.startswith("<") and _HTML.search(start) else text.translate(_UNSEEN)


def _html_lines(text: str) -> str:
    lines = _Lines()
    lines.feed(text)
    lines.close()
    return "".join(lines.parts).translate(_UNSEEN)


class _Lines(HTMLParser):
    """The words of an HTML text, with a line end where it shows one and an empty line after a paragraph."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self._inside = 0
        self._kept = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002
        if tag in _LEFT_OUT:
            self._inside += 1
        self._kept += tag == "pre"
        if tag in _BREAKS:
            self.parts.append("\n")

    def handle_endtag(self, tag: str) -> None:
        if tag in _LEFT_OUT:
            self._inside = max(0, self._inside - 1)
        self._kept = max(0, self._kept - (tag == "pre"))
        if tag in _PARAGRAPHS:
            self.parts.append("\n\n")
        elif tag in _BREAKS:
            self.parts.append("\n")

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.parts.append(data if self._kept else re.sub(r"[ \t\r\n]+", " ", data))
